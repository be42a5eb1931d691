"""Limits of instruments as their makers state them, what is supposed where they state none, and what they do.

A plunger that sticks, or whose rack has play, reads less going in than coming out: retrace. A disc that sits off its
axis, or a coupling that stands askew, puts the encoder out once and twice a turn; nothing at one place of the crank
shows it, and all of it goes into the angle between two places.
"""

from __future__ import annotations

import cmath
import math

USUAL_GAUGE_ERROR_MM = 0.030
USUAL_RETRACE_MM = 0.007
"""What gauges of 25 mm travel keep to: JIS B 7503:2011, dials of 0.01 mm and ranges up to 30 mm.

The figures were read from an extract in a catalogue: whole range 30 µm, retrace 7 µm.
"""

USUAL_ENCODER_ERROR_DEG = 0.1
"""An encoder's disc of 50 mm that sits 0.04 mm off its axis. Common practice, no source."""

WORST_ENCODER_ERROR_DEG = 0.3
"""What a coupling that was fitted by eye can make of a good encoder. Common practice, no source."""

RETRACE_LINE = "retrace of the gauge"
ENCODER_LINE = "encoder out of round"
"""How a budget names the two."""

# How much of a limit may be once a turn (a disc off its axis) and how much twice (a coupling askew, a disc oval).
# Common practice, no source.
_SHARES = ((1, 1.0), (2, 0.5))


def encoder_u_deg(limit_deg: float, from_deg: float, to_deg: float, *also_to_deg: float) -> float:
    """Standard uncertainty of a turn from what an encoder's limit of error leaves open.

    An error once a turn moves a turn of d degrees by at most ``2 sin(d / 2)`` of its amplitude, a whole turn by
    nothing. Where in the turn the error is largest is unknown; a sine at an unknown place lies within its amplitude
    95 times in 100 (GUM 4.3.5), which is told here as twice the standard uncertainty.

    Parameters
    ----------
    limit_deg : float
        Largest error anywhere in the turn.
    from_deg, to_deg : float
        Crank positions, degrees; where the turn ends midway between several places, all of them.

    Examples
    --------
    >>> round(encoder_u_deg(0.1, 0.0, 180.0), 3)
    0.1
    >>> encoder_u_deg(0.1, 30.0, 30.0), round(encoder_u_deg(0.1, 0.0, 720.0), 9)
    (0.0, 0.0)
    """
    return 0.5 * limit_deg * math.hypot(*encoder_reach(from_deg, to_deg, *also_to_deg))


def encoder_reach(from_deg: float, to_deg: float, *also_to_deg: float) -> tuple[float, float]:
    """By how much of its limit an encoder's error once a turn, and twice a turn, can move a turn.

    Parameters
    ----------
    from_deg, to_deg
        As of `encoder_u_deg`.
    """
    ends = (to_deg, *also_to_deg)

    def at(harmonic: int, deg: float) -> complex:
        return cmath.exp(1j * harmonic * math.radians(deg))

    once, twice = (
        share * abs(sum(at(harmonic, end) for end in ends) / len(ends) - at(harmonic, from_deg))
        for harmonic, share in _SHARES
    )
    return once, twice
