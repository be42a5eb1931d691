"""Passes compared, and before compared with after: does a difference mean anything?

A spread of passes tells how a bench repeats; a difference between two measurements means something when it is
larger than their uncertainties make by chance (Welch's test, effective freedom by Welch and Satterthwaite, as
in GUM G.4.1).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from scipy.special import stdtr, stdtrit

from analysis.base import Pass
from analysis.timing.angles import later_or_earlier
from analysis.timing.engine import CYCLE_DEG

_LEVEL = 0.95
_MOST_SHARED = 0.95


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


Call = Literal["means something", "within what can be told"]


@dataclass(frozen=True, slots=True)
class Difference:
    """After less before.

    Attributes
    ----------
    by_deg, u95_deg : float
        The difference, the short way round, later positive, and its expanded uncertainty.
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

    @property
    def call(self) -> Call:
        """Whether the difference means anything, in words."""
        return "means something" if self.real else "within what can be told"


def spread_of(passes: Sequence[Pass], cycle_deg: float = CYCLE_DEG) -> Spread | None:
    """Compare the passes of one measurement.

    Parameters
    ----------
    passes : sequence of Pass
        Those without a centre of their own, or not used, are left out.
    cycle_deg : float
        360 for true TDC, 720 for a lobe.

    Returns
    -------
    Spread or None
        `None` with fewer than two passes to compare.
    """
    alone = [(p.centre_deg, p.u_deg) for p in passes if p.used and p.centre_deg is not None and p.u_deg]
    if len(alone) < 2:
        return None
    first = alone[0][0]
    off = [_wrapped(centre - first, cycle_deg) for centre, _ in alone]
    mean = math.fsum(off) / len(off)
    sd = math.sqrt(math.fsum((one - mean) ** 2 for one in off) / (len(off) - 1))
    expected = math.sqrt(math.fsum(u**2 for _, u in alone) / len(alone))
    wide = max(off) - min(off)
    more = " That is more than the readings explain: look for play." if sd > 2.0 * expected else ""
    sentence = f"{len(alone)} passes agree within {_small(wide)}; one pass scatters by {_small(sd)}.{more}"
    return Spread(len(alone), (first + mean) % cycle_deg, wide, sd, expected, sentence)


def compare(
    before_deg: float,
    before_u95_deg: float,
    after_deg: float,
    after_u95_deg: float,
    *,
    before_freedom: float = 50.0,
    after_freedom: float = 50.0,
    shared_u_deg: float = 0.0,
    cycle_deg: float = CYCLE_DEG,
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
    shared_u_deg : float
        Standard uncertainty of what is in both alike, such as the true TDC that both are told from: it moves both
        one way and drops out of the difference.
    cycle_deg : float
        360 for true TDC, 720 for a lobe.

    Raises
    ------
    ValueError
        Where an uncertainty or a freedom is not positive.

    Examples
    --------
    >>> compare(108.0, 0.2, 108.1, 0.2).call
    'within what can be told'
    >>> compare(118.0, 0.2, 108.0, 0.2).call
    'means something'
    """
    if min(before_u95_deg, after_u95_deg, before_freedom, after_freedom) <= 0.0:
        raise ValueError("uncertainties and degrees of freedom have to be positive")
    first, second = ((0.5 * u95) ** 2 for u95 in (before_u95_deg, after_u95_deg))
    shared = min(shared_u_deg**2, _MOST_SHARED * min(first, second))
    first, second = first - shared, second - shared
    u = math.sqrt(first + second)
    freedom = (first + second) ** 2 / (first**2 / before_freedom + second**2 / after_freedom)
    by = _wrapped(after_deg - before_deg, cycle_deg)
    chance = float(2.0 * stdtr(freedom, -abs(by) / u))
    real = chance < 1.0 - _LEVEL
    expanded = float(stdtrit(freedom, 0.5 * (1.0 + _LEVEL))) * u
    return Difference(by, expanded, chance, real, _sentence(by, expanded, real))


def _sentence(by_deg: float, u95_deg: float, real: bool) -> str:
    told = f"It stands {abs(by_deg):.2f}° ± {u95_deg:.2f}° {later_or_earlier(by_deg)} than before"
    return f"{told}: that means something." if real else f"{told}: within what can be told."


def _small(deg: float) -> str:
    """An angle with a digit more where two would show next to nothing of it."""
    return f"{deg:.2f}°" if deg >= 0.1 else f"{deg:.3f}°"


def _wrapped(deg: float, cycle_deg: float) -> float:
    return (deg + 0.5 * cycle_deg) % cycle_deg - 0.5 * cycle_deg
