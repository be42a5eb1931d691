"""What is known of a gauge's own clock while its readings still come in: found once, looked for anew as they grow."""

from __future__ import annotations

from dataclasses import dataclass

from analysis.readings.value_age import Ticks

_FEWEST = 30
# To look costs more than all else of an update; as readings grow by a share, it becomes ever rarer.
_GROWN, _GROWN_UNKNOWN = 1.25, 1.6


@dataclass(slots=True)
class ClockWatch:
    """A gauge's clock as seen so far; one that nobody has looked for yet is due.

    Attributes
    ----------
    period_s : float or None
        How often the gauge measures, as found in an earlier trace or a moment ago.
    ticks : Ticks or None
        When it does so in this trace.
    """

    period_s: float | None = None
    ticks: Ticks | None = None
    _looked_in: int = 0

    @property
    def looked(self) -> bool:
        """Whether it was looked for in readings enough."""
        return self._looked_in > 0

    def due(self, readings: int) -> bool:
        """Whether it is to be looked for in so many readings of the gauge."""
        grown = _GROWN_UNKNOWN if self.ticks is None else _GROWN
        return readings >= max(grown * self._looked_in, _FEWEST)

    def seen(self, ticks: Ticks | None, readings: int) -> None:
        """Keep what was found in so many readings."""
        self.ticks, self._looked_in = ticks, readings
        if ticks is not None:
            self.period_s = ticks.period_s
