"""What is turned under a gauge and is no journal, flange, damper or face: it moves as they never do."""

from __future__ import annotations

import numpy as np

from analysis.base import Floats, GaugeFacts, Refusal, Streams
from analysis.touching import unlike_a_round_part

_MOST_SWING_MM = 10.0
"""A damper that nobody centred swings by some mm; common practice, no source."""
_LARGE_MM, _OF_A_LARGE_SWING = 3.0, 0.05
"""What swings by millimetres does so once a turn, for it is off its axis; a lobe or a stopped plunger leaves more over."""
_VALVE_APART_MM = 1.0
_ON_A_VALVE = (
    " So much is no knock: see that the gauge is not on a valve, which comes round every other turn."
)
_MOVES_LIKE = {
    "piston": "This moves like a piston, turning round at the top as a crank's throw does: no journal, flange, damper or "
    "face does so. Set the gauge on the part and turn again.",
    "valve": "This moves like a valve on its lobe, one hump and a long rest: no journal, flange, damper or face does so. "
    "Set the gauge on the part and turn again.",
}


def refuse_what_moves_otherwise(streams: Streams, gauge: GaugeFacts) -> None:
    """Refuse what the house recognises as a piston or a valve, and what swings further than a part that turns.

    Raises
    ------
    Refusal
        ``moves_like_a_piston``, ``moves_like_a_valve``, ``swings_too_far``.
    """
    moves_like = unlike_a_round_part(streams, gauge)
    if moves_like is not None:
        raise Refusal(f"moves_like_a_{moves_like}", _MOVES_LIKE[moves_like])
    swing = float(np.ptp(streams.gauge_mm))
    if swing > _MOST_SWING_MM:
        raise Refusal(
            "swings_too_far",
            f"The reading went {swing:.1f} mm to and fro, as a piston or a valve does, and no journal, flange, damper or "
            "face: see where the gauge stands, and that nobody moved it meanwhile.",
        )


def refuse_large_and_not_a_circle(wave: Floats, left: Floats, swing: float) -> None:
    """Refuse a large swing that is not, in the main, once a turn.

    Parameters
    ----------
    wave : ndarray, shape (2 n + 1,)
        Mean, cosine and sine of every wave.
    left : ndarray, shape (m,)
        What the waves leave over.
    swing : float
        Highest less lowest reading, mm.

    Raises
    ------
    Refusal
        ``not_round``.
    """
    beside = float(np.sqrt(0.5 * np.sum(wave[3:] ** 2) + np.mean(left**2)))
    if swing > _LARGE_MM and beside > _OF_A_LARGE_SWING * swing:
        raise Refusal(
            "not_round",
            f"The reading went {swing:.1f} mm to and fro, and not as a part off its axis does, up and down once a turn: "
            "see that the gauge is not on a valve or a piston, and runs over no keyway or hole; then turn twice round.",
        )


def valve_too(apart_mm: float) -> str:
    """Give the further suspicion where two turns differ by more than a knock makes."""
    return _ON_A_VALVE if apart_mm > _VALVE_APART_MM else ""
