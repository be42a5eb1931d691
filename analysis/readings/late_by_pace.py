"""Lines that were read late, told by the pace of the instrument that sent them.

A line can only be read late, never early. An instrument that speaks at a steady pace is a clock beside the computer's:
what comes sooner behind another line than the pace allows shows that the other was late. A busy computer, an adapter or
a radio kept it back. An encoder's many lines tell it of each, and how late lines were in the mean, which the gauge's,
through the same computer but too seldom, do not tell; a gauge's tell those that waited longer than all others.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from analysis.base import Floats
from analysis.readings.crank_lines import Lines, find_lines

Flags = NDArray[np.bool_]

_NEXT_FEW = 6

_OF_ENCODERS_PACE = 0.97
_FEWEST = 20
_REST_S = 0.1
# What waited longer is left out by itself, on either port.
_LONGEST_S = 0.003
_LEAST_S = 0.0005

_OF_GAUGES_PACE = 0.99
_PACE_OVER = 8
_KEEPS_PACE = 0.15
_LEAST_LATE_S = 0.004
_TIMES_USUAL = 4.0
_MOST = 0.3
_STEP_OVER, _IN_STEP = 16, 0.6


class ReadLate(NamedTuple):
    """How late lines were read: in the mean and root mean square, seconds; noughts where nothing tells it."""

    mean_s: float = 0.0
    rms_s: float = 0.0


def how_late(time_s: Floats, lines: Lines) -> ReadLate:
    """Tell how late an encoder's lines were read.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        When its lines arrived, not falling, those left out that waited in a lump.
    lines : Lines
        How it speaks: where each count sends a line, these keep no pace.

    Returns
    -------
    ReadLate
        Noughts, too, where they were hardly late: an instrument's own clock wavers by as much.
    """
    if lines.shaken_s is None:
        return ReadLate()
    late_s = np.minimum(_late_s(time_s, lines), _LONGEST_S)
    rms_s = float(np.sqrt(np.mean(late_s**2)))
    return ReadLate(float(np.mean(late_s)), rms_s) if rms_s > _LEAST_S else ReadLate()


def at_their_pace(time_s: Floats, crank_deg: Floats) -> Floats:
    """Put lines of an encoder that were read late back to where they came at the latest, by the pace of those behind."""
    lines = find_lines(time_s, crank_deg)
    if lines.shaken_s is None or lines.frugal:
        return time_s
    late_s = _late_s(time_s, lines)
    return np.maximum.accumulate(time_s - np.where(late_s > _LEAST_S, late_s, 0.0))


def _late_s(time_s: Floats, lines: Lines) -> Floats:
    """How late each line was read at least; nought where too few follow each other to have a pace."""
    gap = np.diff(time_s)
    short = gap[gap < _REST_S]
    if short.size < _FEWEST:
        return np.zeros_like(time_s)
    return _at_least_late_s(gap, _OF_ENCODERS_PACE * max(float(np.median(short)), lines.line_s))


def find_late_readings(time_s: Floats) -> Flags:
    """Mark the readings of a gauge that came late, where it keeps a pace.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        When its readings arrived, not falling.

    Returns
    -------
    ndarray of bool, shape (n,)
        None where it keeps no pace, as one that is asked and answers when it can.
    """
    none = np.zeros(time_s.size, dtype=np.bool_)
    gap = np.diff(time_s)
    if gap.size < 3:
        return none
    gap_s = float(np.median(gap))
    pace_s, in_time = _over_several_s(time_s, gap_s), 1.0 - _MOST
    if np.mean(np.abs(gap - gap_s) < _KEEPS_PACE * gap_s) < in_time:
        in_time = _IN_STEP
        if _share_in_step(time_s, pace_s) < in_time:
            return none
    late_s = _at_least_late_s(gap, _OF_GAUGES_PACE * pace_s)
    usual_s = float(np.quantile(late_s, in_time))
    return np.asarray(late_s > max(_LEAST_LATE_S, _TIMES_USUAL * usual_s))


def _share_in_step(time_s: Floats, pace_s: float) -> float:
    """The share that came in step with the others beside; one that is late spoils two gaps, but not the next one's step.

    Of readings at any moments hardly a third are in step, of some that are gathered in packets not many more.
    """
    share = []
    for first in range(0, max(time_s.size - _STEP_OVER, 0) + 1, _STEP_OVER):
        step = np.mod(time_s[first : first + _STEP_OVER] / pace_s, 1.0)
        apart = np.abs(np.mod(step[:, None] - step + 0.5, 1.0) - 0.5)
        share.append(np.max(np.mean(apart < _KEEPS_PACE, axis=1)))
    return float(np.mean(share))


def _over_several_s(time_s: Floats, pace_s: float) -> float:
    """The pace as several lines together tell it: late by the same, one of them tells it several times less well."""
    if time_s.size < 2 * _PACE_OVER:
        return pace_s
    over_s = float(np.median(time_s[_PACE_OVER:] - time_s[:-_PACE_OVER])) / _PACE_OVER
    # Where many were lost between, what is seen from line to line stands.
    return min(over_s, pace_s)


def _at_least_late_s(gap: Floats, pace_s: float) -> Floats:
    """How late each line came at least: the most by which one of the next few outran the pace from there on.

    What waited comes in a lump with the next, and these then keep their time. One that outruns the pace a little, line
    after line, has another pace than before, and what it said long ago did not wait for that.
    """
    outrun_s = np.concatenate(([0.0], np.cumsum(pace_s - gap)))
    late_s = np.zeros_like(outrun_s)
    for ahead in range(1, min(_NEXT_FEW, gap.size) + 1):
        late_s[:-ahead] = np.maximum(late_s[:-ahead], outrun_s[ahead:] - outrun_s[:-ahead])
    return late_s
