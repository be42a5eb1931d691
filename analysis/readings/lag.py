"""What is known of a gauge's lag before a measurement, and how several findings are pooled."""

from __future__ import annotations

import math
from collections.abc import Sequence

from analysis.base import GaugeFacts

_LEAST_LAG_S, _MOST_LAG_S = 0.010, 0.150
TYPICAL_LAG_S = 0.5 * (_LEAST_LAG_S + _MOST_LAG_S)
TYPICAL_LAG_U_S = (_MOST_LAG_S - _LEAST_LAG_S) / math.sqrt(12.0)
"""Of a gauge of which nothing is known: anywhere between 10 and 150 ms late, one as likely as another (GUM 4.3.7).

Common practice, no source.
"""

EXACT_LAG_U_S = 0.001


def lag_prior(gauge: GaugeFacts) -> tuple[float, float]:
    """Mean and standard uncertainty of the lag, seconds: as stored, else what digital gauges usually show."""
    if gauge.lag_s is None:
        return TYPICAL_LAG_S, TYPICAL_LAG_U_S
    return gauge.lag_s, max(gauge.lag_u_s if gauge.lag_u_s is not None else EXACT_LAG_U_S, 1e-6)


def pool_lags(lags_s: Sequence[float], u_s: Sequence[float]) -> tuple[float, float]:
    """Weighted mean of several findings of one gauge's lag and its standard uncertainty, seconds.

    When they scatter more than they claim, the uncertainty is widened by the Birge ratio.

    Raises
    ------
    ValueError
        Without any finding, or with one whose uncertainty is not positive.

    Examples
    --------
    >>> pool_lags([0.060, 0.062], [0.002, 0.002])
    (0.061, 0.0014142135623730952)
    """
    if not lags_s or len(lags_s) != len(u_s) or min(u_s) <= 0.0:
        raise ValueError("as many positive uncertainties as lags are needed, and at least one")
    weights = [1.0 / u**2 for u in u_s]
    total = math.fsum(weights)
    mean = math.fsum(w * lag for w, lag in zip(weights, lags_s, strict=True)) / total
    scatter = math.fsum(w * (lag - mean) ** 2 for w, lag in zip(weights, lags_s, strict=True))
    birge = max(1.0, math.sqrt(scatter / (len(lags_s) - 1))) if len(lags_s) > 1 else 1.0
    return mean, birge / math.sqrt(total)
