"""Where the crank stood, and how fast it turned, at any moment between the encoder's counts.

`crank_smoothing` draws a smooth motion through the knots of `crank_knots`, smoother while the hand is steady than
at a stop, a start or a reversal. Everything takes time in proportion to the readings.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d

from analysis.base import Floats, changes
from analysis.readings.crank_edges import Knots, Rests, find_knots
from analysis.readings.crank_lines import Lines
from analysis.readings.crank_smoothing import smooth_motion

_GRID_S = 0.005
_LONGEST_GAP_S = 1.0
_SCATTER_KNOTS = 15
_HELD_S = 0.2
# How far a hand that turns evenly may speed up or slow down unseen, deg/s².
_UNSEEN_DEG_S2 = 50.0


@dataclass(frozen=True, slots=True)
class Clock:
    """Time without the long silences: in each, only as much passes as the grid needs to cross it.

    Attributes
    ----------
    time_s, warped_s : ndarray, shape (b,)
        The trace's time and this clock's at its ends and at both ends of every long silence.
    """

    time_s: Floats
    warped_s: Floats

    def warped(self, time_s: Floats) -> Floats:
        """This clock's time; held beyond the ends."""
        if (
            len(self.time_s) == 2
        ):  # by far the most have no silence within, and this is asked for every reading
            first_s, last_s = self.time_s
            pace = float(np.ptp(self.warped_s)) / (last_s - first_s)
            held = np.minimum(np.maximum(time_s, first_s), last_s)
            return np.asarray(self.warped_s[0] + pace * (held - first_s))
        return np.asarray(np.interp(time_s, self.time_s, self.warped_s))

    def unwarped(self, warped_s: Floats) -> Floats:
        """The trace's time."""
        return np.asarray(np.interp(warped_s, self.warped_s, self.time_s))


@dataclass(frozen=True, slots=True)
class Grid:
    """The motion at even steps of its clock: times, angles, their variance and density of noise."""

    time_s: Floats
    angle_deg: Floats
    variance_deg2: Floats
    density_deg2_s: Floats


@dataclass(frozen=True, slots=True)
class CrankNoise:
    """How far the crank's angle may be wrong at some moments, and how alike the errors of neighbouring moments are.

    Attributes
    ----------
    u_deg : ndarray, shape (m,)
        Standard uncertainty; infinite where counts were lost.
    density_deg2_s : ndarray, shape (m,)
        Averaged over a stretch of time, errors act like independent ones of this density over the time between
        two readings.
    """

    u_deg: Floats
    density_deg2_s: Floats

    def apart_deg2(self, time_s: float) -> Floats:
        """Variance of the turn between two moments that far apart, their errors growing unlike with time."""
        variance = np.where(np.isfinite(self.u_deg), self.u_deg, 0.0) ** 2
        lasting = self.density_deg2_s / np.maximum(variance, 1e-12)
        return np.asarray(2.0 * variance * -np.expm1(-2.0 * time_s / np.maximum(lasting, 1e-6)))


@dataclass(frozen=True, slots=True)
class CrankMotion:
    """The crank's motion through one measurement, ready to be asked at any times.

    Attributes
    ----------
    lines : Lines
        How the encoder speaks, as found in the readings.
    step_s : float
        Steps of the grid, by the clock.
    speed_grid_deg_s : ndarray
    lost : ndarray, shape (g, 2)
        Start and end of each stretch over which the crank moved unseen.
    """

    lines: Lines
    clock: Clock
    step_s: float
    grid: Grid
    speed_grid_deg_s: Floats
    lost: Floats

    @property
    def count_deg(self) -> float:
        """One count of the encoder, degrees."""
        return self.lines.count_deg

    @property
    def line_s(self) -> float:
        """Usual time between two of its lines."""
        return self.lines.line_s

    @property
    def late_u_s(self) -> float:
        """Standard uncertainty of the encoder's own lag, which is 0 otherwise."""
        return self.lines.late_u_s

    @property
    def start_s(self) -> float:
        """First moment covered, seconds."""
        return float(self.clock.time_s[0])

    @property
    def end_s(self) -> float:
        """Last moment covered, seconds."""
        return float(self.clock.time_s[-1])

    def angle_deg(self, time_s: Floats) -> Floats:
        """Crank angle at the given times, degrees, unwrapped; held beyond the ends."""
        return _between(self.grid.angle_deg, *self._places(time_s))

    def speed_deg_s(self, time_s: Floats) -> Floats:
        """Crank speed at the given times, degrees a second, negative when turned backwards."""
        return _between(self.speed_grid_deg_s, *self._places(time_s))

    def angle_and_speed(self, time_s: Floats) -> tuple[Floats, Floats]:
        """Angle and speed at once, as `angle_deg` and `speed_deg_s`."""
        left, share = self._places(time_s)
        return _between(self.grid.angle_deg, left, share), _between(self.speed_grid_deg_s, left, share)

    def noise(self, time_s: Floats) -> CrankNoise:
        """How far the angle may be wrong at the given times."""
        left, share = self._places(time_s)
        u = np.sqrt(_between(self.grid.variance_deg2, left, share))
        density = _between(self.grid.density_deg2_s, left, share)
        return CrankNoise(np.where(self.covered(time_s), u, np.inf), density)

    def u_deg(self, time_s: Floats) -> Floats:
        """Standard uncertainty of the angle at the given times, degrees (infinite where counts were lost)."""
        return self.noise(time_s).u_deg

    def covered(self, time_s: Floats) -> NDArray[np.bool_]:
        """Tell for which of the given times the crank's angle is known."""
        inside = (time_s >= self.start_s) & (time_s <= self.end_s)
        if len(self.lost):
            interval = np.searchsorted(self.lost[:, 0], time_s) - 1
            inside &= ~((interval >= 0) & (time_s < self.lost[np.maximum(interval, 0), 1]))
        return inside

    def grid_s(self) -> Floats:
        """Times at which the motion is held, for drawing and for finding turning points."""
        return self.grid.time_s

    def _places(self, time_s: Floats) -> tuple[NDArray[np.intp], Floats]:
        place = self.clock.warped(time_s) / self.step_s
        left = np.minimum(place.astype(np.intp), len(self.grid.angle_deg) - 2)
        return left, np.minimum(place - left, 1.0)


def _between(values: Floats, left: NDArray[np.intp], share: Floats) -> Floats:
    start = values[left]
    result: Floats = start + share * (values[left + 1] - start)
    return result


def follow_crank(time_s: Floats, crank_deg: Floats) -> CrankMotion:
    """Follow the crank through the encoder's readings.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        Arrival times, seconds, not falling.
    crank_deg : ndarray, shape (n,)
        Unwrapped angle at the middle of the count, degrees.

    Raises
    ------
    ValueError
        With fewer than two readings at different times.
    """
    knots = find_knots(time_s, crank_deg)
    clock = clock_of(knots.time_s)
    length_s = float(clock.warped_s[-1])
    step = max(_GRID_S, length_s / (4.0 * np.count_nonzero(changes(crank_deg)) + 1000.0))
    grid = grid_of(knots, clock, step, 0, int(length_s / step) + 2)
    return motion_of(replace(knots.lines, jitter_s=knots.jitter_s), knots.lost, clock, step, grid)


def clock_of(knot_s: Floats) -> Clock:
    """The clock of some knots, which shows 0 at the first of them."""
    gap = np.diff(knot_s)
    long = np.flatnonzero(gap > _LONGEST_GAP_S)
    at = np.unique(np.concatenate([[0], long, long + 1, [len(knot_s) - 1]]))
    passed = np.concatenate([[0.0], np.cumsum(np.minimum(gap, _LONGEST_GAP_S))])
    return Clock(knot_s[at], passed[at])


def grid_of(knots: Knots, clock: Clock, step: float, first: int, cells: int) -> Grid:
    """Smooth the knots onto `cells` steps of the grid from number `first` on."""
    warped = clock.warped(knots.time_s) - first * step
    at = step * np.arange(cells)
    polyline = _cell_means(warped, knots.angle_deg, step, cells)
    density = np.interp(at, warped, _density(knots))
    moment = clock.unwarped(np.asarray(first * step + at, dtype=np.float64))
    resting, lasting = _resting(moment, knots.rests)
    angle, variance = _smooth(polyline, density, step, knots, warped, lasting < _HELD_S)
    hidden, locked_s = _locked(moment, angle, variance, knots)
    unseen, bridged_s = _unseen(moment, knots.unseen)
    return Grid(
        moment,
        angle,
        np.maximum(variance + hidden, resting) + unseen,
        np.maximum(density, resting * lasting) + hidden * locked_s + unseen * bridged_s,
    )


def motion_of(lines: Lines, lost: Floats, clock: Clock, step: float, grid: Grid) -> CrankMotion:
    """The motion that a grid holds."""
    return CrankMotion(lines, clock, step, grid, np.gradient(grid.angle_deg, step), lost)


def _cell_means(time: Floats, value: Floats, step: float, cells: int) -> Floats:
    """Mean of the polyline over each cell of the grid: no knot is left out."""
    borders = np.clip(step * (np.arange(cells + 1) - 0.5), time[0], time[-1])
    areas = np.concatenate([[0.0], np.cumsum(0.5 * np.diff(time) * (value[1:] + value[:-1]))])
    heights = np.interp(borders, time, value)
    left = np.clip(np.searchsorted(time, borders, side="right") - 1, 0, len(time) - 2)
    area = areas[left] + 0.5 * (borders - time[left]) * (value[left] + heights)
    widths = np.diff(borders)
    # A half cell at either end stands for its end point, not for its own middle.
    whole = widths > 0.999 * step
    ends = np.interp(step * np.arange(cells), time, value)
    return np.asarray(np.where(whole, np.diff(area) / step, ends))


def _density(knots: Knots) -> Floats:
    """Noise of the polyline as white noise: variance times the spacing of those that do not share it, deg² s."""
    gap = np.diff(knots.time_s)
    before, after = np.insert(gap, 0, gap[0]), np.append(gap, gap[-1])
    # Beside a rest lies one long gap: an edge tells no less for it.
    spacing = 0.5 * (np.minimum(before, 1.5 * after) + np.minimum(after, 1.5 * before))
    return np.asarray(knots.variance_deg2 * knots.sharing * spacing)


def _resting(moment: Floats, rests: Rests) -> tuple[Floats, Floats]:
    """Variance of the angle on a count on which the crank lingered, and how long it did."""
    which = np.searchsorted(rests.from_s, moment, side="right") - 1
    inside = (which >= 0) & (moment <= rests.to_s[np.maximum(which, 0)])
    lasting = (rests.to_s - rests.from_s)[which]
    return np.where(inside, rests.variance_deg2[which], 0.0), np.where(inside, lasting, 0.0)


def _unseen(moment: Floats, stretches: Floats) -> tuple[Floats, Floats]:
    """Variance of the angle within gaps of the stream, bridged by a smooth motion, and how long each lasts."""
    if not len(stretches):
        return np.zeros_like(moment), np.zeros_like(moment)
    which = np.maximum(np.searchsorted(stretches[:, 0], moment, side="right") - 1, 0)
    begun_s, left_s = moment - stretches[which, 0], stretches[which, 1] - moment
    # What an acceleration that changes midway adds at most: that of a chord over its arc.
    bow = 0.5 * _UNSEEN_DEG_S2 * np.maximum(begun_s, 0.0) * np.maximum(left_s, 0.0)
    return bow**2, np.where(bow > 0.0, begun_s + left_s, 0.0)


def _locked(moment: Floats, angle: Floats, variance: Floats, knots: Knots) -> tuple[Floats, Floats]:
    """Variance that hides where counts and lines keep step, and for how long they do.

    At a very steady speed every edge may wait equally long for its line. Then the knots scatter far less than
    they are uncertain: what is missing from the scatter is an error common to all of them.
    """
    if len(knots.time_s) < 3 * _SCATTER_KNOTS:
        return np.zeros_like(moment), np.zeros_like(moment)
    off = knots.angle_deg - np.interp(knots.time_s, moment, angle)
    taken = np.interp(knots.time_s, moment, variance) / (knots.variance_deg2 * knots.sharing)
    left = knots.variance_deg2 * (1.0 - np.minimum(taken, 1.0))
    seen = uniform_filter1d(off**2, _SCATTER_KNOTS, mode="nearest")
    due = uniform_filter1d(left, _SCATTER_KNOTS, mode="nearest")
    claimed = uniform_filter1d(knots.variance_deg2, _SCATTER_KNOTS, mode="nearest")
    locked = (seen < 0.4 * due) & (due > 0.6 * claimed)
    change = np.flatnonzero(np.diff(locked.astype(np.int8))) + 1
    starts = np.concatenate([[0], change])
    ends = np.concatenate([change, [len(locked)]]) - 1
    lasted = np.repeat(knots.time_s[ends] - knots.time_s[starts], ends - starts + 1)
    hidden = np.where(locked, claimed - seen, 0.0)
    return np.interp(moment, knots.time_s, hidden), np.interp(moment, knots.time_s, lasted)


def _smooth(
    polyline: Floats, density: Floats, step: float, knots: Knots, warped: Floats, moving: NDArray[np.bool_]
) -> tuple[Floats, Floats]:
    """The motion through the knots, and its variance.

    Where the crank rests on a count it stands still, and no smoothing may carry it on or back.
    """
    speed = np.abs(np.gradient(polyline, step))
    cap = knots.lines.count_deg**2 / 12.0 + (speed * knots.jitter_s) ** 2
    alone = knots.variance_deg2 * knots.sharing
    smooth = smooth_motion(warped / step, knots.angle_deg, alone, density, step)
    if smooth is None:
        return polyline, np.minimum(density / step, cap)
    angle = np.where(moving, smooth[0], polyline)
    variance = np.minimum(np.where(moving, smooth[1], density / step), cap)
    limit = 0.5 * knots.lines.count_deg + speed * (knots.lines.line_s + 3.0 * knots.jitter_s)
    return np.clip(angle, polyline - limit, polyline + limit), variance
