"""What a gauge reading is worth: the parts of its variance, and weights that a wild reading cannot move."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.streams import Floats

ROOT_12 = float(np.sqrt(12.0))
_SAMPLE = 100_000


def smallest_step(values: Floats) -> float:
    """Find the step in which readings are given.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Finite readings, any unit.

    Returns
    -------
    float
        The smallest difference that occurs between two different readings, in the unit of `values`; 0 when
        all are equal. Too large rather than too small when the readings skip steps.

    Examples
    --------
    >>> import numpy as np
    >>> round(smallest_step(np.array([1.00, 1.03, 1.02, 1.00])), 6)
    0.01
    """
    stride = max(1, len(values) // _SAMPLE)
    unique = np.unique(values[::stride])
    differences = np.diff(unique)
    floor = 1e-7 * max(1.0, float(np.ptp(unique))) if len(unique) else 0.0
    differences = differences[differences > floor]
    if not len(differences):
        return 0.0
    least = float(differences.min())
    return float(np.median(differences[differences < 1.5 * least]))


@dataclass(frozen=True, slots=True)
class NoiseModel:
    """Variance of one gauge reading, from what causes it.

    Attributes
    ----------
    step_mm
        Display step; contributes step / sqrt(12) (GUM F.2.2.1).
    jitter_s
        Standard deviation of the reading's delay; contributes jitter times the plunger's rate.
    extra_mm
        What the residuals show beyond the known parts.
    """

    step_mm: float
    jitter_s: float = 0.0
    extra_mm: float = 0.0

    def variance_mm2(self, rate_mm_s: Floats, crank_mm: Floats) -> Floats:
        """Variance of each reading, mm².

        Parameters
        ----------
        rate_mm_s : ndarray, shape (m,)
            How fast the plunger moves when the reading is taken.
        crank_mm : ndarray, shape (m,)
            Standard uncertainty of the crank angle times the slope of the curve there.
        """
        fixed = self.step_mm**2 / 12.0 + self.extra_mm**2
        known: Floats = fixed + (self.jitter_s * rate_mm_s) ** 2 + crank_mm**2
        return known

    def refitted(
        self, residual_mm: Floats, freedom_share: float, rate_mm_s: Floats, crank_mm: Floats
    ) -> NoiseModel:
        """Estimate jitter and extra again from residuals (variance components, robust).

        Parameters
        ----------
        residual_mm : ndarray, shape (m,)
            Residuals of the present fit.
        freedom_share : float
            (m - fitted parameters) / m: residuals are smaller than errors by this share in variance.
        rate_mm_s, crank_mm
            As in `variance_mm2`.
        """
        base = self.step_mm**2 / 12.0 + crank_mm**2
        squares = residual_mm**2 / max(freedom_share, 0.05)
        design = np.column_stack([np.ones_like(rate_mm_s), rate_mm_s**2])
        model = self
        for _ in range(3):
            variance = model.variance_mm2(rate_mm_s, crank_mm)
            clipped = (
                np.minimum(squares, 9.0 * variance + 1e-300) if model.jitter_s or model.extra_mm else squares
            )
            model = _components(design, clipped - base, variance, self.step_mm)
        return model


def _components(design: Floats, excess: Floats, variance: Floats, step_mm: float) -> NoiseModel:
    """Non-negative weighted least squares of the excess variance on [1, rate²]."""
    weight = 1.0 / np.maximum(variance, 1e-12) ** 2
    normal = (design * weight[:, None]).T @ design
    right = (design * weight[:, None]).T @ excess
    both = np.linalg.lstsq(normal, right, rcond=1e-12)[0]
    if both.min() < 0.0:
        alone = np.maximum(right / np.maximum(np.diag(normal), 1e-300), 0.0)
        gains = alone**2 * np.diag(normal)
        both = np.where(np.arange(2) == int(np.argmax(gains)), alone, 0.0)
    extra, jitter = np.sqrt(np.maximum(both, 0.0))
    return NoiseModel(step_mm, float(jitter), float(extra))


def robust_weights(residual_mm: Floats, sd_mm: Floats, freedom: float = 6.0) -> Floats:
    """Weights of Student's t: near 1 for ordinary residuals, falling as 1/r² for wild ones.

    Parameters
    ----------
    residual_mm, sd_mm : ndarray, shape (m,)
        Residuals and their standard deviations.
    freedom : float
        Degrees of freedom of the assumed distribution; smaller is more forgiving.
    """
    ratio = residual_mm / np.maximum(sd_mm, 1e-12)
    weights: Floats = (freedom + 1.0) / (freedom + ratio**2)
    return np.minimum(weights, 1.0)
