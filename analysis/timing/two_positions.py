"""An encoder's error once a turn, found by turning its body round on the crank and measuring again.

A disc off its axis makes one angle between two places of the crank too large; with the encoder turned by half a turn
it makes the same angle too small by as much. The mean is free of it, and half the difference is what it was.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from analysis.base import ENCODER_LINE, RETRACE_LINE, Contribution, Refusal, encoder_reach

_SET_BY_EYE_DEG = 10.0
_LEAST_TURNED_DEG, _MOST_TURNED_DEG = 120.0, 240.0
# Of a budget, what the same gauge on the same lobe does alike both times, however the encoder stands.
_ALIKE = frozenset({"lag", RETRACE_LINE, "gauge error"})
# A disc of 50 mm that sits 0.2 mm off its axis; what is out by more was moved. Common practice, no source.
_MOST_OF_ANY_ENCODER_DEG = 0.5


@dataclass(frozen=True, slots=True)
class FromTdc:
    """A lobe as measured from true TDC, crank degrees.

    `u_deg` is the standard uncertainty without the encoder's line and without `shared_u_deg`, which is what the gauge
    does alike before and after: its lag, its retrace, its error.
    """

    centre_deg: float
    u_deg: float
    shared_u_deg: float = 0.0

    @classmethod
    def of(cls, centre_deg: float, u95_deg: float, budget: Iterable[Contribution]) -> FromTdc:
        """Take a lobe's interval apart by its budget."""
        lines = list(budget)
        shared = math.fsum(line.u_deg**2 for line in lines if line.source in _ALIKE)
        encoder = math.fsum(line.u_deg**2 for line in lines if line.source == ENCODER_LINE)
        own = (0.5 * u95_deg) ** 2 - shared - encoder
        return cls(centre_deg, math.sqrt(max(own, 0.0)), math.sqrt(shared))


@dataclass(frozen=True, slots=True)
class EncoderTurned:
    """The lobe with the encoder's error once a turn taken out.

    Attributes
    ----------
    centre_deg, u95_deg : float
        From true TDC, and its expanded uncertainty.
    odd_deg, odd_u95_deg : float
        What the encoder added to the first measurement, and its expanded uncertainty.
    limit_deg : float
        The encoder's limit of error over its turn that was counted on.
    beyond_limit : bool
        Whether the encoder is out by more than that limit allows.
    """

    centre_deg: float
    u95_deg: float
    odd_deg: float
    odd_u95_deg: float
    limit_deg: float
    beyond_limit: bool = False

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
        told = f"The encoder showed this angle {found} too {way}: it sits off its axis; that is taken out."
        if not self.beyond_limit:
            return told
        return f"{told} Its limit of {self.limit_deg:g} allows for less: make sure that the cam was not moved in between."


def turned_between(before_tdc_deg: float, after_tdc_deg: float) -> float:
    """By how much an encoder was turned on the crank, as true TDC before and after tells where it went on counting.

    Raises
    ------
    Refusal
        `encoder_not_turned`: by less than 120 or more than 240 degrees, where too little of its error cancels.

    Examples
    --------
    >>> turned_between(30.0, 215.0)
    185.0
    """
    turned = (after_tdc_deg - before_tdc_deg) % 360.0
    if _LEAST_TURNED_DEG <= turned <= _MOST_TURNED_DEG:
        return turned
    raise Refusal(
        "encoder_not_turned",
        f"By the two true TDCs the encoder was turned by {min(turned, 360.0 - turned):.0f} degrees on the crank: turn its "
        "body, or its coupling, by about half a turn, 120 to 240 degrees, then measure TDC and the lobe again; if it was "
        "started anew in between, say by how much it was turned.",
    )


def encoder_turned(
    first: FromTdc,
    second: FromTdc,
    *,
    limit_deg: float,
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
    turned_deg, turned_u_deg : float
        By how much the body was turned, about half a turn, and how well that is known.

    Raises
    ------
    Refusal
        `encoder_not_turned`: by less than 120 or more than 240 degrees; `not_the_same_lobe`: the two differ by more than
        an encoder can make of one lobe.

    Examples
    --------
    >>> found = encoder_turned(FromTdc(110.3, 0.01), FromTdc(109.9, 0.01), limit_deg=0.3)
    >>> round(found.centre_deg, 3), round(found.odd_deg, 3)
    (110.1, 0.2)
    """
    turned_deg = turned_between(0.0, turned_deg)
    # Which of the two TDCs of a cycle each is told from, an encoder's error once a turn does not mind.
    apart = math.remainder(second.centre_deg - first.centre_deg, 360.0)
    centre, odd = (first.centre_deg + 0.5 * apart) % 720.0, -0.5 * apart
    readings_u = 0.5 * math.hypot(first.u_deg, second.u_deg)
    once, twice = encoder_reach(0.0, centre)
    if abs(odd) > max(once, 0.5) * _MOST_OF_ANY_ENCODER_DEG + 3.0 * readings_u:
        raise Refusal(
            "not_the_same_lobe",
            f"The two differ by {abs(apart):.1f} degrees, more than an encoder makes of one lobe: the cam was moved in "
            "between, or it is another lobe. Measure both again with nothing moved but the encoder.",
        )
    amplitude = max(limit_deg, (abs(odd) - 2.0 * readings_u) / once if once > 0.0 else 0.0)
    # Of an error that moves the angle by so much, turning by half a turn and some more leaves the sine of half of that.
    left = math.sin(math.radians(0.5 * math.hypot(turned_deg - 180.0, 2.0 * turned_u_deg)))
    encoder_u = 0.5 * math.hypot(amplitude * once * left, limit_deg * twice)
    shared_u = max(first.shared_u_deg, second.shared_u_deg)
    return EncoderTurned(
        centre_deg=centre,
        u95_deg=2.0 * math.sqrt(readings_u**2 + shared_u**2 + encoder_u**2),
        odd_deg=odd,
        odd_u95_deg=2.0 * math.hypot(readings_u, 0.5 * amplitude * once * left),
        limit_deg=limit_deg,
        beyond_limit=amplitude > limit_deg,
    )
