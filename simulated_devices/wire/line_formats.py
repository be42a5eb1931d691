r"""How the simulated instruments speak: one line a reading, ASCII, ended by CR LF.

Counters
--------
``count``
    The count: ``12345\r\n``, ``-7\r\n``.
``count_index``
    The count, a space, and 1 on the first line after the index mark was passed, else 0: ``12345 0\r\n``.
``count_micros``
    The count, a space, and the device's own microseconds, which wrap at 2**32: ``12345 998877\r\n``.

Dial indicators
---------------
``decimal``
    Sign and decimal in the gauge's own unit, with as many places as its step has: ``+12.34\r\n``,
    ``-0.0015\r\n``.
``tagged``
    A tag before it: ``A+12.34\r\n``.

Either may speak a ``template`` instead (the bench file then needs a ``pattern``): a line with ``{count}``,
``{index}``, ``{micros}``, ``{value}`` or ``{tag}`` in it, such as ``DIST={value};OK``.

A gauge that answers only when asked says nothing until it has been sent exactly its request, and then sends
one such line. Faults of the wire (`simulated_devices.faults.line`) change what is sent.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache

from simulated_devices.machine import CrankReading, DialIndicator, GaugeReading

CRANK_FORMATS = ("count", "count_index", "count_micros", "template")
GAUGE_FORMATS = ("decimal", "tagged", "template")
LINE_END = b"\r\n"

_TEMPLATES = {
    "count": "{count}",
    "count_index": "{count} {index}",
    "count_micros": "{count} {micros}",
    "decimal": "{value}",
    "tagged": "{tag}{value}",
}


@cache
def places(step: float) -> int:
    """Decimal places that a step needs: 2 for 0.01, 4 for 0.0005."""
    for count in range(7):
        if abs(round(step * 10**count) - step * 10**count) < 1e-6:
            return count
    return 6


@dataclass(slots=True)
class CrankLine:
    """Turns the counter's readings into lines."""

    kind: str = "count"
    template: str = ""
    _index_passes: int | None = field(default=None, init=False)

    def line(self, reading: CrankReading) -> bytes:
        """One line, with its end."""
        marked = self._index_passes is not None and reading.index_passes != self._index_passes
        self._index_passes = reading.index_passes
        text = (self.template or _TEMPLATES[self.kind]).format(
            count=reading.count, index=int(marked), micros=reading.micros
        )
        return text.encode("ascii") + LINE_END


@dataclass(slots=True)
class GaugeLine:
    """Turns an indicator's readings into lines."""

    gauge: DialIndicator
    kind: str = "decimal"
    tag: str = ""
    template: str = ""

    def line(self, reading: GaugeReading) -> bytes:
        """One line, with its end."""
        value = f"{reading.value:+.{places(self.gauge.step)}f}"
        text = (self.template or _TEMPLATES[self.kind]).format(value=value, tag=self.tag)
        return text.encode("ascii") + LINE_END
