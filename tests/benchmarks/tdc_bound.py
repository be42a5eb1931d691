"""The Cramér-Rao bound of true TDC for one simulated trace, from the known truth.

Unknown to anyone at the bench, and so unknown here, are: the centre, the gauge's zero, gain and lag; rod ratio and
pin offset where the builder does not know the engine (the offset within what is common: it moves the centre of equal
readings by some hundredths of a degree, and only the far ends of a trace tell it); and where the crank stood, of
which the encoder tells no more than its counts at its lines. The whole is one normal matrix: the crank's course at
every 10 ms, banded, bordered by the few parameters; the bound of the centre is what is left when all others are
eliminated (Schur complement).

What each part knows:

- *The hand.* The course's third derivative is random, of a density as the true course has it over 0.3 s, which a start
  or a stop takes: these can be told from a steady sweep, but nobody knows how the hand gives way within them.
- *Encoder.* An edge passed between two lines is known to the time between them; where a line skips counts, the line
  is known to a count; a crank at rest is known to a count. Rounding is as uniform noise (Widrow). Where
  counts and lines keep step, so that every edge waits equally long, rounding errors are all alike, and so they are
  where the hand stops every so many counts: such a stretch has one more unknown, its common error.
- *Gauge.* A reading is known to its step, shared by all readings taken within one; to its noise; and to the jitter of
  its lag times the plunger's speed, to second order where the plunger turns.

No formula is shared with the analysis: positions come from the simulated engine, differenced.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.linalg import solveh_banded
from scipy.ndimage import uniform_filter1d

from simulated_devices.traces import Bench, Trace

GRID_S = 0.01
STEP_DEG = 0.01
ANY_LAG_U_S, ANY_OFFSET_U_MM = 0.04, 0.8
ROUNDING = 1e-13
HAND_S = 0.3
STEADY_SHARE, LEAST_DENSITY = 0.1, 1.0
LONG_COUNT_S = 0.1
FINEST = 0.01
ALIKE, ALIKE_FOR_S, FEWEST_STOPS = 0.5, 0.3, 12
DRIFTED = 0.5


@dataclass(frozen=True)
class Knots:
    """What the encoder tells: moments, true angles then, variances, and where each error lies within its rounding.

    `rest` marks those of counts on which the crank stood.
    """

    time_s: np.ndarray
    angle_deg: np.ndarray
    variance_deg2: np.ndarray
    place: np.ndarray
    rest: np.ndarray


def crank_at(trace: Trace, time_s: np.ndarray) -> np.ndarray:
    """True angle in the trace's own degrees and times."""
    setup = trace.setup
    return setup.motion.at(time_s - setup.start_s + setup.motion.time_s[0]) - setup.encoder.zero_deg


def knots_of(trace: Trace) -> Knots:
    """Edges, skipped-over lines and long counts."""
    time, deg = trace.crank_time_s, trace.crank_deg
    count = 360.0 / trace.setup.encoder.counts_per_turn
    jump, gap = np.round(np.abs(np.diff(deg)) / count), np.diff(time)
    truth = crank_at(trace, time)
    speed = np.abs(np.diff(truth)) / gap
    one = np.flatnonzero(jump == 1.0)
    border = 0.5 * (deg[one] + deg[one + 1])
    share = (border - truth[one]) / np.where(np.diff(truth)[one] == 0.0, np.inf, np.diff(truth)[one])
    skip = np.unique(np.concatenate([np.flatnonzero(jump > 1.0), np.flatnonzero(jump > 1.0) + 1]))
    changes = np.concatenate([[0], np.flatnonzero(jump > 0.0) + 1, [len(deg)]])
    long = np.flatnonzero(np.diff(time[np.minimum(changes, len(deg) - 1)]) > LONG_COUNT_S)
    first, last = changes[long], changes[long + 1] - 1
    within = np.concatenate([first, (first + last) // 2, last])
    times = np.concatenate([time[one] + np.clip(share, 0.0, 1.0) * gap[one], time[skip], time[within]])
    variance = np.concatenate(
        [
            np.clip((speed[one] * gap[one]) ** 2, (FINEST * count) ** 2, count**2) / 12.0,
            np.full(len(skip), count**2 / 12.0),
            np.full(len(within), 3.0 * count**2 / 12.0),
        ]
    )
    lines = np.concatenate([skip, np.tile((first + last) // 2, 3)])
    place = np.concatenate([share, (deg[lines] - truth[lines]) / count])
    rest = np.arange(len(times)) >= len(times) - len(within)
    order = np.argsort(times, kind="stable")
    return Knots(times[order], crank_at(trace, times[order]), variance[order], place[order], rest[order])


def alike(knots: Knots) -> list[np.ndarray]:
    """Runs of knots whose errors are all alike, for counts keep step with lines, or with where the hand stops."""
    rests = np.flatnonzero(knots.rest)
    stops = (
        [rests] if len(rests) >= FEWEST_STOPS and _power(knots.place[rests], len(rests))[0] > ALIKE else []
    )
    moving = np.flatnonzero(~knots.rest)
    spacing = float(np.median(np.diff(knots.time_s[moving]))) if len(moving) > 1 else 1.0
    size = max(round(ALIKE_FOR_S / max(spacing, 1e-4)), 5)
    if len(moving) < size:
        return stops
    same = _power(knots.place[moving], size) > ALIKE
    # Where they keep step but nearly, the error drifts: half a count on it is another one.
    drift = uniform_filter1d(np.unwrap(2.0 * np.pi * knots.place[moving]), size) / (2.0 * np.pi)
    ends = np.diff(same) | (np.diff(np.floor(drift / DRIFTED)) != 0.0)
    runs = np.split(np.arange(len(same)), np.flatnonzero(ends) + 1)
    return stops + [
        moving[run] for run in runs if same[run[0]] and np.ptp(knots.time_s[moving[run]]) > ALIKE_FOR_S
    ]


def _power(place: np.ndarray, size: int) -> np.ndarray:
    """How nearly `size` errors in a row are one: 0 for random ones, 1 for equal ones."""
    turn = 2.0 * np.pi * place
    if size == len(place):
        power = np.full(1, np.mean(np.cos(turn)) ** 2 + np.mean(np.sin(turn)) ** 2)
    else:
        power = uniform_filter1d(np.cos(turn), size) ** 2 + uniform_filter1d(np.sin(turn), size) ** 2
    return (power - 1.0 / size) / (1.0 - 1.0 / size)


def hand_density(trace: Trace, time_s: np.ndarray) -> np.ndarray:
    """Density of the true course's third derivative, deg²/s⁵, round each moment."""
    grid = np.arange(time_s[0] - 1.0, time_s[-1] + 1.0, 0.01)
    speed = np.gradient(crank_at(trace, grid), 0.01)
    third = np.gradient(np.gradient(speed, 0.01), 0.01)
    window = round(HAND_S / 0.01)
    square = HAND_S * uniform_filter1d(third**2, window) + STEADY_SHARE * uniform_filter1d(speed**2, window)
    return np.interp(time_s, grid, square) + LEAST_DENSITY


class Course:
    """Normal matrix of the crank's course on an even grid: bands, and borders of the parameters."""

    def __init__(self, trace: Trace, borders: int) -> None:
        start, end = float(trace.crank_time_s[0]) - GRID_S, float(trace.crank_time_s[-1]) + GRID_S
        self.time_s = np.arange(start, end, GRID_S)
        self.bands = np.zeros((4, len(self.time_s)))
        self.border = np.zeros((len(self.time_s), borders))
        self.corner = np.zeros((borders, borders))
        density = hand_density(trace, self.time_s)
        weight = 2.0 * GRID_S**-5 / (density[1:-2] + density[2:-1])
        third = (-1.0, 3.0, -3.0, 1.0)
        for i in range(4):
            for j in range(i, 4):
                self.bands[3 - (j - i), j : j + len(weight)] += third[i] * third[j] * weight

    def observe(self, time_s: np.ndarray, slope: np.ndarray, columns: np.ndarray, weight: np.ndarray) -> None:
        """Add observations: `slope` times the course at their moments plus `columns` times the parameters."""
        place = (time_s - self.time_s[0]) / GRID_S
        left = np.clip(place.astype(int), 0, len(self.time_s) - 2)
        late = slope * np.clip(place - left, 0.0, 1.0)
        early = slope - late
        for at, part in ((left, early), (left + 1, late)):
            np.add.at(self.bands[3], at, weight * part**2)
            np.add.at(self.border, at, (weight * part)[:, None] * columns)
        np.add.at(self.bands[2], left + 1, weight * early * late)
        self.corner += columns.T @ (weight[:, None] * columns)

    def information(self) -> np.ndarray:
        """Of the parameters, the course eliminated."""
        # A long rest leaves the last digits to rounding; so much more is nothing to any of them.
        bands = np.vstack([self.bands[:3], self.bands[3:] * (1.0 + ROUNDING)])
        return self.corner - self.border.T @ solveh_banded(bands, self.border)


def bound_deg(bench: Bench, *, offset_known: bool = False) -> float:
    """Cramér-Rao bound of the centre, degrees: see the head of this file.

    With `offset_known` the pin offset is taken as known even where the builder does not know the engine.
    """
    trace, known = bench.trace, bench.known
    shown_s, columns, weight = gauge_observations(bench, offset_known=offset_known)
    knots = knots_of(trace)
    runs = alike(knots)
    few = columns.shape[1]
    course = Course(trace, few + len(runs))
    slope = columns[:, 0]
    course.observe(shown_s, slope, np.pad(-columns, ((0, 0), (0, len(runs)))), weight)
    common = np.zeros((len(knots.time_s), few + len(runs)))
    for number, run in enumerate(runs):
        common[run, few + number] = 1.0
        course.corner[few + number, few + number] += 1.0 / float(np.mean(knots.variance_deg2[run]))
    course.observe(knots.time_s, np.ones(len(knots.time_s)), common, 1.0 / knots.variance_deg2)
    # What is commonly known of any gauge's lag, and of any engine's pin offset.
    course.corner[3, 3] += 1.0 / (known.lag_u_s or ANY_LAG_U_S) ** 2
    if few > 5:
        course.corner[5, 5] += 1.0 / ANY_OFFSET_U_MM**2
    information = course.information()
    scale = 1.0 / np.sqrt(np.diag(information))
    return float(np.sqrt(np.linalg.inv(information * np.outer(scale, scale))[0, 0]) * scale[0])


def gauge_observations(bench: Bench, *, offset_known: bool) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """True moments shown; derivatives by centre, zero, gain, lag (and ratio, offset); weights."""
    trace = bench.trace
    gauge, crank = trace.mounting.gauge, trace.setup.engine.crank
    shown_s = trace.gauge_time_s - gauge.lag_s

    def drop(time_s: np.ndarray, aside_deg: float = 0.0, engine=crank) -> np.ndarray:
        angle = crank_at(trace, time_s) + trace.setup.encoder.zero_deg + aside_deg
        return gauge.gain * engine.below_top_mm((angle + 180.0) % 360.0 - 180.0)

    slope = (drop(shown_s, STEP_DEG) - drop(shown_s, -STEP_DEG)) / (2.0 * STEP_DEG)
    rate = (drop(shown_s + GRID_S) - drop(shown_s - GRID_S)) / (2.0 * GRID_S)
    bend = (drop(shown_s + GRID_S) + drop(shown_s - GRID_S) - 2.0 * drop(shown_s)) / GRID_S**2
    columns = [slope, np.ones_like(slope), drop(shown_s), rate]
    if bench.known.rod_mm is None:
        longer = replace(crank, rod_mm=crank.rod_mm * 1.001)
        columns.append((drop(shown_s, engine=longer) - drop(shown_s)) / 0.001)
        if not offset_known:
            aside = replace(crank, pin_offset_mm=crank.pin_offset_mm + 0.1)
            columns.append((drop(shown_s, engine=aside) - drop(shown_s)) / 0.1)
    jitter = gauge.jitter_s / (np.sqrt(3.0) if gauge.jitter_law == "uniform" else 1.0)
    within = np.cumsum(
        np.concatenate([[0], np.diff(np.floor(_travelled(drop(shown_s)) / gauge.step_mm)) > 0.0])
    )
    sharing = np.bincount(within)[within]
    variance = sharing * gauge.step_mm**2 / 12.0 + gauge.noise_mm**2
    variance += (jitter * rate) ** 2 + 0.5 * (jitter**2 * bend) ** 2
    pushed = trace.mounting.pushed_mm(
        trace.setup.engine.rise_mm("piston_1", crank_at(trace, shown_s) + trace.setup.encoder.zero_deg)
    )
    touching = (pushed > 0.0) & (pushed < gauge.travel_mm)
    touching &= (shown_s > trace.crank_time_s[0]) & (shown_s < trace.crank_time_s[-1])
    return shown_s, np.column_stack(columns), touching / variance


def _travelled(position: np.ndarray) -> np.ndarray:
    return np.concatenate([[0.0], np.cumsum(np.abs(np.diff(position)))])
