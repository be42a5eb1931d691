"""Passes compared, and before compared with after: does a difference mean anything?

A spread of passes tells how a bench repeats; a difference between two measurements means something when it is
larger than their uncertainties make by chance (Welch's test, effective freedom by Welch and Satterthwaite, as
in GUM G.4.1).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from scipy.stats import t as student

from analysis.results import Pass

_LEVEL = 0.95
_CYCLE_DEG = 720.0


@dataclass(frozen=True, slots=True)
class Spread:
    """How passes of one measurement agree.

    Attributes
    ----------
    count : int
        Passes that could stand alone.
    mean_deg, range_deg, sd_deg : float
        Mean, largest less smallest, and standard deviation of one pass.
    expected_sd_deg : float
        What their own uncertainties lead one to expect.
    sentence : str
        For the builder.
    """

    count: int
    mean_deg: float
    range_deg: float
    sd_deg: float
    expected_sd_deg: float
    sentence: str


@dataclass(frozen=True, slots=True)
class Difference:
    """After less before.

    Attributes
    ----------
    by_deg, u95_deg : float
        The difference, wrapped to -360..360, and its expanded uncertainty.
    chance : float
        Probability that a difference as large arises where there is none.
    real : bool
        Whether that is less than 5 %.
    sentence : str
        For the builder.
    """

    by_deg: float
    u95_deg: float
    chance: float
    real: bool
    sentence: str


def spread_of(passes: Sequence[Pass]) -> Spread | None:
    """Compare the passes of one measurement.

    Parameters
    ----------
    passes : sequence of Pass
        Those without a centre of their own, or not used, are left out.

    Returns
    -------
    Spread or None
        `None` with fewer than two passes to compare.
    """
    alone = [(p.centre_deg, p.u_deg) for p in passes if p.used and p.centre_deg is not None and p.u_deg]
    if len(alone) < 2:
        return None
    first = alone[0][0]
    off = [_wrapped(centre - first) for centre, _ in alone]
    mean = math.fsum(off) / len(off)
    sd = math.sqrt(math.fsum((one - mean) ** 2 for one in off) / (len(off) - 1))
    expected = math.sqrt(math.fsum(u**2 for _, u in alone) / len(alone))
    wide = max(off) - min(off)
    more = " That is more than the readings explain: look for play." if sd > 2.0 * expected else ""
    sentence = f"{len(alone)} passes agree within {wide:.2f} degrees (one pass scatters by {sd:.2f}).{more}"
    return Spread(len(alone), (first + mean) % _CYCLE_DEG, wide, sd, expected, sentence)


def compare(
    before_deg: float,
    before_u95_deg: float,
    after_deg: float,
    after_u95_deg: float,
    *,
    before_freedom: float = 50.0,
    after_freedom: float = 50.0,
) -> Difference:
    """Compare a measurement with an earlier one of the same thing.

    Parameters
    ----------
    before_deg, after_deg : float
        The two numbers, crank degrees.
    before_u95_deg, after_u95_deg : float
        Their expanded uncertainties, k = 2.
    before_freedom, after_freedom : float
        Degrees of freedom of the two uncertainties.

    Raises
    ------
    ValueError
        Where an uncertainty or a freedom is not positive.

    Examples
    --------
    >>> compare(108.0, 0.2, 108.1, 0.2).real
    False
    >>> compare(118.0, 0.2, 108.0, 0.2).real
    True
    """
    if min(before_u95_deg, after_u95_deg, before_freedom, after_freedom) <= 0.0:
        raise ValueError("uncertainties and degrees of freedom have to be positive")
    first, second = (before_u95_deg / 2.0) ** 2, (after_u95_deg / 2.0) ** 2
    u = math.sqrt(first + second)
    freedom = (first + second) ** 2 / (first**2 / before_freedom + second**2 / after_freedom)
    by = _wrapped(after_deg - before_deg)
    chance = float(2.0 * student.sf(abs(by) / u, freedom))
    real = chance < 1.0 - _LEVEL
    expanded = float(student.ppf(0.5 * (1.0 + _LEVEL), freedom)) * u
    return Difference(by, expanded, chance, real, _sentence(by, expanded, real))


def _sentence(by_deg: float, u95_deg: float, real: bool) -> str:
    way = "later" if by_deg > 0.0 else "earlier"
    told = f"{abs(by_deg):.2f} degrees {way} than before, give or take {u95_deg:.2f}"
    if real:
        return f"It stands {told}: it has moved."
    return f"It stands {told}: no more than two measurements of the same may differ."


def _wrapped(deg: float) -> float:
    return (deg + 0.5 * _CYCLE_DEG) % _CYCLE_DEG - 0.5 * _CYCLE_DEG
