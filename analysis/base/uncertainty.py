"""The arithmetic of an uncertainty budget: combined, effective freedom, expanded (GUM, JCGM 100:2008).

Pure, and of no measurement in particular. A budget is made of `Component`, each one source with what it adds to
the result as a standard uncertainty (sensitivity times standard uncertainty of the source, in the unit of the
result) and the degrees of freedom with which that is known. True TDC's budget is made in `piston_budget`. A lobe's
budget uses the same three steps: one component a source (gauge step, lag, encoder count, true TDC and so on, in
crank degrees), ``expand(components)``, and `Expanded.expanded` is told as ``u95_deg``::

    told = expand([Component("lag", 0.03), Component("pass to pass", 0.02, freedom=4)])
    u95_deg = told.expanded
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from scipy.special import ndtri, stdtrit

TWO_SIGMA = 0.9545
"""Level of confidence at which the coverage factor of a well-known budget is 2 (GUM, table G.2)."""


@dataclass(frozen=True, slots=True)
class Component:
    """One source: what it adds to the result as a standard uncertainty, and how well that is known.

    Attributes
    ----------
    source : str
        Its name, for people.
    u : float
        Standard uncertainty in the result from this source alone, in the unit of the result.
    freedom : float
        Degrees of freedom; infinite for what is stated or known beforehand (type B), observations less
        parameters for what was found from scatter (type A).
    """

    source: str
    u: float
    freedom: float = math.inf


@dataclass(frozen=True, slots=True)
class Expanded:
    """The sum of a budget.

    Attributes
    ----------
    u : float
        Combined standard uncertainty.
    freedom : float
        Effective degrees of freedom.
    coverage_factor : float
        2 where the freedom is large, more where it is small.
    """

    u: float
    freedom: float
    coverage_factor: float

    @property
    def expanded(self) -> float:
        """Expanded uncertainty: coverage factor times combined standard uncertainty."""
        return self.coverage_factor * self.u


def limit_u(limit: float) -> float:
    """Standard uncertainty from a stated limit of error, nothing else being known (GUM, 4.3.7)."""
    return limit / math.sqrt(3.0)


def combined_u(components: Iterable[Component]) -> float:
    """Combined standard uncertainty of independent sources (GUM, 5.1.2).

    Examples
    --------
    >>> combined_u([Component("a", 3.0), Component("b", 4.0)])
    5.0
    """
    return math.sqrt(math.fsum(part.u**2 for part in components))


def effective_freedom(components: Iterable[Component]) -> float:
    """Effective degrees of freedom (Welch and Satterthwaite; GUM, G.4.1, equation G.2b).

    Raises
    ------
    ValueError
        When the freedom of a component that adds anything is not positive.

    Examples
    --------
    >>> round(effective_freedom([Component("scatter of two readings", 1.0, 1.0), Component("stated", 1.0)]), 6)
    4.0
    """
    parts = [part for part in components if part.u != 0.0]
    if any(not part.freedom > 0.0 for part in parts):
        raise ValueError("a component that adds to the uncertainty needs a positive freedom")
    lost = math.fsum(part.u**4 / part.freedom for part in parts)
    return combined_u(parts) ** 4 / lost if lost > 0.0 else math.inf


def coverage_factor(freedom: float, confidence: float = TWO_SIGMA) -> float:
    """Coverage factor for a level of confidence: Student's t (GUM, G.3.2), freedom cut to a whole number.

    Examples
    --------
    >>> round(coverage_factor(math.inf), 2), round(coverage_factor(10.7), 2)
    (2.0, 2.28)
    """
    share = 0.5 + 0.5 * confidence
    return float(ndtri(share) if math.isinf(freedom) else stdtrit(max(math.floor(freedom), 1), share))


def expand(components: Iterable[Component], confidence: float = TWO_SIGMA) -> Expanded:
    """Combine a budget and expand it (GUM, G.6.4)."""
    parts = tuple(components)
    freedom = effective_freedom(parts)
    return Expanded(combined_u(parts), freedom, coverage_factor(freedom, confidence))
