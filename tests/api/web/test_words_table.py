"""Every word that a screen or the command line shows has its line in the table that says where it comes from."""

from __future__ import annotations

import html
import re
from collections.abc import Iterator
from pathlib import Path

import click
import pytest

from api.command import lobewright

ROOT = Path(__file__).parents[3]
TEMPLATES = sorted((ROOT / "api" / "templates").rglob("*.html"))
SHOWN = re.compile(r"<(h[1-3]|label|legend|button|option|th|dt|summary)\b[^>]*>(.*?)</\1>", re.DOTALL)
MADE = re.compile(r"""(?:field\("[^"]+",|for word in \[)\s*("(?:[^"]*)"(?:,\s*"[^"]*")*)""")
A_WORD = re.compile(r"\w")


def told(text: str) -> str:
    """Letters and figures only, small: what is left of a label when marks and case do not count."""
    return " ".join(re.findall(r"[\w±°]+", text.lower()))


@pytest.fixture(scope="module")
def table() -> str:
    lines = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").splitlines()
    start = lines.index("## Words and where they come from")
    end = next(at for at in range(start + 1, len(lines)) if lines[at].startswith("## "))
    return f" {told(' '.join(line for line in lines[start:end] if line.startswith('|')))} "


def labels(path: Path) -> Iterator[str]:
    text = path.read_text(encoding="utf-8")
    for _, inner in SHOWN.findall(text):
        plain = re.sub(r"<[^>]*>", "\n", re.sub(r"\{%.*?%\}|\{\{.*?\}\}", "\n", inner, flags=re.DOTALL))
        yield from (html.unescape(part) for part in plain.split("\n"))
    for made in MADE.findall(text):
        yield from re.findall(r'"([^"]*)"', made)


@pytest.mark.parametrize("path", TEMPLATES, ids=lambda path: path.stem)
def test_every_label_of_a_page_is_in_the_table(path: Path, table: str) -> None:
    shown = {told(label) for label in labels(path) if A_WORD.search(label)}
    assert sorted(label for label in shown if f" {label} " not in table) == []


def commands(group: click.Command, name: str) -> Iterator[tuple[str, click.Command]]:
    if not isinstance(group, click.Group):
        yield name, group
        return
    context = click.Context(group)
    for own in group.list_commands(context):
        found = group.get_command(context, own)
        assert found is not None
        yield from commands(found, own)


def test_every_command_and_option_is_in_the_table(table: str) -> None:
    missing = {name for name, _ in commands(lobewright, "") if f" {told(name)} " not in table}
    for _, command in commands(lobewright, ""):
        flags = [flag for one in command.get_params(click.Context(command)) for flag in one.opts]
        missing |= {flag for flag in flags if flag.startswith("--") and f" {told(flag)} " not in table}
    assert missing == set()
