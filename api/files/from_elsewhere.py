"""JSON out of a file from elsewhere, read without believing it: depth, size, numbers and letters are looked at.

What passes can be stored, shown and written out again: no number that is none, nothing nested without end, no
half of a letter that no file can hold.
"""

from __future__ import annotations

import json
import math
import re
from typing import Any

DEEPEST = 24
MOST_VALUES = 3_000_000
LARGEST_WHOLE_NUMBER = 2**53
NO_TEXT = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\ud800-\udfff]")


def foreign_json(content: bytes | str) -> Any:
    """Read JSON text; raises `ValueError` with what is wrong, to be put into a sentence."""
    try:
        plain = json.loads(content, parse_constant=_no_number)
    except RecursionError:
        raise ValueError("is nested too deep") from None
    except UnicodeDecodeError:
        raise ValueError("is not UTF-8") from None
    except json.JSONDecodeError:
        raise ValueError("is not JSON") from None
    _refuse_what_cannot_be_kept(plain)
    return plain


def _no_number(word: str) -> None:
    raise ValueError(f"holds {word}, which is no number")


def _refuse_what_cannot_be_kept(plain: Any) -> None:
    """Go through all values, level by level."""
    level, seen = [plain], 0
    for _ in range(DEEPEST):
        below: list[Any] = []
        for value in level:
            if isinstance(value, dict):
                below += value.keys()
                below += value.values()
            elif isinstance(value, list):
                below += value
            else:
                _refuse_value(value)
        seen += len(level)
        if seen > MOST_VALUES:
            raise ValueError("holds more than any job")
        if not below:
            return
        level = below
    raise ValueError("is nested too deep")


def _refuse_value(value: Any) -> None:
    if isinstance(value, str):
        if NO_TEXT.search(value):
            raise ValueError("holds letters that no text can hold")
    elif isinstance(value, float):
        if not math.isfinite(value):
            raise ValueError("holds a number that is too large")
    elif isinstance(value, int) and abs(value) > LARGEST_WHOLE_NUMBER:
        raise ValueError("holds a number that is too large")
