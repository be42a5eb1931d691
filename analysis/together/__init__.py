"""Several gauges in the same turns: one crank, one lag model, all centres at once."""

from analysis.together.budget import Centre, angle_between, net_lag_u, with_lag
from analysis.together.find import (
    USUAL_UNLIKE_S,
    GaugeOn,
    LobeFromTdc,
    TogetherResult,
    TogetherSettings,
    find_together,
)

__all__ = [
    "USUAL_UNLIKE_S",
    "Centre",
    "GaugeOn",
    "LobeFromTdc",
    "TogetherResult",
    "TogetherSettings",
    "angle_between",
    "find_together",
    "net_lag_u",
    "with_lag",
]
