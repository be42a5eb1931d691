"""Where a clock's ticks lie among the lines beside them, and how surely."""

from __future__ import annotations

import numpy as np
from scipy.special import ndtr

from analysis.base import Floats

# How unevenly late lines may be, each as likely as the others; how many are taken for another tick's by mistake.
_SHAKEN_S, _MISTAKEN = (0.001, 0.002, 0.003, 0.0045, 0.007, 0.011, 0.016), 0.01
_ZOOMS, _GRID, _REACHES, _CLEAR = 3, 13, 4.0, 4.0


class Placing:
    """Where a clock's ticks lie among lines of which each tells whether it came before or after one.

    How unevenly late those lines are shows only in how far some came on the wrong side: what is likely is summed up over
    that as well.

    Parameters
    ----------
    most_s : float
        Neither at the middle of the lines nor from there to their end do the ticks stray by more.
    room_s, way, along : ndarray, shape (m,)
        How far each line is on its own side of a tick, which way of it that is, and how far from the middle, in halves
        of the whole.
    """

    def __init__(self, most_s: float, room_s: Floats, way: Floats, along: Floats) -> None:
        self._room, self._way, self._along = room_s, way, along
        self.shift_s = self.drift_s = 0.0
        self.shift_u_s = self.drift_u_s = most_s
        reach = np.array([most_s, most_s])
        for _ in range(_ZOOMS):
            reach = np.minimum(self._summed(reach), reach)

    def _summed(self, reach_s: Floats) -> Floats:
        """Mean and deviation over a grid about the last mean; how far the next should reach."""
        shift, drift = (
            at + np.linspace(-most, most, _GRID)
            for at, most in zip((self.shift_s, self.drift_s), reach_s.tolist(), strict=True)
        )
        likely = self._likely(shift, drift)
        over_shift, over_drift = likely.sum(axis=1), likely.sum(axis=0)
        self.shift_s, self.drift_s = float(over_shift @ shift), float(over_drift @ drift)
        self.shift_u_s = float(np.sqrt(over_shift @ (shift - self.shift_s) ** 2))
        self.drift_u_s = float(np.sqrt(over_drift @ (drift - self.drift_s) ** 2))
        step_s = 2.0 * reach_s / (_GRID - 1)
        return np.maximum(_REACHES * np.array([self.shift_u_s, self.drift_u_s]), 2.0 * step_s)

    def _likely(self, shift_s: Floats, drift_s: Floats) -> Floats:
        """How likely each shift (rows) is with each drift (columns)."""
        moves_s = np.max(np.abs(shift_s)) + np.max(np.abs(drift_s))
        log = np.stack([self._told(shift_s, drift_s, moves_s, shaken_s) for shaken_s in _SHAKEN_S])
        likely = np.exp(log - log.max())
        likely /= likely.sum()
        each, all_s = likely.sum(axis=(1, 2)), np.array(_SHAKEN_S)
        mean_s = float(each @ all_s)
        self.shaken_s = mean_s + float(np.sqrt(each @ (all_s - mean_s) ** 2))
        return np.asarray(likely.sum(axis=0))

    def _told(self, shift_s: Floats, drift_s: Floats, moves_s: float, shaken_s: float) -> Floats:
        """Log of how likely the lines' sides are where they are so unevenly late; lines far from any tick tell nothing."""
        near = self._room < moves_s + _CLEAR * shaken_s
        room, way, along = self._room[near], self._way[near], self._along[near]
        moved = room + way * (shift_s[:, None, None] + drift_s[None, :, None] * along)
        return np.asarray(np.sum(np.log(_MISTAKEN + (1.0 - _MISTAKEN) * ndtr(moved / shaken_s)), axis=2))
