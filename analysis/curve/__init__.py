"""A lobe's lift as a smooth periodic function of cam phase, fitted together with the gauge's lag."""

from analysis.curve.basis import SplineBasis
from analysis.curve.crossing import crossed_at
from analysis.curve.fit import TRUSTING_ROUNDS, LobeWork, fit_lobe
from analysis.curve.model import ForwardReadings, LagPrior, LobeFit
from analysis.curve.moments import nearest_clocks, told_beside
from analysis.curve.noise import shared_error, shared_rounding_mm
from analysis.curve.state import FitState, lag_weakly_determined, prior_lag_kept
from analysis.curve.survey import CYCLE_DEG, Survey, survey_lobe

__all__ = [
    "CYCLE_DEG",
    "TRUSTING_ROUNDS",
    "FitState",
    "ForwardReadings",
    "LagPrior",
    "LobeFit",
    "LobeWork",
    "SplineBasis",
    "Survey",
    "crossed_at",
    "fit_lobe",
    "lag_weakly_determined",
    "nearest_clocks",
    "prior_lag_kept",
    "shared_error",
    "shared_rounding_mm",
    "survey_lobe",
    "told_beside",
]
