"""Numbers on the command line: finite, within what can be, and refused in words that a builder reads."""

from __future__ import annotations

import contextlib
import math
from typing import Any

import click


class Number(click.ParamType[float]):
    """A number between two limits, with its unit for the sentence that refuses it.

    A decimal comma is refused, not read: in one country 1,200 is one and a fifth, in another twelve hundred.
    """

    name = "number"

    def __init__(self, low: float, high: float, unit: str) -> None:
        self.low, self.high, self.unit = low, high, unit

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Read one; raises `click.UsageError`."""
        option = param.opts[0] if param is not None else "the number"
        with contextlib.suppress(ValueError):
            number = float(value)
            if math.isfinite(number):
                self._refuse_beyond(option, number, ctx)
                return number
        raise click.UsageError(f"{option} {value} is no number; write it with a point, such as 80.5.", ctx)

    def _refuse_beyond(self, option: str, number: float, ctx: click.Context | None) -> None:
        if not self.low <= number <= self.high:
            raise click.UsageError(
                f"{option} {number:g} is not possible; give {self.low:g} to {self.high:g} {self.unit}.", ctx
            )


ANGLE = Number(-1e9, 1e9, "deg")
"""Degrees as an encoder counts them, over any number of turns."""
INTERVAL = Number(0.0, 10.0, "deg")
GAUGE_LIMIT = Number(0.0, 10.0, "mm")
LAG = Number(-10.0, 10.0, "s")
STROKE, ROD, PIN_OFFSET = Number(1.0, 2000.0, "mm"), Number(1.0, 5000.0, "mm"), Number(-100.0, 100.0, "mm")
