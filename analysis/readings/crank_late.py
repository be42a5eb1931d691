"""Lines of the encoder that were held up: nothing for a while, then several at once, the crank seeming to leap.

A computer or a cable that stalls keeps lines back and then delivers them together. All but the last tell where
the crank stood some time before they arrived. Such a lump is told from a crank that stood still and was then
jerked: a hand that leaves no trace in the speed before and behind it cannot move a crank so far in so short a time.
Where an encoder speaks at a steady pace, also while the crank stands, a lump of as many lines as the silence before
it should have had is told without any leap.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from analysis.base import Floats, Streams
from analysis.readings.crank_lines import usual_wait_s

_LEAST_SILENCE_S = 0.02
_SILENCE_LINES = 3.0
_TOGETHER = 0.35
_LEAST_LEAP_DEG = 0.5
_LEAST_COUNTS = 3.0
_TIMES_FASTER = 2.5
_BESIDE_S = 0.06
_MOST_OVER_BESIDE, _OF_A_SLIP = 1.6, 0.5
_STEADY_REPEATS = 0.02
_LEAST_OF_SILENCE, _MOST_OF_SILENCE = 0.6, 1.5
_STILL_READ_S = 0.04

Flags = NDArray[np.bool_]
Places = NDArray[np.intp]


def find_late_lines(time_s: Floats, crank_deg: Floats) -> Flags:
    """Mark the lines that came late in a lump.

    Parameters
    ----------
    time_s, crank_deg : ndarray, shape (n,)
        Arrival times, not falling, and unwrapped angles.

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    late = _once(time_s, crank_deg)
    # One lump may hide the next: the speed beside it is not known before its late lines are left out.
    while late.any():
        further = _once(time_s[~late], crank_deg[~late])
        if not further.any():
            break
        late[np.flatnonzero(~late)[further]] = True
    return late


def without_late_lines(streams: Streams) -> Streams:
    """Leave out the encoder's lines that came late in a lump: behind a silence they show a crank that stood in it.

    Parameters
    ----------
    streams : Streams
        Crank and gauge.
    """
    late = find_late_lines(streams.crank_time_s, streams.crank_deg)
    return replace(streams, crank_time_s=streams.crank_time_s[~late], crank_deg=streams.crank_deg[~late])


def find_held_up(time_s: Floats, crank_deg: Floats, late: Flags, then_s: Floats) -> Flags:
    """Mark moments at which whatever arrived may have waited: during a silence that ended in a lump, or just behind.

    A computer that stalls holds all its ports up, and reads one after the other when it goes on. Silences of the
    length that is usual are the line's own manner, a serial server's packets for instance, and are not marked. Where the
    crank comes to rest, a lump may tell of hardly any way and none of its lines be called late: it was held up all the same.

    Parameters
    ----------
    time_s, crank_deg : ndarray, shape (n,)
        When the encoder's lines arrived, and what they said.
    late : ndarray of bool, shape (n,)
        Those that came late, from `find_late_lines`.
    then_s : ndarray, shape (m,)
        The moments in question, not falling.

    Returns
    -------
    ndarray of bool, shape (m,)
    """
    gap = np.diff(time_s)
    first = np.flatnonzero(late & ~np.append(False, late[:-1]))
    last = np.flatnonzero(late & ~np.append(late[1:], False)) + 1  # the kept one, which ends the lump
    # Two at one instant are an interval's end and where the crank stood then.
    lump = np.flatnonzero((gap > 0.0) & (gap <= _TOGETHER * _usual_s(time_s, crank_deg)))
    first, last = np.append(first, lump), np.append(last, lump + 1)
    silent = time_s[first] - time_s[np.maximum(first - 1, 0)] > _long_silence_s(gap)
    begun = np.sort(time_s[np.maximum(first[silent] - 1, 0)])
    over = np.sort(time_s[np.minimum(last[silent], len(time_s) - 1)] + _STILL_READ_S)
    marked = np.searchsorted(begun, then_s, side="left") > np.searchsorted(over, then_s, side="left")
    return np.asarray(marked)


def _usual_s(time_s: Floats, crank_deg: Floats) -> float:
    """Time from line to line; of packets that are the line's own manner it is the time within one."""
    gap = np.diff(time_s)
    return (
        float(np.median(gap)) if _usual_silence_s(gap) > _LEAST_SILENCE_S else usual_wait_s(time_s, crank_deg)
    )


def _lump_ends(gap: Floats, together: Flags, within: Flags, first: Places) -> Places:
    """The last line that came together with each of those, waits within one count bridged but at the end."""
    apart = np.append(np.flatnonzero(~together & ~within), len(gap))
    before = np.append(-1, np.flatnonzero(together))
    reached = apart[np.searchsorted(apart, first)]
    return np.asarray(np.maximum(first, before[np.searchsorted(before, reached) - 1] + 1), dtype=np.intp)


def within_a_count(gap: Floats, crank_deg: Floats) -> Flags:
    """Mark waits within one count of which only the first and the last line were kept: they are no line's own pace.

    Readings are stored so. Nothing is marked where every line is there, nor a stand.
    """
    still = np.diff(crank_deg) == 0.0
    if float(np.mean(still[1:] & still[:-1])) > _STEADY_REPEATS:
        return np.zeros(len(gap), dtype=np.bool_)
    return np.asarray(still & (gap < _LEAST_SILENCE_S))


def _usual_silence_s(gap: Floats) -> float:
    """The silence in which most of the time goes by."""
    shorter = np.sort(gap)
    gone = np.cumsum(shorter)
    return float(shorter[np.searchsorted(gone, 0.5 * gone[-1])])


def _long_silence_s(gap: Floats) -> float:
    """What is far longer than the silence in which most of the time goes by."""
    return max(_LEAST_SILENCE_S, _SILENCE_LINES * _usual_silence_s(gap))


def _once(time_s: Floats, crank_deg: Floats) -> Flags:
    """Mark the lumps that can be told by what lies beside them as it is."""
    late = np.zeros(len(time_s), dtype=np.bool_)
    gap = np.diff(time_s)
    if len(gap) < 4 or float(gap.max()) <= _LEAST_SILENCE_S:
        return late
    usual_s = _usual_s(time_s, crank_deg)
    first = np.flatnonzero(gap[:-1] > max(_LEAST_SILENCE_S, _SILENCE_LINES * usual_s)) + 1
    last = _lump_ends(gap, gap <= _TOGETHER * usual_s, within_a_count(gap, crank_deg), first)
    leap_deg = _least_leap(crank_deg)
    far = np.abs(crank_deg[last] - crank_deg[first]) > leap_deg
    for begun, ended in zip(first[far].tolist(), last[far].tolist(), strict=True):
        late[begun:ended] |= _leaps(time_s, crank_deg, begun, ended)
    if float(np.mean(np.diff(crank_deg) == 0.0)) > _STEADY_REPEATS:
        for begun, ended in zip(*_kept_pace(gap, usual_s, first, last), strict=True):
            late[begun:ended] = True
    return late


def _kept_pace(gap: Floats, usual_s: float, first: Places, last: Places) -> tuple[list[int], list[int]]:
    """Lumps of about as many lines as the silence before them should have had."""
    silence = gap[first - 1]
    share = (last - first + 1) * usual_s / silence
    told = (silence > _long_silence_s(gap)) & (share > _LEAST_OF_SILENCE) & (share < _MOST_OF_SILENCE)
    return first[told].tolist(), last[told].tolist()


def _least_leap(crank_deg: Floats) -> float:
    """Leaps that matter, and that counting alone cannot make."""
    moved = np.abs(np.diff(crank_deg))
    return max(_LEAST_LEAP_DEG, _LEAST_COUNTS * float(np.min(moved, initial=np.inf, where=moved > 0.0)))


def _leaps(time_s: Floats, crank_deg: Floats, first: int, last: int) -> bool:
    """Whether the crank seems to go manifold faster within a lump than over the silence, before and behind it.

    The lump's lines are `first` to `last`; the silence is before `first`.
    """
    if last + 1 >= len(time_s):
        return False
    before = int(np.searchsorted(time_s, time_s[first - 1] - _BESIDE_S))
    behind = max(int(np.searchsorted(time_s, time_s[last] + _BESIDE_S, side="right")) - 1, last + 1)
    leapt = crank_deg[last] - crank_deg[first]
    # Speeds the way of the leap, so that a hand that turns back is none.
    ways = ((before, first - 1), (first - 1, last), (last, behind), (first, last))
    came, over, went, within = (np.sign(leapt) * _speed(time_s, crank_deg, *way) for way in ways)
    beside = max(came, went)
    # A coupling slips between two lines; what is spread over several was turned.
    largest = float(np.max(np.abs(np.diff(crank_deg[first : last + 1]))))
    turned = over < _MOST_OVER_BESIDE * beside or largest < _OF_A_SLIP * abs(leapt)
    return bool(turned and min(came, went) >= 0.0 and within > _TIMES_FASTER * max(over, beside))


def _speed(time_s: Floats, crank_deg: Floats, first: int, last: int) -> float:
    lasted = max(float(time_s[last] - time_s[first]), 1e-4)
    return float(crank_deg[last] - crank_deg[first]) / lasted
