"""What a trace file can be: whole, its rows cut into cells, its numbers such that arithmetic can be done with them."""

from __future__ import annotations

import csv
import os
from typing import BinaryIO

import numpy as np

from analysis.base import Floats
from api.base import TraceFileError

OWN_FIRST_WORDS = "# Lobewright trace"
"""With these a file begins that was written here."""
LARGEST_TIME_S = 9e9
"""Stamps are kept as 64-bit nanoseconds; seconds since 1970 fit."""
LARGEST_VALUE = 1e12
IMPOSSIBLE = (
    f"a number is beyond all measure; times reach to {LARGEST_TIME_S:.0e} s, values to {LARGEST_VALUE:.0e}."
)


def cells_of(row: str, line: int) -> list[str]:
    """Cut one line into cells; raises `TraceFileError` where it is none, as with line ends of long ago."""
    try:
        return [cell.strip() for cell in next(csv.reader([row]))]
    except csv.Error:
        raise TraceFileError(
            "not_a_row", "the line is no row of CSV; write the file with ordinary line ends (LF).", line
        ) from None


def first_impossible(time_s: Floats, value: Floats) -> int | None:
    """Give the first row, counted from 0, that holds a number that would overflow; `None` without one.

    Parameters
    ----------
    time_s, value : ndarray, shape (n,)
    """
    bad = np.flatnonzero((np.abs(time_s) > LARGEST_TIME_S) | (np.abs(value) > LARGEST_VALUE))
    return int(bad[0]) if bad.size else None


def refuse_cut_off(file: BinaryIO) -> None:
    """Refuse a file of ours that does not end with a line's end: of a number that was cut off another one is left.

    Raises
    ------
    TraceFileError
    """
    if not file.seekable():
        return
    rows = file.tell()
    file.seek(-1, os.SEEK_END)
    cut = file.read(1) != b"\n"
    file.seek(rows)
    if cut:
        raise TraceFileError(
            "cut_off", "the file ends in the middle of a line: it was cut off; copy or export it again."
        )
