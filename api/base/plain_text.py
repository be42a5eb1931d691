"""Words that people send or read: what can be read is taken as it is, what hides or commands is refused."""

from __future__ import annotations

import csv
import datetime as dt
import io
import unicodedata
from collections.abc import Iterable
from typing import Any

LINES = frozenset("\n\r\t")
TURNS_TEXT_ROUND = frozenset("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069\u2028\u2029")
BLANK = frozenset("\u115f\u1160\u3164\uffa0\u2800")
"""Letters and signs by their class, and yet nothing is seen of them."""
FORMULA = frozenset("=+-@")


def when(at: str) -> str:
    """Give a stamp as people write it, in the shop's own time."""
    try:
        return dt.datetime.fromisoformat(at).astimezone().strftime("%d %b %Y %H:%M")
    except ValueError:
        return at


def unreadable(text: str) -> str:
    """Say what is wrong with a text; empty where nothing is."""
    for character in text:
        kind = unicodedata.category(character)
        if kind == "Cs" or (kind == "Cc" and character not in LINES) or character in TURNS_TEXT_ROUND:
            return f"holds the character U+{ord(character):04X}, which cannot be written down; take it out"
    if text and not any(is_seen(character) for character in text):
        return "holds nothing that can be read; write it, or leave it out"
    return ""


def is_seen(character: str) -> bool:
    """Tell whether a character shows on paper."""
    return unicodedata.category(character)[0] in "LNPS" and character not in BLANK


def readable(value: Any, place: str = "") -> Any:
    """Pass on what was sent, names of fields included; raises `ValueError` for words that cannot be read."""
    if isinstance(value, str):
        wrong = unreadable(value)
        if wrong:
            raise ValueError(f"{place} {wrong}" if place else wrong)
    elif isinstance(value, dict):
        for name, inner in value.items():
            readable(name, "a field's name")
            readable(inner, str(name))
    elif isinstance(value, (list, tuple)):
        for inner in value:
            readable(inner, place)
    return value


def safe_cell(text: str) -> str:
    """Keep a spreadsheet from taking words for a formula, also behind what it skips and in wide letters."""
    shown = unicodedata.normalize("NFKC", text)
    first = next((one for one in shown if is_seen(one)), "")
    starts_oddly = text[:1] in {"\t", "\r", "\n"}
    return f"'{text}" if first in FORMULA or starts_oddly else text


def csv_text(rows: Iterable[Iterable[object]]) -> str:
    """Give rows as CSV; cells that people wrote go through `safe_cell` first."""
    file = io.StringIO()
    csv.writer(file, lineterminator="\r\n").writerows(rows)
    return file.getvalue()
