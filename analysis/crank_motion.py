"""Where the crank stood, and how fast it turned, at any moment between the encoder's counts.

A counter knows the crank only to a count, but the moment at which the count changes is known to a line of the
stream: turning slowly, that is many times finer. So the readings are first turned into knots (the edge
between two counts at the moment it was passed; the reading itself where counts are skipped), and the polyline
through the knots is then smoothed by local parabolas over the widest span that the knots themselves allow
(intersection of confidence intervals, Goldenshluger & Nemirovski 1997): wide while the hand is steady,
narrow at a stop, a start or a reversal.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d
from scipy.signal import oaconvolve

from analysis.noise_model import smallest_step
from analysis.streams import Floats

_GRID_S = 0.005
_LONGEST_GAP_S = 0.6
_LINE_JITTER_S = 0.0005
_HALF_SPANS_S = (0.015, 0.024, 0.039, 0.062, 0.1, 0.16, 0.26, 0.42)
_AGREE = 2.0
_COUNTS_LOST = 2.5

Ints = NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class CrankMotion:
    """The crank's motion through one measurement, ready to be asked at any times.

    Attributes
    ----------
    count_deg
        One count of the encoder, degrees, as found in the readings.
    """

    count_deg: float
    _knot_s: Floats
    _warped: Floats
    _grid_step: float
    _angle: Floats
    _speed: Floats
    _u: Floats
    _lost: Floats

    @property
    def start_s(self) -> float:
        """First moment covered, seconds."""
        return float(self._knot_s[0])

    @property
    def end_s(self) -> float:
        """Last moment covered, seconds."""
        return float(self._knot_s[-1])

    def angle_deg(self, time_s: Floats) -> Floats:
        """Crank angle at the given times, degrees, unwrapped; held beyond the ends."""
        return self._read(self._angle, time_s)

    def speed_deg_s(self, time_s: Floats) -> Floats:
        """Crank speed at the given times, degrees a second, negative when turned backwards."""
        return self._read(self._speed, time_s)

    def u_deg(self, time_s: Floats) -> Floats:
        """Standard uncertainty of the angle at the given times, degrees (infinite where counts were lost)."""
        u = self._read(self._u, time_s)
        known: Floats = np.where(self.covered(time_s), u, np.inf)
        return known

    def covered(self, time_s: Floats) -> NDArray[np.bool_]:
        """Tell for which of the given times the crank's angle is known."""
        inside = (time_s >= self.start_s) & (time_s <= self.end_s)
        if len(self._lost):
            interval = np.searchsorted(self._lost[:, 0], time_s) - 1
            inside &= ~((interval >= 0) & (time_s < self._lost[np.maximum(interval, 0), 1]))
        return inside

    def grid_s(self) -> Floats:
        """Times at which the motion is held, for drawing and for finding turning points."""
        warped = self._warped[0] + self._grid_step * np.arange(len(self._angle))
        return np.interp(warped, self._warped, self._knot_s)

    def _read(self, values: Floats, time_s: Floats) -> Floats:
        place = (np.interp(time_s, self._knot_s, self._warped) - self._warped[0]) / self._grid_step
        left = np.clip(place.astype(np.intp), 0, len(values) - 2)
        share = np.clip(place - left, 0.0, 1.0)
        result: Floats = values[left] + share * (values[left + 1] - values[left])
        return result


def follow_crank(time_s: Floats, crank_deg: Floats) -> CrankMotion:
    """Follow the crank through the encoder's readings.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        Arrival times, seconds, not falling.
    crank_deg : ndarray, shape (n,)
        Unwrapped angle at the middle of the count, degrees.

    Returns
    -------
    CrankMotion

    Raises
    ------
    ValueError
        With fewer than two readings at different times.
    """
    time_s, crank_deg = _one_a_moment(time_s, crank_deg)
    if len(time_s) < 2:
        raise ValueError("at least two crank readings at different times are needed")
    count_deg = smallest_step(crank_deg) or 1e-6
    knot_s, knot_deg, variance = _knots(time_s, crank_deg, count_deg)
    warped = _shorten_gaps(knot_s)
    step = max(_GRID_S, (warped[-1] - warped[0]) / (4.0 * len(time_s) + 1000.0))
    grid = warped[0] + step * np.arange(int((warped[-1] - warped[0]) / step) + 2)
    polyline = np.interp(grid, warped, knot_deg)
    density = np.interp(grid, warped, _density(warped, variance))
    angle, speed, u = _smooth(polyline, density, step, count_deg)
    lost = _lost_stretches(time_s, crank_deg, count_deg)
    return CrankMotion(count_deg, knot_s, warped, step, angle, speed, u, lost)


def _one_a_moment(time_s: Floats, crank_deg: Floats) -> tuple[Floats, Floats]:
    """Keep the last of several readings with the same stamp."""
    keep = np.append(np.diff(time_s) > 0.0, True)
    return time_s[keep], crank_deg[keep]


def _knots(time_s: Floats, crank_deg: Floats, count_deg: float) -> tuple[Floats, Floats, Floats]:
    """Times, angles and variances of what the counts tell: edges, skipped-over readings, turning points."""
    change = np.diff(crank_deg)
    moved = np.flatnonzero(np.abs(change) > 0.5 * count_deg)
    single = np.abs(change[moved]) < 1.5 * count_deg
    edge = moved[single]
    gap = time_s[edge + 1] - time_s[edge]
    edge_s = time_s[edge] + 0.5 * gap
    edge_deg = 0.5 * (crank_deg[edge] + crank_deg[edge + 1])
    reading = np.unique(np.concatenate([moved[~single], moved[~single] + 1, [0, len(time_s) - 1]]))
    turn_s, turn_deg = _turning_counts(time_s, crank_deg, moved)
    times = np.concatenate([edge_s, time_s[reading], turn_s])
    angles = np.concatenate([edge_deg, crank_deg[reading], turn_deg])
    line = np.concatenate([gap, np.full(len(reading) + len(turn_s), np.inf)])
    order = np.argsort(times, kind="stable")
    times, angles, line = times[order], angles[order], line[order]
    keep = np.append(np.diff(times) > 0.0, True)
    times, angles, line = times[keep], angles[keep], line[keep]
    return times, angles, _knot_variance(times, angles, line, count_deg)


def _turning_counts(time_s: Floats, crank_deg: Floats, moved: Ints) -> tuple[Floats, Floats]:
    """Middle of each count that the crank left by the edge through which it came."""
    change = crank_deg[moved + 1] - crank_deg[moved]
    turn = np.flatnonzero(change[:-1] * change[1:] < 0.0)
    first, last = moved[turn] + 1, moved[turn + 1]
    return 0.5 * (time_s[first] + time_s[last]), crank_deg[first]


def _knot_variance(times: Floats, angles: Floats, line: Floats, count_deg: float) -> Floats:
    """An edge is known to a line of the stream times the speed, anything else to a count."""
    speed = np.abs(np.gradient(angles, times)) if len(times) > 2 else np.zeros(len(times))
    counted = count_deg**2 / 12.0
    with np.errstate(invalid="ignore"):
        timed = speed**2 * (line**2 / 12.0 + _LINE_JITTER_S**2)
    stamped = counted + (speed * _LINE_JITTER_S) ** 2
    return np.where(np.isfinite(line), np.minimum(timed, stamped), stamped)


def _shorten_gaps(knot_s: Floats) -> Floats:
    """A time scale on which no two knots lie further apart than the longest span smoothed over."""
    return np.concatenate([[0.0], np.cumsum(np.minimum(np.diff(knot_s), _LONGEST_GAP_S))])


def _density(warped: Floats, variance: Floats) -> Floats:
    """Noise of the polyline as white noise: variance times spacing, deg² s."""
    spacing = np.gradient(warped) if len(warped) > 2 else np.full(len(warped), np.ptp(warped))
    return variance * spacing


def _smooth(
    polyline: Floats, density: Floats, step: float, count_deg: float
) -> tuple[Floats, Floats, Floats]:
    """Local parabolas, each over the widest span that agrees with all narrower ones."""
    angle, speed = polyline.copy(), np.gradient(polyline, step)
    cap = count_deg**2 / 12.0
    u2 = np.minimum(density / step, cap)
    lower, upper = angle - _AGREE * np.sqrt(u2), angle + _AGREE * np.sqrt(u2)
    open_ = np.ones(len(angle), dtype=bool)
    for half_s in _HALF_SPANS_S:
        half = round(half_s / step)
        if half < 2 or 2 * half + 1 > len(polyline):
            continue
        level_kernel, slope_kernel = _parabola_kernels(half, step)
        padded = _mirrored(polyline, half)
        level = oaconvolve(padded, level_kernel, mode="valid")
        variance = uniform_filter1d(density, 2 * half + 1) * float(level_kernel @ level_kernel) / step
        variance = np.minimum(variance, cap)
        spread = _AGREE * np.sqrt(variance)
        lower, upper = np.maximum(lower, level - spread), np.minimum(upper, level + spread)
        open_ &= lower <= upper
        slope = oaconvolve(padded, slope_kernel, mode="valid")
        angle, speed = np.where(open_, level, angle), np.where(open_, slope, speed)
        u2 = np.where(open_, variance, u2)
    return angle, speed, np.sqrt(u2)


def _parabola_kernels(half: int, step: float) -> tuple[Floats, Floats]:
    """Convolution kernels that give level and slope of a parabola fitted with a bell-shaped weight."""
    place = np.arange(-half, half + 1) / (half + 1.0)
    weight = (1.0 - place**2) ** 2
    powers = np.vander(place, 3, increasing=True)
    normal = powers.T @ (weight[:, None] * powers)
    kernels = np.linalg.solve(normal, (weight[:, None] * powers).T)
    return kernels[0][::-1].copy(), kernels[1][::-1] / ((half + 1.0) * step)


def _mirrored(values: Floats, half: int) -> Floats:
    """Continue both ends by their own image turned about the end point: level and slope go on."""
    head = 2.0 * values[0] - values[half:0:-1]
    tail = 2.0 * values[-1] - values[-2 : -half - 2 : -1]
    return np.concatenate([head, values, tail])


def _lost_stretches(time_s: Floats, crank_deg: Floats, count_deg: float) -> Floats:
    """Start and end of each gap in the stream across which the crank moved by more than a count or two."""
    gap = np.diff(time_s)
    usual = float(np.median(gap))
    long = (gap > max(0.25, 20.0 * usual)) & (np.abs(np.diff(crank_deg)) > _COUNTS_LOST * count_deg)
    where = np.flatnonzero(long)
    return np.column_stack([time_s[where], time_s[where + 1]])
