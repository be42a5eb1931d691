"""What is known of a trace that grows: nothing at first, later what the last look at it found."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from analysis.base import Floats
from analysis.own_clock import ClockWatch, Ticks
from analysis.readings import CrankMotion, follow_crank
from analysis.tdc.contact import Wave
from analysis.tdc.fit import CENTRE, LAG, SCALE, ZERO, PistonFit

# From a start of its own a fit sees hollows that one which goes on would stay in; as readings grow, it becomes ever rarer.
_GROWN = 1.2


@dataclass(frozen=True, slots=True)
class Settled:
    """What a look found, for the next to start from.

    Attributes
    ----------
    fit : PistonFit
        Without play between crank and encoder.
    loose : PistonFit or None
        With play, where it was looked for.
    of_lags : sequence of ndarray
        The parameters for each of several lags, where the readings leave it open.
    ticks : Ticks or None
        By which clock of the gauge its readings were taken.
    readings : int
        In so many the fit was last begun anew.
    """

    fit: PistonFit
    loose: PistonFit | None
    of_lags: Sequence[Floats]
    ticks: Ticks | None
    readings: int

    @property
    def wave(self) -> Wave:
        """Where the piston turned, roughly."""
        values = self.fit.values
        return Wave(*(float(values[name]) for name in (LAG, CENTRE, SCALE, ZERO)))


@dataclass(slots=True)
class SoFar:
    """What earlier looks at the same trace left; one that has none begins anew.

    Attributes
    ----------
    follow : callable
        Follows the crank; a `CrankFollower` while it is still being turned.
    watch : ClockWatch
        What was seen of the gauge's own clock.
    settled : Settled or None
    """

    follow: Callable[[Floats, Floats], CrankMotion] = follow_crank
    watch: ClockWatch = field(default_factory=ClockWatch)
    settled: Settled | None = None

    def near(self, readings: int, ticks: Ticks | None) -> Settled | None:
        """What so many readings of the gauge may start from; nothing where it is time to begin anew."""
        last = self.settled
        if last is None or last.ticks != ticks or not last.readings <= readings < _GROWN * last.readings:
            return None
        return last
