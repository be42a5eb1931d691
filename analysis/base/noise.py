"""What a gauge reading is worth: the parts of its variance, and weights that a wild reading cannot move."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from analysis.base.streams import Floats

_SAMPLE = 100_000
_RUNS = 20
_ORDINARY = 3.0
# What the gauge showed before counts as so many readings: that of another day is not quite that of today.
_KNOWN_COUNT = 12.0


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
    unique = np.unique(_in_runs(values))
    differences = np.diff(unique)
    floor = 1e-7 * max(1.0, float(np.ptp(unique))) if len(unique) else 0.0
    differences = differences[differences > floor]
    if not len(differences):
        return 0.0
    least = float(differences.min())
    return float(np.median(differences[differences < 1.5 * least]))


def _in_runs(values: Floats) -> Floats:
    """Enough of many readings, in runs of neighbours: every second line of a counter steps by two counts."""
    if len(values) <= _SAMPLE:
        return values
    run = _SAMPLE // _RUNS
    first = np.linspace(0, len(values) - run, _RUNS).astype(np.intp)
    return np.asarray(values[(first[:, None] + np.arange(run)).ravel()])


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
    known_jitter_s
        The gauge's jitter as found before, if it was: of few readings chance makes too little of it at times.
    """

    step_mm: float
    jitter_s: float = 0.0
    extra_mm: float = 0.0
    known_jitter_s: float | None = None

    def variance_mm2(self, rate_mm_s: Floats, known_mm: Floats) -> Floats:
        """Variance of each reading, mm².

        Parameters
        ----------
        rate_mm_s : ndarray, shape (m,)
            How fast the plunger moves when the reading is taken.
        known_mm : ndarray, shape (m,)
            Standard uncertainty known otherwise, such as that of the crank angle times the slope of the curve.
        """
        fixed = self.step_mm**2 / 12.0 + self.extra_mm**2
        variance: Floats = fixed + (self.jitter_s * rate_mm_s) ** 2 + known_mm**2
        return variance

    def refitted(
        self, residual_mm: Floats, freedom_share: float, rate_mm_s: Floats, known_mm: Floats
    ) -> NoiseModel:
        """Estimate jitter and extra again from residuals (variance components by scoring, robust).

        Parameters
        ----------
        residual_mm : ndarray, shape (m,)
            Residuals of the present fit.
        freedom_share : float
            Share of the residuals' freedom that the fit has left: (m - fitted parameters) / m.
        rate_mm_s, known_mm
            As in `variance_mm2`.
        """
        squares = residual_mm**2 / max(freedom_share, 0.05)
        model = self
        for _ in range(3):
            variance = model.variance_mm2(rate_mm_s, known_mm)
            excess = np.minimum(squares, 16.0 * variance) - self.step_mm**2 / 12.0 - known_mm**2
            model = _components(rate_mm_s**2, excess, 1.0 / variance**2, self.step_mm)
        found_s = self._no_less_than_known(model.jitter_s, freedom_share * len(residual_mm))
        return replace(model, jitter_s=found_s, known_jitter_s=self.known_jitter_s)

    def _no_less_than_known(self, found_s: float, freedom: float) -> float:
        if self.known_jitter_s is None:
            return found_s
        both2 = freedom * found_s**2 + _KNOWN_COUNT * self.known_jitter_s**2
        return max(found_s, float(np.sqrt(both2 / (freedom + _KNOWN_COUNT))))


def _components(rate2: Floats, excess: Floats, weight: Floats, step_mm: float) -> NoiseModel:
    """Non-negative weighted least squares of the excess variance on [1, rate²]."""
    ones, cross, squares = float(weight.sum()), float(weight @ rate2), float(weight @ rate2**2)
    level, tilt = float(weight @ excess), float((weight * rate2) @ excess)
    determinant = ones * squares - cross**2
    if determinant > 1e-9 * ones * squares:
        extra, jitter = (
            (squares * level - cross * tilt) / determinant,
            (ones * tilt - cross * level) / determinant,
        )
        if extra >= 0.0 and jitter >= 0.0:
            return NoiseModel(step_mm, float(np.sqrt(jitter)), float(np.sqrt(extra)))
    alone_extra, alone_jitter = max(level / ones, 0.0), max(tilt / squares, 0.0) if squares > 0.0 else 0.0
    if alone_jitter**2 * squares >= alone_extra**2 * ones:
        return NoiseModel(step_mm, float(np.sqrt(alone_jitter)), 0.0)
    return NoiseModel(step_mm, 0.0, float(np.sqrt(alone_extra)))


def robust_weights(residual_mm: Floats, sd_mm: Floats) -> Floats:
    """Weights of 1 for ordinary residuals, falling with the square beyond three standard deviations.

    Costs nothing where the noise is as supposed, and takes the sting out of the odd wild reading.

    Parameters
    ----------
    residual_mm, sd_mm : ndarray, shape (m,)
        Residuals and their standard deviations.
    """
    ratio = np.abs(residual_mm) / np.maximum(sd_mm, 1e-12)
    weights: Floats = np.minimum(1.0, (_ORDINARY / np.maximum(ratio, _ORDINARY)) ** 2)
    return weights


def crowding(moved_mm: Floats, step_mm: float) -> Floats:
    """How many readings share one step of the gauge, and with it one rounding error.

    Parameters
    ----------
    moved_mm : ndarray, shape (m - 1,)
        How far the plunger moved from each reading to the next (by the fitted curve; a sign does not matter).

    Returns
    -------
    ndarray, shape (m,)
        At least 1. A hundred readings of a still crank count as one.
    """
    if step_mm <= 0.0:
        return np.ones(len(moved_mm) + 1)
    steps = np.floor(np.concatenate([[0.0], np.cumsum(np.abs(moved_mm))]) / step_mm)
    group = np.cumsum(np.concatenate([[0], np.diff(steps) > 0.0]))
    sharing: Floats = np.bincount(group)[group].astype(np.float64)
    return sharing
