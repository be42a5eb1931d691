"""The gauge's own clock, looked for beside a curve that is followed live."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analysis.base import GaugeFacts
from analysis.curve import FitState, LagPrior, LobeWork
from analysis.lobe.find import known_with
from analysis.lobe.passes import pass_of
from analysis.own_clock import EXPLAINED, UNEVEN_S, ClockWatch, Ticks, find_ticks
from analysis.readings import CheckedStreams, find_sweeps

_LIKELY, _LIKELY_LEFT = 2, 0.85


class Followed:
    """What a clock is told from: readings turned forward as they arrived, beside a curve.

    Parameters
    ----------
    work : LobeWork
        Of those readings, on the knots of the curve.
    state : FitState
        The curve with its lag and noise, found from them or from those put to their ticks.
    ticks : Ticks or None
        By which the curve was found.
    """

    def __init__(self, work: LobeWork, state: FitState, ticks: Ticks | None) -> None:
        self._time_s, self._placed = work.readings.time_s, work.place(state)
        self._noise = state.noise
        self._jitter_s = float(np.hypot(state.noise.jitter_s, ticks.spread_s if ticks else 0.0))
        self._counts = self._placed.known & work.basis.covers(self._placed.phase_deg)
        then_s = self._time_s - state.lag_s
        self._passes = pass_of(work.motion, work.survey, then_s, find_sweeps(work.motion))

    def clocks(self, period_s: float | None) -> list[Ticks]:
        """The clock by which those readings lie on that curve, where passes that stand apart explain less."""
        return self._clocks(period_s, self._passes)

    def likely_clocks(self, period_s: float | None) -> list[Ticks]:
        """Clocks by which they would lie nearer to it."""
        return self._clocks(period_s, None, _LIKELY_LEFT, _LIKELY)

    def _clocks(
        self,
        period_s: float | None,
        passes: NDArray[np.intp] | None,
        most_left: float = EXPLAINED,
        at_most: int = 1,
    ) -> list[Ticks]:
        """Clocks that explain what the curve leaves over, at most so many."""
        counts, placed = self._counts, self._placed
        rate, slope = placed.rate_mm_s[counts], placed.slope_mm_deg[counts]
        if not len(rate):
            return []
        return find_ticks(
            self._time_s[counts],
            placed.residual_mm[counts],
            np.column_stack((slope, rate, np.ones_like(slope))),
            -rate,
            still_mm2=self._noise.variance_mm2(np.zeros_like(slope), placed.crank_mm[counts]),
            jitter_s=self._jitter_s,
            passes=None if passes is None else passes[counts],
            most_left=most_left,
            at_most=at_most,
            period_s=period_s,
            bends=True,
        )


class FollowedClock:
    """Whether a gauge measures by a clock of its own, and when, as far as is known while its readings come in.

    Parameters
    ----------
    prior : LagPrior
        What is known of its lag, however it measures.
    """

    def __init__(self, gauge: GaugeFacts, prior: LagPrior) -> None:
        self._prior, self._watch = prior, ClockWatch(gauge.tick_s)
        # What was seen to keep an even pace before is not taken for another kind of gauge.
        self._looks = gauge.jitter_s is None or gauge.jitter_s > UNEVEN_S
        self._uneven = (gauge.jitter_s or 0.0) > UNEVEN_S

    @property
    def ticks(self) -> Ticks | None:
        """When it measures."""
        return self._watch.ticks

    @property
    def unseen(self) -> bool:
        """Whether an earlier trace told of a clock that this one does not show."""
        return self._watch.period_s is not None and self.ticks is None

    @property
    def in_doubt(self) -> bool:
        """Whether it will have a clock, and none was looked for: what it repeats would look as if it had frozen."""
        return self._uneven and not self._watch.looked

    def due(self, checked: CheckedStreams) -> bool:
        """Whether to look for it now."""
        return self._looks and checked.waiting.little and self._watch.due(len(checked.streams.gauge_mm))

    def seen(self, ticks: Ticks | None, checked: CheckedStreams) -> None:
        """Keep what was found in those readings, as they arrived."""
        self._watch.seen(ticks, len(checked.streams.gauge_mm))

    def as_known(self, checked: CheckedStreams) -> tuple[CheckedStreams, LagPrior]:
        """The readings put to when they were measured, where that is known; and what then is known of their lag."""
        if self.ticks is None:
            return checked, self._prior
        return checked.as_measured(self.ticks), known_with(self.ticks, self._prior)

    def likely(self, followed: Followed) -> list[Ticks]:
        """Clocks that seem likely beside a curve that has given way to the ages in part."""
        return followed.likely_clocks(self._watch.period_s)
