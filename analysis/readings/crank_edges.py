"""What an encoder's counts tell exactly: at which moments the crank stood at which angles, and how surely.

A counter steps at the edges between two counts. Where the count rises by one from one line to the next, the
edge was passed between the two lines: turning slowly, that is far finer than a count. Where counts are
skipped, the line itself is the best there is: the middle of its count.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.base import Floats, changes
from analysis.readings.crank_lines import A_LINE_LATE, A_PAUSE, Lines, find_lines

_LEAST_JITTER_S = 0.0001
_COUNTS_LOST = 2.5
_LEAST_LOST_S = 0.1
_LINGERS = 2.5
_JITTER_SAMPLE = 4000
# Lines that come as evenly as this show all the jitter there is.
_EVEN = 0.1
_BESIDE = 7
_BEAT_PARTS, _MOST_SHARING = 4.0, 10.0
_MEDIAN_OF_CHI_SQUARE = 0.455

Ints = NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class Rests:
    """Counts on which the crank lingered: it stood somewhere within, and no edge tells where.

    Attributes
    ----------
    from_s, to_s, variance_deg2 : ndarray, shape (r,)
        When each count was entered and left, and the variance of the angle meanwhile.
    knot_s, knot_deg : ndarray, shape (q,)
        Knots that hold the polyline at the middle of the count while the crank lingers or turns about.
    """

    from_s: Floats
    to_s: Floats
    variance_deg2: Floats
    knot_s: Floats
    knot_deg: Floats


@dataclass(frozen=True, slots=True)
class Knots:
    """Moments and angles of the crank, in order of time.

    Attributes
    ----------
    time_s, angle_deg : ndarray, shape (k,)
    variance_deg2 : ndarray, shape (k,)
        Variance of each angle at its moment.
    sharing : ndarray, shape (k,)
        How many neighbours have the same error, because counts and lines keep step.
    lines : Lines
        How the encoder speaks.
    jitter_s : float
        Jitter of the lines' arrival, as found.
    unseen : ndarray, shape (g, 2)
        Start and end of each gap in the stream across which the crank moved unseen.
    """

    time_s: Floats
    angle_deg: Floats
    variance_deg2: Floats
    sharing: Floats
    rests: Rests
    lines: Lines
    jitter_s: float
    unseen: Floats

    @property
    def lost(self) -> Floats:
        """Those of the gaps, shape (h, 2), that are too long to say anything of the motion meanwhile."""
        lasting = self.unseen[:, 1] - self.unseen[:, 0]
        return self.unseen[lasting > max(_LEAST_LOST_S, A_PAUSE * self.lines.line_s)]


def find_knots(time_s: Floats, crank_deg: Floats, lines: Lines | None = None) -> Knots:
    """Turn an encoder's readings into knots.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        Arrival times, seconds, not falling; several readings may share one.
    crank_deg : ndarray, shape (n,)
        Unwrapped angle at the middle of the count, degrees.
    lines : Lines, optional
        How the encoder speaks, where that is known from more of its lines.

    Raises
    ------
    ValueError
        With fewer than two readings at different times.
    """
    keep = np.append(np.diff(time_s) > 0.0, True)
    time_s, crank_deg = time_s[keep], crank_deg[keep]
    telling = changes(crank_deg)
    time_s, crank_deg = time_s[telling], crank_deg[telling]
    if len(time_s) < 2:
        raise ValueError("at least two crank readings at different times are needed")
    lines = lines or find_lines(time_s, crank_deg)
    count_deg, line_s = lines.count_deg, lines.line_s
    unseen = _unseen_stretches(time_s, crank_deg, lines)
    if lines.frugal or not lines.repeated:
        silence_s = (A_LINE_LATE if lines.frugal else A_PAUSE) * line_s
        time_s, crank_deg = _with_last_moments(time_s, crank_deg, count_deg, line_s, silence_s, unseen[:, 0])
    longest_s = A_LINE_LATE * line_s if lines.repeated and not lines.frugal else line_s
    times, angles, waits, rests = _all_knots(time_s, crank_deg, count_deg, line_s, longest_s, unseen[:, 0])
    variance, jitter_s = _variance(times, angles, waits, lines)
    return Knots(times, angles, variance, _sharing(times, angles, lines), rests, lines, jitter_s, unseen)


def _unseen_stretches(time_s: Floats, crank_deg: Floats, lines: Lines) -> Floats:
    """Gaps across which the crank moved further than it can from one line to the next after it stood."""
    least_deg = max(_COUNTS_LOST * lines.count_deg, 1.0 if lines.frugal else 0.3)
    where = np.flatnonzero((np.diff(time_s) > lines.missing_s) & (np.abs(np.diff(crank_deg)) > least_deg))
    return np.column_stack([time_s[where], time_s[where + 1]])


def _with_last_moments(
    time_s: Floats, crank_deg: Floats, count_deg: float, line_s: float, silence_s: float, unseen_s: Floats
) -> tuple[Floats, Floats]:
    """Where counts are skipped after a silence, say that the old count still stood one line before."""
    skipped = np.abs(np.diff(crank_deg)) > 1.5 * count_deg
    skipped &= ~np.isin(time_s[:-1], unseen_s)
    silent = np.flatnonzero(skipped & (np.diff(time_s) > silence_s))
    return (
        np.insert(time_s, silent + 1, time_s[silent + 1] - line_s),
        np.insert(crank_deg, silent + 1, crank_deg[silent]),
    )


def _all_knots(
    time_s: Floats, crank_deg: Floats, count_deg: float, line_s: float, longest_s: float, unseen_s: Floats
) -> tuple[Floats, Floats, Floats, Rests]:
    """Times and angles of edges, skipped-over readings, rests and turning points.

    With them how long an edge may have waited for its line; infinity marks what is known to a count only.
    """
    jump = np.abs(np.diff(crank_deg))
    moved = np.flatnonzero(jump > 0.5 * count_deg)
    single = jump[moved] < 1.5 * count_deg
    gap = time_s[moved + 1] - time_s[moved]
    wait = np.where(gap > longest_s, line_s, gap)
    passed_s = time_s[moved + 1] - 0.5 * wait
    edge, skip = moved[single], moved[~single]
    told = np.zeros(len(time_s), dtype=np.bool_)
    told[skip] = told[skip + 1] = told[[0, -1]] = True
    reading = np.flatnonzero(told)
    # What happened in a gap is not known: its ends bound what is.
    unseen = np.isin(time_s[moved], unseen_s)
    left_s, entered_s = (np.where(unseen, time_s[at], passed_s) for at in (moved, moved + 1))
    rests = _rests(time_s, crank_deg, moved, left_s, entered_s, count_deg)
    times = np.concatenate([passed_s[single], time_s[reading], rests.knot_s])
    angles = np.concatenate(
        [0.5 * (crank_deg[edge] + crank_deg[edge + 1]), crank_deg[reading], rests.knot_deg]
    )
    waits = np.concatenate([wait[single], np.full(len(reading) + len(rests.knot_s), np.inf)])
    order = np.argsort(times, kind="stable")
    times, angles, waits = times[order], angles[order], waits[order]
    keep = np.append(np.diff(times) > 0.0, True)
    return times[keep], angles[keep], waits[keep], rests


def _rests(
    time_s: Floats, crank_deg: Floats, moved: Ints, left_s: Floats, entered_s: Floats, count_deg: float
) -> Rests:
    """Stretches without a count that lasted longer than those beside, and where the motion wants knots for them."""
    if not len(moved):
        span = time_s[[0, -1]]
        return Rests(span[:1], span[1:], np.array([count_deg**2 / 12.0]), span, crank_deg[[0, -1]])
    first_s = np.concatenate([time_s[:1], entered_s])
    last_s = np.concatenate([left_s, time_s[-1:]])
    lasted = last_s - first_s
    place = np.concatenate([crank_deg[moved], crank_deg[-1:]])
    beside = np.minimum(np.append(lasted[1:], np.inf), np.concatenate([[np.inf], lasted[:-1]]))
    lingering = lasted / np.maximum(beside, 1e-9)
    long = lingering > _LINGERS
    share = np.clip(0.5 * (lingering - 2.0), 0.0, 1.0)
    share[[0, -1]] = 1.0
    change = np.sign(crank_deg[moved + 1] - crank_deg[moved])
    about = np.flatnonzero((change[:-1] * change[1:] < 0.0) & ~long[1:-1]) + 1
    inset = np.minimum(0.5 * beside, lasted / 3.0)[long]
    knot_s = np.concatenate(
        [first_s[long] + inset, last_s[long] - inset, 0.5 * (first_s[about] + last_s[about])]
    )
    knot_deg = np.concatenate([place[long], place[long], place[about]])
    some = share > 0.05
    return Rests(first_s[some], last_s[some], (share[some] * count_deg) ** 2 / 12.0, knot_s, knot_deg)


def _sharing(times: Floats, angles: Floats, lines: Lines) -> Floats:
    """How many knots lie within a quarter of the beat between counts and lines.

    Where the crank turns by nearly a whole number of counts from line to line, or passes a count in nearly a whole
    number of lines, each knot is off by nearly what the one before was: a slow wave that no averaging of a few
    removes, and that looks like a hand which wavers. Lines that each count sends have no clock to keep step with.
    """
    if lines.frugal or len(times) <= 2 * _BESIDE:
        return np.ones_like(times)
    place = np.arange(len(times))
    first, last = np.maximum(place - _BESIDE, 0), np.minimum(place + _BESIDE, len(times) - 1)
    speed = np.abs(angles[last] - angles[first]) / (times[last] - times[first])
    counts = np.clip(speed * lines.line_s / lines.count_deg, 1e-6, 1e6)
    of_step = np.maximum(counts, 1.0 / counts)
    beat = 1.0 / np.maximum(np.abs(of_step - np.round(of_step)), 1e-6)
    return np.asarray(np.clip(beat / _BEAT_PARTS, 1.0, _MOST_SHARING))


def _variance(times: Floats, angles: Floats, waits: Floats, lines: Lines) -> tuple[Floats, float]:
    """An edge is known to its wait times the speed, anything else to a count; both to the line's jitter."""
    counted = np.full(len(times), lines.count_deg**2 / 12.0)
    if len(times) < 6:
        return counted, lines.jitter_s or 0.0
    speed2 = np.gradient(angles, times) ** 2
    timed = np.where(
        np.isfinite(waits), speed2 * np.where(np.isfinite(waits), waits, 0.0) ** 2 / 12.0, counted
    )
    known = np.minimum(timed, counted)
    if lines.jitter_s is not None:
        jitter = lines.jitter_s
    elif lines.shaken_s is not None and lines.shaken_s < _EVEN * lines.line_s:
        jitter = lines.shaken_s
    else:
        jitter = _line_jitter(times, angles, known, speed2, lines.shaken_s or 0.0)
    jitter = max(jitter, _LEAST_JITTER_S)
    return known + speed2 * jitter**2, jitter


def _line_jitter(times: Floats, angles: Floats, known: Floats, speed2: Floats, shaken_s: float) -> float:
    """Jitter of the arrival times, seconds, from how unevenly four neighbouring knots lie.

    Third divided differences vanish on a smooth motion; what they show beyond the known variance is jitter.
    Times are differenced over angles, not angles over times: the angles of edges are exact, whereas lines that
    arrive in the wrong distance from each other would spoil their own yardstick. Where counts and lines keep step
    the known part scatters less than it should and hides jitter that the lines themselves show (`shaken_s`).
    """
    stride = max(1, len(times) // _JITTER_SAMPLE)
    first = np.arange(0, len(times) - 3, stride)
    index = first[:, None] + np.arange(4)
    step = np.diff(angles[index], axis=1)
    index = index[np.all(step > 1e-9, axis=1) | np.all(step < -1e-9, axis=1)]
    if len(index) < 10:
        return 0.0
    place = angles[index]
    between = place[:, :, None] - place[:, None, :] + np.eye(4)
    weight = 1.0 / np.prod(between, axis=2)
    whole = np.sum(weight * times[index], axis=1) ** 2 / np.sum(weight**2, axis=1) / _MEDIAN_OF_CHI_SQUARE
    expected = np.sum(weight**2 * known[index] / np.maximum(speed2[index], 1e-12), axis=1)
    excess = float(np.median(whole - expected / np.sum(weight**2, axis=1)))
    return float(np.sqrt(max(min(max(excess, shaken_s**2), float(np.median(whole))), 0.0)))
