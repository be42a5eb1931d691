"""What a lobe's fit knows between two rounds, whether it has settled, and whether its lag is to be believed."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from analysis.base import Floats, NoiseModel
from analysis.curve.model import LagPrior

_UNKNOWN_LAG_U_S, _BELIEVED_LAG_U_S = 0.02, 0.0025


@dataclass(frozen=True, slots=True)
class FitState:
    """The unknowns between two rounds; `weight` is what each reading had in the last, `moved_s` the lag's last step."""

    coefficients: Floats
    base: float
    lag_s: float
    noise: NoiseModel
    bending: Floats
    roughness: Floats
    covariance: Floats
    weight: Floats = field(default_factory=lambda: np.zeros(0))
    moved_s: float = 0.0
    pace: float = 1.0

    @property
    def lag_u_s(self) -> float:
        """Standard uncertainty of the lag."""
        return float(np.sqrt(self.covariance[-1, -1]))


@dataclass(frozen=True, slots=True)
class Stillness:
    """How little may move from one round to the next: of the lag's uncertainty, and of the bending's logarithm."""

    share: float
    log: float

    def reached(self, before: FitState, after: FitState) -> bool:
        """Whether no more moved from one state to the next."""
        moved = abs(after.lag_s - before.lag_s)
        bent = float(np.max(np.abs(np.log(after.bending / before.bending))))
        return moved < self.share * after.lag_u_s and bent < self.log


ROUGHLY, WELL = Stillness(0.3, 0.6), Stillness(0.03, 0.1)


def lag_weakly_determined(state: FitState, prior: LagPrior) -> bool:
    """Whether a lag that was not known before is told too loosely to be believed at once."""
    return prior.u_s > _UNKNOWN_LAG_U_S and state.lag_u_s > _BELIEVED_LAG_U_S


def prior_lag_kept(state: FitState, prior: LagPrior) -> FitState:
    """The same state with a lag that is as unknown as it was before the fit, wherever that has moved it."""
    along = state.covariance[:, -1] / state.lag_u_s**2
    more = prior.u_s**2 + (state.lag_s - prior.lag_s) ** 2 - state.lag_u_s**2
    return replace(state, covariance=state.covariance + max(more, 0.0) * np.outer(along, along))


def agree(one: FitState, other: FitState) -> bool:
    """Whether two fits have found one lag."""
    return abs(one.lag_s - other.lag_s) < 2.0 * float(np.hypot(one.lag_u_s, other.lag_u_s))
