"""A lift table as people type or paste it: a degree and a lift a line."""

from __future__ import annotations

import re

from api.base import MisuseError

MOST_LETTERS = 60_000
_MM_PER_INCH = 25.4
_NUMBER = re.compile(r"[+\-−]?\d+(?:[.,]\d+)?|[+\-−]?[.,]\d+")


def lift_table_of(text: str, unit: str = "mm") -> list[tuple[float, float]]:
    """Read a table; lines that begin with ``#``, empty ones and a line of headings at the top are passed over.

    Columns stand apart by a tab, a semicolon, blanks, or a comma; a decimal comma is read as a point.

    Raises
    ------
    MisuseError
        ``bad_lift_table``, with the line.

    Examples
    --------
    >>> lift_table_of("deg;lift\\n-10;7,95\\n0;8,00")
    [(-10.0, 7.95), (0.0, 8.0)]
    >>> lift_table_of("0, 0.1", "in")
    [(0.0, 2.54)]
    """
    if len(text) > MOST_LETTERS:
        raise MisuseError("bad_lift_table", "The lift table is too long; give a line a degree.")
    rows: list[tuple[float, float]] = []
    for number, line in enumerate(text.splitlines(), 1):
        if not line.strip() or line.lstrip().startswith("#"):
            continue
        pair = _pair(line)
        if pair is None:
            if not rows and not re.search(r"\d", line):
                continue
            raise MisuseError(
                "bad_lift_table",
                f"Line {number} of the lift table, “{line.strip()[:40]}”, is no degree and lift; write 12 3.45.",
            )
        rows.append((pair[0], round(pair[1] * (1.0 if unit == "mm" else _MM_PER_INCH), 9)))
    return rows


def _pair(line: str) -> tuple[float, float] | None:
    cells = [
        cell for cell in re.split(r"[;\t]|\s+|,\s+|(?<=\d),(?=[+\-−]?\d+[.,])", line.strip(" ,;\t")) if cell
    ]
    if len(cells) == 1 and cells[0].count(",") == 1 and "." not in cells[0]:
        cells = cells[0].split(",")
    if len(cells) != 2 or not all(_NUMBER.fullmatch(cell.strip(",")) for cell in cells):
        return None
    first, second = (float(cell.strip(",").replace(",", ".").replace("−", "-")) for cell in cells)
    return first, second
