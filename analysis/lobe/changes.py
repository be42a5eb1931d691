"""Whether one lobe, one drive and one gauge explain a whole trace: what the residuals of the fit remember.

Residuals of a true model have no memory. A fault leaves a pattern in them: from some moment on every reading
is higher (the stand moved), every lift comes later (the drive jumped, the encoder slipped), lifts grow by a
share (a key); turn by turn the lobe comes later (counts are lost), with the time the valve was open the lift
sinks (a follower bleeds), or each pass stands somewhere else (a key with play). Each pattern is held against
the residuals by a score test (Rao 1948) in the marginal model, the curve's own freedom taken off; for changes
at an unknown moment at every one of many moments. Time and memory grow with the readings.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.base import Floats
from analysis.curve import LagPrior, LobeFit
from analysis.lobe.passes import PassFit

_MOMENTS = 96
_MOST_PASSES = 48
_LEAST_FREE = 1e-3
_OPEN_MM = 0.2
_LONGEST_STEP_S = 1.0
_SEEN_AT = 3.0

Ints = NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class Change:
    """The best explanation of one kind.

    Attributes
    ----------
    chi_square : float
        By how much the pattern lowers the sum of squares, in units of variance.
    size, u : float
        How much of the pattern there is, and its standard uncertainty.
    at_s : float
        When it began; the trace's start for a pattern that runs through all of it.
    largest_mm : float
        The most that it makes of any reading.
    """

    chi_square: float
    size: float
    u: float
    at_s: float
    largest_mm: float = 0.0


@dataclass(frozen=True, slots=True)
class PassScatter:
    """Whether passes stand apart from each other by more than noise.

    `chi_square` has `freedom` degrees of freedom; `shift_deg` is each pass's own place, its mean nought.
    `passes` were compared, and a shift between them would show from `unseen_deg` on: infinite where there is
    one pass, large where the lag, found from these very passes, takes the shift up.
    """

    chi_square: float
    freedom: int
    shift_deg: Floats
    passes: int
    unseen_deg: float


def by_chance(freedom: int) -> float:
    """What chance hardly ever makes of a sum of so many squares."""
    return freedom + 5.0 * float(np.sqrt(2.0 * freedom))


class ResidualPatterns:
    """Residuals of a lobe fit, ready to be asked what they remember.

    Parameters
    ----------
    time_s : ndarray, shape (m,)
        Arrival times of its readings, rising.
    wander_s : ndarray, shape (m,)
        By how much later each may have come, of one thing that may be: one standard deviation.
    """

    def __init__(self, fit: LobeFit, time_s: Floats, wander_s: Floats) -> None:
        self.fit, self.time_s = fit, time_s
        placed = fit.placed
        self._weighted = fit.weight * placed.residual_mm
        self._wandered = fit.weight * wander_s * placed.rate_mm_s
        count = len(time_s)
        self._blocks = np.minimum(np.arange(count) * _MOMENTS // max(count, 1), _MOMENTS - 1)

    @property
    def moved_later(self) -> Floats:
        """The pattern of a lobe that comes one degree later."""
        return -self.fit.placed.slope_mm_deg

    @property
    def sunk(self) -> Floats:
        """The pattern of a follower that loses 1 mm a second while the valve is open and keeps the loss."""
        lift = self.fit.placed.lift_mm
        above = lift - (0.0 if self.fit.base_mm is not None else float(lift.min()))
        step = np.minimum(np.diff(self.time_s, prepend=self.time_s[:1]), _LONGEST_STEP_S)
        return -np.cumsum(step * (above > _OPEN_MM)) * (above > _OPEN_MM)

    def throughout(self, pattern: Floats) -> Change:
        """How much a pattern explains that runs through the whole trace."""
        along = float(pattern @ self._weighted)
        free = float(self._free(pattern, np.zeros(len(pattern), dtype=np.intp), 1)[0, 0])
        whole = float(np.sum(self.fit.weight * pattern**2))
        if free <= _LEAST_FREE * whole or free <= 0.0:
            return Change(0.0, 0.0, np.inf, float(self.time_s[0]))
        borne_out = min(along**2 / free, self._gain(pattern))
        return Change(borne_out, along / free, free**-0.5, float(self.time_s[0]))

    def change(self, pattern: Floats) -> Change:
        """The moment from which on the pattern explains most."""
        along = _from_here(np.bincount(self._blocks, pattern * self._weighted, _MOMENTS).astype(np.float64))
        weight = _from_here(
            np.bincount(self._blocks, pattern**2 * self.fit.weight, _MOMENTS).astype(np.float64)
        )
        shared = _from_here(self._shared(pattern, self._blocks, _MOMENTS))
        free = weight - np.einsum("ij,ij->i", shared @ self.fit.covariance, shared)
        seen = free > _LEAST_FREE * weight[0]
        seen[0] = False
        gain = np.where(seen, along**2 / np.where(seen, free, 1.0), 0.0)
        best = int(np.argmax(gain))
        first = int(np.searchsorted(self._blocks, best))
        if gain[best] <= 0.0:
            return Change(0.0, 0.0, np.inf, float(self.time_s[0]))
        size = float(along[best] / free[best])
        largest = abs(size) * float(np.max(np.abs(pattern[first:])))
        borne_out = min(float(gain[best]), self._gain(np.where(self._blocks >= best, pattern, 0.0)))
        return Change(borne_out, size, float(free[best] ** -0.5), float(self.time_s[first]), largest)

    def _gain(self, pattern: Floats) -> float:
        """By how much the readings come nearer to a fit that has the pattern too and gives way to it as it may.

        Where the fit can give way to almost all of it, what is left is a small difference of large sums, and a lag
        that was not asked of all readings upsets it: then only the readings themselves bear a change out.
        """
        fit, placed = self.fit, self.fit.placed
        gives = fit.covariance @ self._shared(pattern, np.zeros(len(pattern), dtype=np.intp), 1)[0]
        left = pattern - fit.basis.evaluate(gives[: fit.basis.size], placed.phase_deg)
        left += placed.rate_mm_s * gives[-1] - (gives[fit.basis.size] if fit.base_mm is not None else 0.0)
        spread2 = float(left @ (fit.weight * left)) + float(left @ self._wandered) ** 2
        return float(left @ self._weighted) ** 2 / spread2 if spread2 > 0.0 else 0.0

    def between(self, passes: tuple[PassFit, ...], before: LagPrior) -> PassScatter:
        """Shift of every pass against the others, all at once.

        Parameters
        ----------
        before : LagPrior
            What was known of the lag before the fit.
        """
        seen = [one for one in passes if one.shift_deg is not None]
        some = sorted(seen, key=lambda one: len(one.readings), reverse=True)[:_MOST_PASSES]
        some.sort(key=lambda one: one.start_s)
        which = np.full(len(self.time_s), len(some), dtype=np.intp)
        for k, one in enumerate(some):
            which[one.readings] = k
        if len(some) < 2:
            return PassScatter(0.0, 0, np.zeros(len(some)), len(some), np.inf)
        pattern = self.moved_later
        along = np.asarray(np.bincount(which, pattern * self._weighted, len(some) + 1)[:-1], np.float64)
        free, asked = self._passes_apart(pattern, which, along, before)
        if before.wander_s:
            free, asked = _wandering(
                free, asked, before.wander_s * np.array([one.by_wander_deg_s for one in some])
            )
        value, vector = np.linalg.eigh(free)
        known = value > max(1e-2 * float(value[-1]), 1.0)
        turned = vector.T @ asked
        chi_square = float(np.sum(turned[known] ** 2 / value[known]))
        shift = vector[:, known] @ (turned[known] / value[known])
        # One direction is the common shift, which the curve takes up; the next least known tells.
        unseen = _SEEN_AT * float(np.sqrt(2.0 / max(float(value[1]), _LEAST_FREE)))
        return PassScatter(chi_square, int(known.sum()), shift, len(some), unseen)

    def _passes_apart(
        self, pattern: Floats, group: Ints, along: Floats, before: LagPrior
    ) -> tuple[Floats, Floats]:
        """Information on where each pass stands, and what the residuals say of it.

        The lag moves a quick pass more than a slow one, and takes up so much of what they are apart. Where the fit tells
        it less surely than the passes would by their places, as beside what was known of it, that goes before: a lag of
        which next to nothing is left to ask the passes for hides no play.
        """
        lag_u2 = float(self.fit.covariance[-1, -1])
        free = self._free(pattern, group, len(along) + 1)[:-1, :-1]
        by_lag = self._shared(pattern, group, len(along) + 1)[:-1] @ self.fit.covariance[:, -1] / lag_u2
        held = free + lag_u2 * np.outer(by_lag, by_lag)
        moves = np.linalg.lstsq(held, by_lag, rcond=_LEAST_FREE)[0]
        taken = 1.0 / (1.0 / before.u_s**2 + max(float(moves @ by_lag), 0.0))
        if lag_u2 <= taken:
            return free, along
        off = along - by_lag * (before.lag_s - self.fit.lag_s)
        return held - taken * np.outer(by_lag, by_lag), off - by_lag * taken * float(moves @ off)

    def _free(self, pattern: Floats, group: Ints, groups: int) -> Floats:
        """Information on the pattern's size in each group, what the fit can explain taken off."""
        shared = self._shared(pattern, group, groups)
        weight = np.bincount(group, pattern**2 * self.fit.weight, groups)
        free: Floats = np.diag(weight) - shared @ self.fit.covariance @ shared.T
        return free

    def _shared(self, pattern: Floats, group: Ints, groups: int) -> Floats:
        """Pattern times the derivatives of the fit, weighted and summed by group: shape (groups, unknowns)."""
        fit, placed = self.fit, self.fit.placed
        unknowns, size = len(fit.covariance), fit.basis.size
        weighted = pattern * fit.weight
        total = np.zeros((groups, unknowns))
        total[:, :size] = fit.basis.project_groups(placed.spots, weighted, group, groups)
        if fit.base_mm is not None:
            total[:, size] = np.bincount(group, weighted, groups)
        total[:, -1] = np.bincount(group, -weighted * placed.rate_mm_s, groups)
        return np.asarray(total)


def _wandering(free: Floats, asked: Floats, moves_deg: Floats) -> tuple[Floats, Floats]:
    """The same where one more thing, as likely as one standard deviation of it, may move each pass by so much."""
    shared = free @ moves_deg
    taken = shared / (1.0 + float(moves_deg @ shared))
    return free - np.outer(taken, shared), asked - taken * float(moves_deg @ asked)


def _from_here(values: Floats) -> Floats:
    """Sum from each block to the last."""
    return np.asarray(np.cumsum(values[::-1], axis=0)[::-1])
