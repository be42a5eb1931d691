"""Turning what is wrong with a bench file into sentences with a line number.

The standard TOML reader tells no positions, so the line of a key is looked up in the text.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping
from typing import Any

from pydantic import BaseModel, ValidationError

Place = tuple[int | str, ...]
Models = Mapping[str, type[BaseModel]]
"""The model of the whole file under "", of each table under its name."""

_HEADER = re.compile(r"^\s*(\[\[|\[)\s*([A-Za-z0-9_\".-]+)\s*(?:\]\]|\])")
_COMMA = re.compile(r"\s*[A-Za-z0-9_-]+\s*=\s*[+-]?\d+,\d")
_TOML_LINE = re.compile(r"\(at line (\d+), column (\d+)\)")


def syntax_problem(name: str, text: str, error: Exception) -> str:
    """One sentence for a file that is not TOML."""
    message = str(error)
    match = _TOML_LINE.search(message)
    line = int(match[1]) if match else text.count("\n") + 1
    reason = _TOML_LINE.sub("", message).strip().rstrip(".") or "nested too deeply"
    if _COMMA.match("".join(text.split("\n")[line - 1 : line])):
        return f"{name}, line {line}: a number has a comma in it; write a point, as in 0.01"
    return f"{name}, line {line}: not valid TOML: {reason}; strings stand in quotes, one `key = value` a line"


def problems_of(
    name: str, text: str, table: dict[str, Any], error: ValidationError, models: Models
) -> list[str]:
    """One sentence for each mistake that the check found."""
    sentences = []
    for problem in error.errors(include_url=False):
        place = tuple(part for part in problem["loc"])
        line = line_of(text, place)
        sentences.append(f"{name}, line {line}: {_reason(place, dict(problem), table, models)}")
    return sentences


def line_of(text: str, place: Place) -> int:
    """Line of the key at `place`, else of its table's header, else 1."""
    lines = text.splitlines()
    start, stop = _table_span(lines, place)
    key = str(place[-1]) if place else ""
    pattern = re.compile(rf"^\s*[\"']?{re.escape(key)}[\"']?\s*=")
    for number in range(start, stop):
        if pattern.match(lines[number]):
            return number + 1
    inline = re.compile(rf"^\s*{re.escape(str(place[0]))}\b") if place else None
    for number, content in enumerate(lines):
        if inline and not start and inline.match(content):
            return number + 1
    return max(1, start)


def _table_span(lines: list[str], place: Place) -> tuple[int, int]:
    """First line (0-based, just behind the header) and end of the table that `place` is in."""
    if not place:
        return 0, 0
    wanted = place[1] if len(place) > 1 and isinstance(place[1], int) else 0
    start, seen = 0, -1
    for number, content in enumerate(lines):
        header = _HEADER.match(content)
        if not header:
            continue
        if start:
            return start, number
        seen += header[2].strip('"') == str(place[0])
        if seen == wanted and header[2].strip('"') == str(place[0]):
            start = number + 1
    return start, len(lines)


def _reason(place: Place, problem: dict[str, Any], table: dict[str, Any], models: Models) -> str:
    key = str(place[-1]) if place else ""
    where = f" in {_table_name(place, table)}" if len(place) > 1 else ""
    kind = problem["type"]
    if kind == "extra_forbidden":
        return f"unknown key `{key}`{where}; {_nearest(place, models)}"
    if kind == "missing":
        return f"the key `{key}` is missing{where}; add it"
    if kind == "value_error":
        message = str(problem["ctx"]["error"])
        return f"{message}{where and ' —' + where}"
    if kind in {"model_type", "tuple_type"}:
        header = "[[gauge]]" if place[:1] == ("gauge",) else f"[{key}]"
        return f"`{place[0]}` must be a table: write {header} on a line of its own, its keys below"
    shown = repr(problem.get("input"))
    shown = shown if len(shown) <= 60 else shown[:57] + "…"
    return f"`{key}` = {shown}{where} cannot be used: {_plain(problem)}; correct it"


def _plain(problem: dict[str, Any]) -> str:
    message = str(problem["msg"])
    return message.replace("Input should be", "it should be").replace("String should", "it should")


def _table_name(place: Place, table: dict[str, Any]) -> str:
    if place[0] == "gauge" and len(place) > 1 and isinstance(place[1], int):
        gauges = table.get("gauge")
        entry = gauges[place[1]] if isinstance(gauges, list) and place[1] < len(gauges) else None
        name = entry.get("name") if isinstance(entry, dict) else None
        return f"[[gauge]] {name!r}" if isinstance(name, str) else f"[[gauge]] number {place[1] + 1}"
    return f"[{place[0]}]"


def _nearest(place: Place, models: Models) -> str:
    known = list(models[str(place[0]) if len(place) > 1 else ""].model_fields)
    close = difflib.get_close_matches(str(place[-1]), known, n=1, cutoff=0.6)
    if close:
        return f"did you mean `{close[0]}`?"
    return f"known here: {', '.join(known)}"
