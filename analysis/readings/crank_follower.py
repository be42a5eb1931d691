"""The crank's motion while it is being turned: what has settled is kept, only the newest seconds are smoothed again.

How the encoder speaks is found anew whenever its lines have grown by some, until there are enough of them; what
lies further back than smoothing reaches then stays as it is. An update takes time in proportion to what is new.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.base import Floats
from analysis.readings.crank_edges import find_knots
from analysis.readings.crank_motion import (
    Clock,
    CrankMotion,
    Grid,
    clock_of,
    follow_crank,
    grid_of,
    motion_of,
)

_UNSETTLED_S = 1.5
_FEWEST_BEFORE = 30
_GROWN = 1.3
_ENOUGH_LINES = 8000


@dataclass(frozen=True, slots=True)
class _Settled:
    """How much of a motion no later line can change.

    Attributes
    ----------
    cells : int
        Of its grid.
    end_s : float
        Where they end.
    readings : int
        So many lie wholly within.
    last : tuple of float
        Time and angle of the last of these: by it a stream is known again.
    """

    cells: int
    end_s: float
    readings: int
    last: tuple[float, float]


class CrankFollower:
    """Gives the motion again and again while its readings grow; called as `follow_crank` is.

    Readings that are not the earlier ones and some more are followed as new ones.
    """

    def __init__(self) -> None:
        self._found_in = 0
        self._motion: CrankMotion | None = None
        self._settled: _Settled | None = None

    def __call__(self, time_s: Floats, crank_deg: Floats) -> CrankMotion:
        """The motion through all the readings; arguments and errors as of `follow_crank`."""
        motion, settled = self._motion, self._settled
        if motion is not None and settled is not None and self._goes_on(time_s, crank_deg, settled):
            motion = _extended(motion, settled, time_s, crank_deg)
        else:
            motion = follow_crank(time_s, crank_deg)
            self._found_in = len(time_s)
        self._motion, self._settled = motion, _settled(motion, time_s, crank_deg)
        return motion

    def _goes_on(self, time_s: Floats, crank_deg: Floats, settled: _Settled) -> bool:
        last = settled.readings - 1
        if len(time_s) <= last or (float(time_s[last]), float(crank_deg[last])) != settled.last:
            return False
        return self._found_in >= _ENOUGH_LINES or len(time_s) < _GROWN * self._found_in


def _settled(motion: CrankMotion, time_s: Floats, crank_deg: Floats) -> _Settled | None:
    cells = int((float(motion.clock.warped_s[-1]) - _UNSETTLED_S) / motion.step_s)
    if cells < 1:
        return None
    end_s = float(motion.clock.unwarped(np.array([motion.step_s * cells]))[0])
    readings = int(np.searchsorted(time_s, end_s, side="right"))
    return _Settled(cells, end_s, readings, (float(time_s[readings - 1]), float(crank_deg[readings - 1])))


def _extended(motion: CrankMotion, settled: _Settled, time_s: Floats, crank_deg: Floats) -> CrankMotion:
    """Smooth what is not settled, and enough before it that the two join."""
    step, cells = motion.step_s, settled.cells
    before_s = float(motion.clock.unwarped(np.array([step * cells - _UNSETTLED_S]))[0])
    first = max(min(int(np.searchsorted(time_s, before_s)), settled.readings - _FEWEST_BEFORE), 0)
    knots = find_knots(time_s[first:], crank_deg[first:], motion.lines)
    own = clock_of(knots.time_s)
    end = np.array([settled.end_s])
    own = Clock(own.time_s, own.warped_s + step * cells - own.warped(end)[0])
    cell = max(int(own.warped_s[0] / step), 0)
    new = grid_of(knots, own, step, cell, int(own.warped_s[-1] / step) + 2 - cell)
    return motion_of(
        motion.lines,
        np.concatenate(
            [motion.lost[motion.lost[:, 1] <= settled.end_s], knots.lost[knots.lost[:, 1] > settled.end_s]]
        ),
        _joined_clocks(motion.clock, own, settled.end_s, step * cells),
        step,
        _joined_grids(motion.grid, new, cells, cells - cell),
    )


def _joined_clocks(old: Clock, new: Clock, at_s: float, at_warped_s: float) -> Clock:
    before, after = old.time_s < at_s, new.time_s > at_s
    return Clock(
        np.concatenate([old.time_s[before], [at_s], new.time_s[after]]),
        np.concatenate([old.warped_s[before], [at_warped_s], new.warped_s[after]]),
    )


def _joined_grids(old: Grid, new: Grid, kept: int, skipped: int) -> Grid:
    def joined(one: Floats, other: Floats) -> Floats:
        return np.concatenate([one[:kept], other[skipped:]])

    return Grid(
        joined(old.time_s, new.time_s),
        joined(old.angle_deg, new.angle_deg),
        joined(old.variance_deg2, new.variance_deg2),
        joined(old.density_deg2_s, new.density_deg2_s),
    )
