"""How much of the time the encoder's lines waited and came in lumps; where it is much, no fault is laid on the engine.

A lump's lines may tell of any moment of the silence before it. Whether a busy computer or the manner of the line makes them
wait, what does not fit in such a trace may be the waiting's doing, and is no proof of a slip or a wrong part.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator

import numpy as np

from analysis.base import Floats, Refusal

_SILENCES_S = 0.03, 0.5
_TOGETHER, _FASTER = 0.05, 0.7
_MUCH, _TOO_MUCH = 0.05, 0.2


def share_in_lumps(time_s: Floats) -> float:
    """Give the share of the time in which the encoder kept silent and then spoke in a lump.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        When its lines arrived, not falling.
    """
    gap = np.diff(time_s)
    if len(gap) < 3:
        return 0.0
    # Its usual pace is no lump's, though it come after a rest.
    pace_s = _pace_s(gap)
    silence, next_two = gap[:-2], gap[1:-1] + gap[2:]
    lump = (silence > _SILENCES_S[0]) & (silence < _SILENCES_S[1])
    lump &= next_two < np.minimum(_TOGETHER * silence, _FASTER * pace_s)
    return float(silence[lump].sum() / max(float(gap.sum()), 1e-9))


def _pace_s(gap: Floats) -> float:
    """From line to line in the mean, long rests left out."""
    short = gap[gap < _SILENCES_S[1]]
    return float(np.mean(short)) if len(short) else 0.0


@contextlib.contextmanager
def no_fault_of_the_bench(in_lumps: float) -> Iterator[None]:
    """Where lines waited for much of the time, refuse for that, and for nothing that it may have made seem so.

    Raises
    ------
    Refusal
        `held_up`, instead of any other; and where it was a fifth of the time, whatever would be found: the gauge's lines
        waited as long, and what they say in the mean passes for its lag.
    """
    if in_lumps >= _TOO_MUCH:
        raise _refusal(in_lumps)
    try:
        yield
    except Refusal as refusal:
        if in_lumps < _MUCH:
            raise
        raise _refusal(in_lumps) from refusal


def _refusal(in_lumps: float) -> Refusal:
    return Refusal(
        "held_up",
        "The computer was too busy to read the instruments, or the line gathers what it sends: for "
        f"{in_lumps:.0%} of the time the encoder's lines waited. Close other programs, or let the serial server send at "
        "once, then turn again.",
    )
