"""What every estimator stands on: streams, results, refusals, uncertainty, least squares, noise."""

from analysis.base.breaks import Residuals, Suspicion
from analysis.base.errors import AnalysisError, Refusal, Warn
from analysis.base.least_squares import Prior, newton_step, settle, solve_scaled
from analysis.base.limits import (
    ENCODER_LINE,
    RETRACE_LINE,
    USUAL_ENCODER_ERROR_DEG,
    USUAL_GAUGE_ERROR_MM,
    USUAL_RETRACE_MM,
    WORST_ENCODER_ERROR_DEG,
    encoder_reach,
    encoder_u_deg,
)
from analysis.base.noise import NoiseModel, crowding, robust_weights, smallest_step
from analysis.base.results import (
    CentreAtDrop,
    Contribution,
    Curve,
    EqualReadings,
    LiftEvents,
    LobeResult,
    LobeSettings,
    Pass,
    TdcResult,
    TdcSettings,
)
from analysis.base.streams import Floats, GaugeFacts, Streams, changes
from analysis.base.uncertainty import Component, Expanded, expand, limit_u
from analysis.base.words import STRICT, EntryError, from_plain, read_plain, to_plain

__all__ = [
    "ENCODER_LINE",
    "RETRACE_LINE",
    "STRICT",
    "USUAL_ENCODER_ERROR_DEG",
    "USUAL_GAUGE_ERROR_MM",
    "USUAL_RETRACE_MM",
    "WORST_ENCODER_ERROR_DEG",
    "AnalysisError",
    "CentreAtDrop",
    "Component",
    "Contribution",
    "Curve",
    "EntryError",
    "EqualReadings",
    "Expanded",
    "Floats",
    "GaugeFacts",
    "LiftEvents",
    "LobeResult",
    "LobeSettings",
    "NoiseModel",
    "Pass",
    "Prior",
    "Refusal",
    "Residuals",
    "Streams",
    "Suspicion",
    "TdcResult",
    "TdcSettings",
    "Warn",
    "changes",
    "crowding",
    "encoder_reach",
    "encoder_u_deg",
    "expand",
    "from_plain",
    "limit_u",
    "newton_step",
    "read_plain",
    "robust_weights",
    "settle",
    "smallest_step",
    "solve_scaled",
    "to_plain",
]
