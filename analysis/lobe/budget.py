"""What each cause adds to the uncertainty of a lobe centre (GUM, JCGM 100:2008, clause 5 and 8)."""

from __future__ import annotations

import numpy as np

from analysis.base import Contribution, Floats, GaugeFacts, LobeSettings
from analysis.curve import LobeFit
from analysis.lobe.passes import PassFit, between_passes_u_deg
from analysis.lobe.shape import LobeShape, Reading

_ROOT_3 = float(np.sqrt(3.0))
_LEVEL_STEP_MM = 0.05


def budget_of(
    fit: LobeFit,
    shape: LobeShape,
    centre: Reading,
    *,
    settings: LobeSettings,
    gauge: GaugeFacts,
    passes: tuple[PassFit, ...],
    unsettled_deg: float = 0.0,
) -> tuple[Contribution, ...]:
    """Itemise the standard uncertainty of a centre; the root of the sum of squares is the whole."""
    lag_u = abs(float(centre.gradient @ fit.covariance[-1])) / fit.lag_u_s
    whole = centre.u(fit.covariance)
    fit_u2 = max(whole**2 - lag_u**2, 0.0)
    parts = _noise_parts(fit, centre)
    smoothing = max(fit_u2 - sum(part**2 for part in parts.values()), 0.0)
    lines = {
        **parts,
        "smoothing of the curve": float(np.sqrt(smoothing)),
        "lag": lag_u,
        "gauge error": _gauge_error_u(shape, settings.drop_mm, gauge),
        "true TDC": settings.tdc_u_deg,
        "pass to pass": between_passes_u_deg(passes),
        "not settled yet": unsettled_deg,
    }
    return tuple(Contribution(source, u) for source, u in lines.items() if u > 0.0)


def _noise_parts(fit: LobeFit, centre: Reading) -> dict[str, float]:
    """How far each kind of reading noise moves the centre, the lag held."""
    lag_column = fit.covariance[-1] / fit.covariance[-1, -1]
    held = fit.covariance - np.outer(lag_column, fit.covariance[-1])
    pull = held @ centre.gradient
    placed = fit.placed
    moved = fit.basis.curve(pull[: fit.basis.size], placed.spots)[0]
    if fit.base_mm is not None:
        moved = moved + pull[fit.basis.size]
    share = fit.weight * moved
    whole = np.sum(share**2 / np.maximum(fit.weight, 1e-30))
    raw = np.sum(share**2 * fit.variance_mm2)
    stretch = float(whole / raw) if raw > 0.0 else 1.0

    def part(variance: Floats | float) -> float:
        return float(np.sqrt(stretch * np.sum(share**2 * variance)))

    return {
        "gauge step": part(fit.noise.step_mm**2 / 12.0),
        "jitter of the lag": part((fit.noise.jitter_s * placed.rate_mm_s) ** 2),
        "encoder count": part(placed.crank_mm**2),
        "other scatter of the readings": part(fit.noise.extra_mm**2),
    }


def _gauge_error_u(shape: LobeShape, drop_mm: float, gauge: GaugeFacts) -> float:
    """What the stated error, alike on both readings of a pair, does through the centre's slope with lift."""
    if not gauge.error_mm:
        return 0.0
    low, high = shape.centre_at_drop(drop_mm - _LEVEL_STEP_MM), shape.centre_at_drop(drop_mm + _LEVEL_STEP_MM)
    if low is None or high is None:
        return 0.0
    return abs(high.value - low.value) / (2.0 * _LEVEL_STEP_MM) * gauge.error_mm / _ROOT_3
