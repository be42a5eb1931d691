"""What is known of a gauge's lag before a measurement, and how several findings are pooled."""

from __future__ import annotations

import math

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
