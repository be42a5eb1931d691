"""How an encoder speaks: whether a clock sends its lines or each count does, how often, and what it leaves out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.base import Floats, smallest_step

A_LINE_LATE, A_PAUSE = 2.5, 8.0
_LEAST_UNSEEN_S = 0.025
_REPEATS_KEPT = 0.005
_LIKELY_LINE_S = 0.004
_PERIOD_SAMPLE = 4000
_PERIOD_BIN_S, _PERIOD_BINS = 50e-6, 10_000
_IN_PHASE = 0.7
_FASTEST_HZ = 1100.0
_ODD_JUMPS = 0.005
_OF_A_CLOCK = 0.02
_GUESSED_LATE_U_S = 0.002
# Over so many lines those read late in lumps come to their clock's pace; lumps are told where it is so much slower.
_OVER_LINES, _LUMPS = 40, 1.3
_LONGEST_STALL_S, _WORTH_A_LOOK = 0.25, 1.1
_SKIPPING, _SLOWER, _SLOW_SHARE = 1.03, 1.15, 0.1
_IN_TIME, _ENOUGH_IN_TIME = 0.4, 0.1
_FEWEST_OF_TWO, _NO_LATER = 10, 1.5


@dataclass(frozen=True, slots=True)
class Lines:
    """How an encoder speaks, as found in a stretch of its lines.

    Attributes
    ----------
    count_deg, line_s : float
        One count, and the usual time between two lines.
    frugal, repeated : bool
        Whether lines that repeat a count are left out, and whether some do repeat one.
    late_u_s : float
        How surely it is known how long edges waited for their lines, on the whole: where unchanged counts are
        left out, the period of the lines may have to be guessed; where counts and lines keep step, all waited alike.
    shaken_s : float or None
        Jitter that the lines themselves show; `None` where a count sends each.
    jitter_s : float or None
        Jitter as the knots have shown it; `None` where it has yet to be found.
    """

    count_deg: float
    line_s: float
    frugal: bool
    repeated: bool
    late_u_s: float
    shaken_s: float | None
    jitter_s: float | None = None

    @property
    def missing_s(self) -> float:
        """From so much time between two lines on, some that should have come are missing, or the crank stood."""
        return max(_LEAST_UNSEEN_S, (A_PAUSE if self.frugal else A_LINE_LATE) * self.line_s)


def find_lines(time_s: Floats, crank_deg: Floats) -> Lines:
    """Find how the encoder speaks; times rising."""
    count_deg = smallest_step(crank_deg) or 1e-6
    line_s, frugal, late_u_s = _line_period(time_s, crank_deg, count_deg)
    clock_s = None
    if frugal or _may_be_lumps(np.diff(time_s), line_s):
        clock_s = _clock_behind_lumps(time_s, crank_deg, count_deg)
    if clock_s is not None and (frugal or clock_s > _LUMPS * line_s):
        line_s, frugal, late_u_s = clock_s, False, 0.0
    else:
        clock_s = None
    # Where no line repeats a count, unchanged ones are left out: the old count still stood one line before.
    repeated = float(np.mean(np.abs(np.diff(crank_deg)) < 0.5 * count_deg)) > _REPEATS_KEPT
    by_clock = clock_s is not None or not _by_count(crank_deg, count_deg)
    shaken_s = _uneven_lines(time_s, line_s) if by_clock else None
    return Lines(count_deg, line_s, frugal, repeated, late_u_s, shaken_s)


def _line_period(time_s: Floats, crank_deg: Floats, count_deg: float) -> tuple[float, bool, float]:
    """Time from line to line; whether lines that repeat a count were left out; how surely edges are dated."""
    gap = np.diff(time_s)
    jump = np.abs(np.diff(crank_deg)) / count_deg
    moved = jump > 0.5
    # Lines inside a stand are not here, so only those between which the count changed surely follow one another.
    usual = float(np.median(gap[moved] if moved.any() else gap))
    if not moved.any() or float(np.mean(moved)) < 1.0 - _REPEATS_KEPT:
        return usual, False, 0.0
    low, high = (float(q) for q in np.quantile(gap, (0.02, 0.98)))
    even = float(jump.mean()) > 1.15 and high < 2.5 * usual
    # Lines that a count sends come as unevenly as the hand turns, and by one count each.
    by_clock = (
        float(np.mean(np.abs(jump - 1.0) > 0.5)) > _ODD_JUMPS and low > 0.9 * usual and high < 1.1 * usual
    )
    if even or by_clock or float(np.median(jump)) > 1.5:
        return usual, False, 0.0
    if high - low < _OF_A_CLOCK * usual:
        # One count a line, as evenly as no hand turns: sent by a clock that keeps step, or by the count of a motor.
        # Where between two lines the edges lie is then not told, and is the same for all of them.
        return usual, False, 0.0
    line_s, sure = _common_period(gap)
    return line_s, True, 0.1 * line_s if sure else _GUESSED_LATE_U_S


def _common_period(gap: Floats) -> tuple[float, bool]:
    """The longest period of which all waits are multiples; a likely one where the waits do not tell.

    Seen in how well the waits agree in phase at each frequency, by one Fourier transform of their counts: one of
    half a second asks at every second hertz, and longer waits wrap round as they should.
    """
    near = gap[gap < 8.0 * float(np.median(gap))][:_PERIOD_SAMPLE]
    low, shortest, high = (float(q) for q in np.quantile(near, (0.05, 0.02, 0.95)))
    slowest_hz = max(1.5 / max(high - low, 1e-4), 0.8 / max(shortest, 1e-4), 40.0)
    bins = np.floor(near / _PERIOD_BIN_S).astype(np.intp) % _PERIOD_BINS
    common = np.abs(np.fft.rfft(np.bincount(bins, minlength=_PERIOD_BINS))) / len(near)
    hz = np.arange(len(common)) / (_PERIOD_BIN_S * _PERIOD_BINS)
    good = np.flatnonzero((common > _IN_PHASE) & (hz >= slowest_hz) & (hz < _FASTEST_HZ))
    if len(good):
        peak = good[0] + int(np.argmax(common[good[0] : good[0] + 20]))
        return float(1.0 / hz[peak]), True
    return min(max(shortest, 0.0005), _LIKELY_LINE_S), False


def usual_wait_s(time_s: Floats, crank_deg: Floats) -> float:
    """Time from line to line: what most waited, or what a clock gives them where most were read in lumps."""
    gap = np.diff(time_s)
    usual_s = float(np.median(gap))
    if not _may_be_lumps(gap, usual_s):
        return usual_s
    clock_s = _clock_behind_lumps(time_s, crank_deg, smallest_step(crank_deg) or 1e-6)
    return clock_s if clock_s is not None and clock_s > _LUMPS * usual_s else usual_s


def _may_be_lumps(gap: Floats, usual_s: float) -> bool:
    """Whether lines take so much more time in the mean, a rest counted for a stall, that it is worth a closer look."""
    return float(np.mean(np.minimum(gap, _LONGEST_STALL_S))) > _WORTH_A_LOOK * usual_s


def _clock_behind_lumps(time_s: Floats, crank_deg: Floats, count_deg: float) -> float | None:
    """Time from line to line of a clock that sends them all, however they were read; `None` where nothing shows one.

    Read late, lines come in lumps at the pace of the wire, which is not the clock's; over many of them the lumps and the
    silences before them come to what the clock gave them. Only lines that tell of another count are taken, for of a crank
    that stands not all may be kept.
    """
    gap, jump = np.diff(time_s), np.abs(np.diff(crank_deg)) / count_deg
    moved = jump > 0.5
    still = float(np.mean(~moved))
    gap, jump = gap[moved], jump[moved]
    if gap.size < 2 * _OVER_LINES or not (still > _REPEATS_KEPT or _skip_in_time(gap, jump)):
        return None
    each_s = _over_several(gap)
    told = (
        np.full(each_s.shape, True)
        if still > _REPEATS_KEPT
        else _every_line_told(each_s, _over_several(jump))
    )
    rested = np.asarray(gap > _LONGEST_STALL_S, dtype=np.float64)
    told &= _over_several(rested) == 0.0
    return _nearly(gap, float(np.median(each_s[told]))) if told.any() else None


def _every_line_told(each_s: Floats, each: Floats) -> NDArray[np.bool_]:
    """Where no line can have been left out, for many tell of two counts; nowhere, if fewer come where the crank is slower.

    Of a clock of which every line is told they go on there as before.
    """
    skipping = each > _SKIPPING
    slow_s = each_s[~skipping]
    if skipping.any() and slow_s.size > _SLOW_SHARE * each_s.size:
        skipping &= float(np.median(slow_s)) <= _SLOWER * float(np.median(each_s[skipping]))
    return np.asarray(skipping)


def _nearly(gap: Floats, clock_s: float) -> float:
    """The same as lines that came in time tell it, for some may be left out that came late."""
    in_time = gap[np.abs(gap - clock_s) < _IN_TIME * clock_s]
    return float(np.median(in_time)) if in_time.size > _ENOUGH_IN_TIME * gap.size else clock_s


def _skip_in_time(gap: Floats, jump: Floats) -> bool:
    """Whether many lines tell of two counts at once, and no later: of lines that counts send, one was lost then."""
    two = jump > 1.5
    if np.sum(two) < max(_FEWEST_OF_TWO, _ODD_JUMPS * two.size):
        return False
    return bool(two.all() or np.median(gap[two]) < _NO_LATER * np.median(gap[~two]))


def _over_several(each: Floats) -> Floats:
    """Means of so many in a row."""
    so_far = np.concatenate(([0.0], np.cumsum(each)))
    return np.asarray((so_far[_OVER_LINES:] - so_far[:-_OVER_LINES]) / _OVER_LINES)


def _by_count(crank_deg: Floats, count_deg: float) -> bool:
    """Whether nearly each line is one count on."""
    return float(np.mean(np.abs(np.abs(np.diff(crank_deg)) - count_deg) < 0.5 * count_deg)) > 0.95


def _uneven_lines(time_s: Floats, line_s: float) -> float | None:
    """Jitter of lines that come by a clock, seconds, from how unevenly they come."""
    gap = np.diff(time_s)
    near = gap[gap < 1.5 * line_s]
    if len(near) < max(10, 0.3 * len(gap)):
        return None
    off = np.abs(near - np.median(near))
    usual = max(1.4826 * float(np.median(off)), 0.01 * line_s)
    return float(np.sqrt(np.mean(np.minimum(off, 4.0 * usual) ** 2) / 2.0))
