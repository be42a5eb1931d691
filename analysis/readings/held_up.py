"""How much of the time the encoder's lines waited and came in lumps; where it is much, no fault is laid on the engine.

A lump's lines may tell of any moment of the silence before it. Whether a busy computer or the manner of the line makes them
wait, what does not fit in such a trace may be the waiting's doing, and is no proof of a slip or a wrong part.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from typing import NamedTuple

import numpy as np

from analysis.base import Floats, Refusal
from analysis.readings.crank_late import within_a_count

_SILENCES_S = 0.03, 0.5
_TOGETHER, _FASTER = 0.05, 0.7
_HEAP_OF_PACE, _HEAP_OF_SILENCE = 0.5, 0.25
_HEAP_LEAST, _HEAP_THEN, _HEAP_ENDS = 5, 9, 1.7
_MUCH, _TOO_MUCH, _TOO_MUCH_IN_ALL = 0.05, 0.2, 0.35


class Waited(NamedTuple):
    """Shares of the time in which the encoder's lines waited."""

    in_lumps: float
    """In silences of a moment."""
    in_heaps: float
    """In silences of half a second and more, which a crank at rest might have made but for the heap of lines behind."""

    @property
    def little(self) -> bool:
        """Whether what is odd about times is hardly the waiting's doing."""
        return self.in_lumps + self.in_heaps < _MUCH


def share_waited(time_s: Floats, crank_deg: Floats) -> Waited:
    """Give the share of the time in which the encoder kept silent and then spoke in a lump.

    Parameters
    ----------
    time_s, crank_deg : ndarray, shape (n,)
        When its lines arrived, not falling, and what they said.
    """
    gap = np.diff(time_s)
    all_s = max(float(gap.sum()), 1e-9)
    gap = gap[~within_a_count(gap, crank_deg)]
    if len(gap) < 3:
        return Waited(0.0, 0.0)
    # Its usual pace is no lump's, though it come after a rest.
    pace_s = _pace_s(gap)
    silence, next_two = gap[:-2], gap[1:-1] + gap[2:]
    lump = (silence > _SILENCES_S[0]) & (silence < _SILENCES_S[1])
    lump &= next_two < np.minimum(_TOGETHER * silence, _FASTER * pace_s)
    return Waited(float(silence[lump].sum()) / all_s, _before_heaps_s(gap) / all_s)


def _before_heaps_s(gap: Floats) -> float:
    """Time in silences that are long enough for a rest, and yet ended in a heap of lines, as no crank starts from rest.

    A crank that is set going gives its first lines slowly and the next ones sooner. A heap comes at the pace of the wire,
    and what follows it at the encoder's: a quarter of the lines that this makes in such a time, or more, waited in it.
    """
    waited_s = 0.0
    for row in np.flatnonzero(gap >= _SILENCES_S[1]):
        behind = gap[row + 1 :]
        if len(behind) < _HEAP_LEAST + _HEAP_THEN:
            continue
        wire_s = float(np.median(behind[:_HEAP_LEAST]))
        slower = np.flatnonzero(behind > _HEAP_ENDS * wire_s)
        lines = int(slower[0]) if slower.size else len(behind)
        then, before = behind[lines + 1 : lines + 1 + _HEAP_THEN], gap[max(row - _HEAP_THEN, 0) : row]
        # As fast as before the silence it goes on after a counter that stuck while the crank was turned.
        pace_s = min((float(np.median(few)) for few in (then, before) if few.size), default=0.0)
        if wire_s < _HEAP_OF_PACE * pace_s and lines >= _HEAP_OF_SILENCE * gap[row] / pace_s:
            waited_s += float(gap[row])
    return waited_s


def _pace_s(gap: Floats) -> float:
    """From line to line in the mean, long rests left out."""
    short = gap[gap < _SILENCES_S[1]]
    return float(np.mean(short)) if len(short) else 0.0


@contextlib.contextmanager
def no_fault_of_the_bench(waited: Waited) -> Iterator[None]:
    """Where lines waited for much of the time, refuse for that, and for nothing that it may have made seem so.

    Raises
    ------
    Refusal
        `held_up`, instead of any other; and where it was a fifth of the time, or a third with long silences, whatever
        would be found: the gauge's lines waited as long, and what they say in the mean passes for its lag.
    """
    if waited.in_lumps >= _TOO_MUCH or sum(waited) >= _TOO_MUCH_IN_ALL:
        raise was_held_up(waited)
    try:
        yield
    except Refusal as refusal:
        if waited.little:
            raise
        raise was_held_up(waited) from refusal


def was_held_up(waited: Waited) -> Refusal:
    """Give the refusal of what the computer held up, with the share of the time for which lines waited."""
    return Refusal(
        "held_up",
        "The computer was too busy to read the instruments, or the line gathers what it sends: for "
        f"{sum(waited):.0%} of the time the encoder's lines waited. Close other programs, or let the serial server send at "
        "once, then turn again.",
    )
