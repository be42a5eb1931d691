"""Whether a gauge measures by a clock of its own: told from how late each of its readings is."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import minimum_filter1d

from analysis.base import Floats
from analysis.own_clock.settling import settle
from analysis.own_clock.ticks import PLACES, SLOWEST_S, USUAL_JITTER_S, Ticks, near_hz, step_hz

UNEVEN_S = 0.008
"""Gauges whose lag wanders by less are left as they are: nothing is gained by knowing when they measured. Nor is a clock
believed that leaves it wandering by more."""

# So little may be left of a clock to which centre, lag and scale have given way.
_LOOKED_FROM_S = 0.004

EXPLAINED = 0.35
"""What a right clock leaves of the squares at the very most; a wrong one leaves nearly all."""

_FASTEST_S = 0.02
# A clock's ages may seem to wander by so much less than they do, for the model gives way to them.
_ALLOWED = 0.8
_FEWEST = 30.0
_SPAN_S = 60.0
_FAR = 3.0
# A clock is told by two numbers, passes each put in its place by as many as there are: it may leave a little more.
_NO_WORSE = 1.2
_AT_A_TIME = 50_000
_CANDIDATES, _APART = 16, 3
_ROUNDS, _ROUNDS_EACH, _STEPS, _CLOSER = 4, 2, 9, 0.4
_MOVES = 0.02

Search = tuple[Ticks, float]
Ints = NDArray[np.intp]


def find_ticks(
    time_s: Floats,
    residual_mm: Floats,
    jacobian: Floats,
    by_lag_mm_s: Floats,
    *,
    still_mm2: Floats,
    jitter_s: float,
    passes: Ints | None = None,
    most_left: float = EXPLAINED,
    at_most: int = 1,
    period_s: float | None = None,
    bends: bool = False,
) -> list[Ticks]:
    """Find by which clock a gauge measures: none where none explains how late its readings are.

    Parameters
    ----------
    time_s : ndarray, shape (m,)
        When its readings arrived, not falling.
    residual_mm : ndarray, shape (m,)
        Reading less model.
    jacobian : ndarray, shape (m, p)
        Derivatives of the model by what may have given way to the ages: the centre first, the lag among the others.
    by_lag_mm_s : ndarray, shape (m,)
        How the model follows the lag.
    still_mm2 : ndarray, shape (m,)
        Variance of each reading but for what its moment does.
    jitter_s : float
        How unevenly late the readings are, one standard deviation.
    passes : ndarray of int, shape (m,), optional
        To which pass each belongs: where passes that creep or stand apart explain as much, no clock is believed, for a
        cam that came otherwise in each, or counts that were lost, look like a clock that beats slowly with the lines.
    most_left : float
        The share of the squares that a clock may leave unexplained.
    at_most : int
        So many are told, the best first.
    period_s : float, optional
        How often this gauge was found to measure before: only near that is looked, which takes a tenth of the time.
    bends : bool
        Whether the model is a curve that may have given way to the ages otherwise than `jacobian` tells: then clocks are
        looked for as if nothing had.
    """
    if jitter_s < _LOOKED_FROM_S:
        return []
    moves = np.abs(by_lag_mm_s) > _MOVES * float(np.max(np.abs(by_lag_mm_s), initial=0.0))
    rate = by_lag_mm_s[moves]
    sd = np.sqrt(np.maximum(still_mm2[moves], 0.0) + (USUAL_JITTER_S * rate) ** 2)
    late = Lateness(
        time_s[moves], residual_mm[moves] / sd, rate / sd, jacobian[moves] / sd[:, None], bends=bends
    )
    if not late.enough or not late.left_by_nothing:
        return []
    most = most_left * late.left_by_nothing
    if passes is not None:
        most = min(most, *late.left_by_passes(passes[moves]) * (most_left, _NO_WORSE))
    return late.explained(most, at_most, period_s)


class Lateness:
    """How late each reading seems to have come, and what of it a clock of the gauge's own explains.

    Parameters
    ----------
    time_s : ndarray, shape (m,)
    residual, by_lag : ndarray, shape (m,)
        Each over its standard deviation.
    jacobian : ndarray, shape (m, p)
        Likewise: a slow beat of two clocks looks like another lag and another centre, and is fitted away in part.
    bends : bool
        Whether more may have given way than `jacobian` tells.
    """

    def __init__(
        self, time_s: Floats, residual: Floats, by_lag: Floats, jacobian: Floats, *, bends: bool
    ) -> None:
        self._time_s, self._residual, self._by_lag, self._jacobian = time_s, residual, by_lag, jacobian
        self._bends = bends
        self._basis = np.linalg.qr(jacobian)[0]
        self._weight = by_lag**2
        self._late_s = residual / by_lag
        self._late_s = self._late_s - self._mean(self._late_s)
        self._rms_s = float(np.sqrt(self._mean(self._late_s**2)))
        self._late_s = np.clip(self._late_s, -_FAR * self._rms_s, _FAR * self._rms_s)
        self._most2 = self._rms_s**2 * self._weight

    @property
    def enough(self) -> bool:
        """Whether there are readings enough that no clock fits them by chance."""
        return float(np.sum(self._weight)) ** 2 > _FEWEST * float(np.sum(self._weight**2))

    @property
    def left_by_nothing(self) -> float:
        """What is unexplained without a clock."""
        return float(self._left(np.zeros((1, len(self._time_s))))[0])

    def left_by_passes(self, passes: Ints) -> Floats:
        """What passes leave that creep and leap once, and what each leaves put wherever it lies best.

        Of few passes creeping and a leap put each where it lies; of many they do not, and a clock does.
        """
        later = passes[:, None] >= np.unique(passes)
        by_centre = self._jacobian[:, :1]
        creeping = by_centre * np.column_stack((passes, self._time_s - self._time_s[0]))
        leapt = [
            self._left_by(np.hstack((creeping, by_centre * later[:, [k]]))) for k in range(later.shape[1])
        ]
        return np.array([min(leapt), self._left_by(self._by_lag[:, None] * later)])

    def _left_by(self, more: Floats) -> float:
        """Mean square that is left where more may give way besides."""
        free = np.hstack((self._jacobian, more))
        off = self._residual - free @ np.linalg.lstsq(free, self._residual)[0]
        return float(np.mean(np.minimum(off**2, self._most2)))

    def explained(self, most_left: float, at_most: int, period_s: float | None = None) -> list[Ticks]:
        """The clocks that leave no more than so much of the mean square, the best first."""
        part = self._fullest()
        told = self._only(part)
        fastest_s = self._fastest_s(most_left)
        likely = sorted(
            (told.nearer(one, _ROUNDS_EACH) for one in told.roughly(fastest_s, period_s)),
            key=lambda one: one[1],
        )
        found = (self._through_all(one, part) for one, _ in likely[:at_most])
        settled = (settle(one, self._time_s, self._beside) for one, left in found if left < most_left)
        return [one for one in settled if one.tells]

    def _fastest_s(self, most_left: float) -> float:
        """How often it measures at the most: the ages of a faster clock wander too little to explain as much."""
        if self._bends:
            return _FASTEST_S
        explained = max(1.0 - most_left / self.left_by_nothing, 0.0)
        return max(_FASTEST_S, _ALLOWED * self._rms_s * float(np.sqrt(12.0 * explained)))

    def _through_all(self, found: Ticks, part: slice) -> Search:
        """Follow a clock from a part of the readings to all of them."""
        found, left = self._only(part).nearer(found)
        while part.stop - part.start < len(self._time_s):
            part = self._wider(part)
            found, left = self._only(part).nearer(found)
        return found, left

    def roughly(self, fastest_s: float, known_s: float | None) -> list[Ticks]:
        """The likeliest of all clocks that may be, each tried at `PLACES` places of its first tick."""
        span_s = max(float(np.ptp(self._time_s)), 1.0)
        all_hz = np.arange(1.0 / SLOWEST_S, 1.0 / fastest_s, step_hz(span_s))
        if known_s is not None:
            all_hz = all_hz[np.abs(all_hz - 1.0 / known_s) <= near_hz(known_s, span_s)]
        if not len(all_hz):
            return []
        together = max(_AT_A_TIME // len(self._time_s), 1)
        parts = [self._left_squares(all_hz[k : k + together]) for k in range(0, len(all_hz), together)]
        left = np.concatenate(parts)
        place, least = np.argmin(left, axis=1), np.min(left, axis=1)
        dips = np.flatnonzero(least == minimum_filter1d(least, 2 * _APART + 1))
        likely = dips[np.argsort(least[dips])[:_CANDIDATES]]
        begun_s, period_s = float(self._time_s[0]), 1.0 / all_hz
        return [
            Ticks(float(period_s[row]), begun_s + float(period_s[row] * place[row]) / PLACES)
            for row in likely
        ]

    def nearer(self, found: Ticks, rounds: int = _ROUNDS) -> Search:
        """Settle period and first tick, and how much they leave."""
        span_s, left = max(float(np.ptp(self._time_s)), 1.0), np.inf
        middle_s = 0.5 * float(self._time_s[0] + self._time_s[-1])
        far_hz, far_s = step_hz(span_s), found.period_s / PLACES
        for _ in range(rounds):
            ticked_s = found.first_s + found.period_s * float(
                np.round((middle_s - found.first_s) / found.period_s)
            )
            hz = 1.0 / found.period_s + np.repeat(np.linspace(-far_hz, far_hz, _STEPS), _STEPS)
            first_s = ticked_s + np.tile(np.linspace(-far_s, far_s, _STEPS), _STEPS)
            turns = (self._time_s - first_s[:, None]) * hz[:, None]
            squares = self._left((turns - np.floor(turns)) / hz[:, None])
            best = int(np.argmin(squares))
            if squares[best] < left:
                left, found = float(squares[best]), Ticks(1.0 / float(hz[best]), float(first_s[best]))
            far_hz, far_s = far_hz * _CLOSER, far_s * _CLOSER
        return found, left

    def _beside(self, found: Ticks) -> Floats:
        """What the model leaves of each line, did it tell the tick before the newest, the newest, or the next."""
        off = self._residual - self._by_lag * found.age_s(self._time_s)
        off = off - self._basis @ (self._basis.T @ off)
        return np.asarray(off[:, None] + self._by_lag[:, None] * found.period_s * np.array([-1.0, 0.0, 1.0]))

    def _left(self, age_s: Floats) -> Floats:
        """Mean square that ages (rows) leave; a few readings whose tick is miscounted do not raise it much."""
        off = self._residual - self._by_lag * age_s
        off -= (off @ self._basis) @ self._basis.T
        return np.asarray(np.minimum(off**2, self._most2).mean(axis=1))

    def _left_squares(self, hz: Floats) -> Floats:
        """Sum of squares that each clock (rows) leaves with its first tick at each place (columns), but for a constant.

        The ages of each cell of a turn are those of its middle. What of them the model would give way to is left out.
        """
        places = np.outer(PLACES * hz, self._time_s - self._time_s[0]).astype(np.int32) % PLACES
        cell = (places + np.arange(0, PLACES * len(hz), PLACES, dtype=np.int32)[:, None]).ravel()

        def gathered(value: Floats) -> Floats:
            """Spectrum of a value of the lines, summed up over the places of each clock (rows)."""
            whole = np.bincount(cell, np.tile(value, len(hz)), len(hz) * PLACES)
            return np.asarray(np.fft.rfft(whole.reshape(len(hz), PLACES), axis=1))

        def along(saw: Floats, spectrum: Floats) -> Floats:
            """Sum over the places of that spectrum times a saw, for each place at which the saw may begin."""
            return np.fft.irfft(spectrum * np.conj(np.fft.rfft(saw)), PLACES, axis=1)

        late = self._late_s * self._by_lag
        period = (1.0 / hz)[:, None]
        age = (np.arange(PLACES) + 0.5) / PLACES
        left = period**2 * along(age**2, gathered(self._weight))
        left -= 2.0 * period * along(age, gathered(self._by_lag * late))
        given_way = np.linalg.qr(self._by_lag[:, None])[0] if self._bends else self._basis
        for freely in given_way.T:
            left -= (freely @ late - period * along(age, gathered(self._by_lag * freely))) ** 2
        return np.asarray(left)

    def _mean(self, value: Floats) -> float:
        return float(self._weight @ value) / float(np.sum(self._weight))

    def _only(self, part: slice) -> Lateness:
        return Lateness(
            self._time_s[part],
            self._residual[part],
            self._by_lag[part],
            self._jacobian[part],
            bends=self._bends,
        )

    def _fullest(self) -> slice:
        """The stretch that tells most, no longer than is quick to search."""
        told = np.concatenate([[0.0], np.cumsum(self._weight)])
        last = np.searchsorted(self._time_s, self._time_s + _SPAN_S, side="right")
        first = int(np.argmax(told[last] - told[:-1]))
        return slice(first, int(last[first]))

    def _wider(self, part: slice) -> slice:
        """Twice the time: a clock known well enough to count its ticks over one part is so over the next."""
        time_s, last = self._time_s, part.stop - 1
        more_s = 0.5 * float(time_s[last] - time_s[part.start])
        low = int(np.searchsorted(time_s, time_s[part.start] - more_s))
        high = int(np.searchsorted(time_s, time_s[last] + more_s, side="right"))
        return slice(min(low, max(part.start - 1, 0)), max(high, min(part.stop + 1, len(time_s))))
