"""What the shop has chosen once for all its screens, in ``shop.db``."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Protocol

from sqlite_utils import Database

HANDS_FREE = "hands_free"


class AskingOne(Protocol):
    """Answers a question about the shop with one row."""

    def row(self, sql: str, values: tuple[Any, ...] = ()) -> dict[str, Any] | None:
        """Ask for one row."""


def create_shop_settings(db: Database) -> None:
    """Create the table; a setting that has no row is as the program has it."""
    db.table("shop_settings").create(
        {"name": str, "value": str, "at": str}, pk="name", not_null={"value", "at"}, strict=True
    )


def hands_free(read: AskingOne) -> bool:
    """Tell whether measurements of a job begin and end by themselves; so unless a shop wants buttons."""
    row = read.row("SELECT value FROM shop_settings WHERE name = ?", (HANDS_FREE,))
    return row is None or row["value"] == "on"


def setting_hands_free(on: bool, at: str) -> Callable[[Database], None]:
    """Give the change that keeps whether measurements begin and end by themselves."""

    def change(db: Database) -> None:
        """Write down the setting, new or changed."""
        db.execute(
            "INSERT INTO shop_settings (name, value, at) VALUES (?, ?, ?)"
            " ON CONFLICT (name) DO UPDATE SET value = excluded.value, at = excluded.at",
            (HANDS_FREE, "on" if on else "off", at),
        )

    return change
