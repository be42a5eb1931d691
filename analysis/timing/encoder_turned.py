"""An encoder's error once a turn, found by turning its body round on the crank and measuring again.

A disc off its axis makes one angle between two places of the crank too large; with the encoder turned by half a turn
it makes the same angle too small by as much. The mean is free of it, and half the difference is what it was.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from analysis.base import encoder_reach

_SET_BY_EYE_DEG = 10.0


@dataclass(frozen=True, slots=True)
class FromTdc:
    """A lobe as measured from true TDC, crank degrees.

    `u_deg` is the standard uncertainty without the encoder's line and without what both measurements share.
    """

    centre_deg: float
    u_deg: float


@dataclass(frozen=True, slots=True)
class EncoderTurned:
    """The lobe with the encoder's error once a turn taken out.

    Attributes
    ----------
    centre_deg, u95_deg : float
        From true TDC, and its expanded uncertainty.
    odd_deg, odd_u95_deg : float
        What the encoder added to the first measurement, and its expanded uncertainty.
    """

    centre_deg: float
    u95_deg: float
    odd_deg: float
    odd_u95_deg: float

    @property
    def seen(self) -> bool:
        """Whether the encoder is out by more than the readings explain."""
        return abs(self.odd_deg) > self.odd_u95_deg

    @property
    def sentence(self) -> str:
        """What was found, in one sentence."""
        found = f"{abs(self.odd_deg):.2f} ± {self.odd_u95_deg:.2f} degrees"
        if not self.seen:
            return f"The encoder adds nothing to this angle that the readings can tell ({found})."
        way = "much" if self.odd_deg > 0.0 else "little"
        return f"The encoder showed this angle {found} too {way}: it sits off its axis; that is taken out."


def encoder_turned(
    first: FromTdc,
    second: FromTdc,
    *,
    limit_deg: float,
    shared_u_deg: float = 0.0,
    turned_deg: float = 180.0,
    turned_u_deg: float = _SET_BY_EYE_DEG,
) -> EncoderTurned:
    """Take the encoder's error once a turn out of the angle from true TDC to a lobe.

    Parameters
    ----------
    first, second : FromTdc
        The same lobe before and after the encoder's body was turned on the crank.
    limit_deg : float
        The encoder's limit of error over its turn.
    shared_u_deg : float
        Standard uncertainty that both have in common, such as of the gauge's lag and its retrace.
    turned_deg, turned_u_deg : float
        By how much the body was turned, about half a turn, and how well that is known.

    Raises
    ------
    ValueError
        Where it was turned by less than 120 or more than 240 degrees: then too little cancels.

    Examples
    --------
    >>> found = encoder_turned(FromTdc(110.3, 0.01), FromTdc(109.9, 0.01), limit_deg=0.3)
    >>> round(found.centre_deg, 3), round(found.odd_deg, 3)
    (110.1, 0.2)
    """
    off_half_deg = abs(math.remainder(turned_deg - 180.0, 360.0))
    if off_half_deg > 60.0:
        raise ValueError("the encoder has to be turned by about half a turn, 120 to 240 degrees")
    apart = math.remainder(second.centre_deg - first.centre_deg, 720.0)
    centre, odd = (first.centre_deg + 0.5 * apart) % 720.0, -0.5 * apart
    readings_u = 0.5 * math.hypot(first.u_deg, second.u_deg)
    once, twice = encoder_reach(0.0, centre)
    # Of an error that moves the angle by so much, turning by half a turn and some more leaves the sine of half of that.
    left = math.sin(math.radians(0.5 * math.hypot(off_half_deg, 2.0 * turned_u_deg)))
    encoder_u = 0.5 * limit_deg * math.hypot(once * left, twice)
    u95 = 2.0 * math.sqrt(readings_u**2 + shared_u_deg**2 + encoder_u**2)
    return EncoderTurned(centre, u95, odd, 2.0 * math.hypot(readings_u, 0.5 * limit_deg * once * left))
