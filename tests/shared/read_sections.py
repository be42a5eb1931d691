"""A page as a builder reads it: a section's words, its fields by their labels, its buttons by the names its words use."""

from __future__ import annotations

import re
from dataclasses import dataclass

from playwright.sync_api import Locator, Page

NUMBER = re.compile(r"(-?[\d.]+)°?(?: ± ([\d.]+))?")


@dataclass
class Section:
    """One section of the page, as it is read."""

    page: Page
    title: str

    @property
    def box(self) -> Locator:
        heading = self.page.get_by_role("heading", name=self.title, exact=True)
        return self.page.locator("section.sheet").filter(has=heading)

    def words(self) -> str:
        return " ".join(self.box.locator("p").all_inner_texts())

    def last_told(self) -> str:
        """What was said last of a reading; before that, what is to be done."""
        told = self.box.locator("[role=status] p").all_inner_texts()
        return told[0] if told else self.words()

    def types(self, **fields: str) -> None:
        for label, text in fields.items():
            self.field(label.replace("_", " ")).fill(text)

    def field(self, label: str) -> Locator:
        return self.box.get_by_label(re.compile(f"^{label}", re.IGNORECASE)).first

    def press(self, words: str) -> None:
        """Press what the words ask for, by the name they use for it."""
        assert words.lower() in self.words().lower(), f"nothing here says {words!r}: {self.words()}"
        self.box.get_by_role("button", name=re.compile(f"^{words}", re.IGNORECASE)).click()

    def cells(self, name: str) -> list[str]:
        """A row of a table, by its first cell."""
        first = self.page.get_by_role("cell", name=name, exact=True)
        return self.box.get_by_role("row").filter(has=first).first.get_by_role("cell").all_inner_texts()

    def row(self, name: str) -> tuple[float, float]:
        """A number and its ± out of the table that was told."""
        cell = self.box.get_by_role("row", name=re.compile(re.escape(name))).get_by_role("cell").last
        return number(cell.inner_text())


def number(words: str) -> tuple[float, float]:
    found = NUMBER.search(words.replace("−", "-").replace("\u00a0", " "))
    assert found, words
    return float(found[1]), float(found[2] or 0.0)
