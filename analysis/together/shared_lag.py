"""Lags of several gauges that are alike: what each one's readings tell of all of them.

Gauges of one maker and kind, read in one way, answer equally late but for what one sample differs from the
next. So the lag of the kind is told by all of them together. Everything is Gaussian and linear: the lag of gauge i
is the kind's lag plus its own departure, and the readings of each gauge are one witness of its lag.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from analysis.base import Floats, GaugeFacts, Warn

_TELLS_NOTHING = 0.05
_UNLIKE = 4.0


@dataclass(frozen=True, slots=True)
class LagWitness:
    """What the readings of one gauge tell of its lag, apart from what was known before.

    `weight` is one over the variance, 1/s²; 0 where they tell nothing, and then `mean_s` means nothing.
    """

    mean_s: float
    weight: float


@dataclass(frozen=True, slots=True)
class LagPrior:
    """What is known of a kind's lag before: mean, standard uncertainty, and how far two of a kind differ, s."""

    mean_s: float
    u_s: float
    unlike_u_s: float


@dataclass(frozen=True, slots=True)
class LagsTogether:
    """Lags of all gauges: means, shape (n,), and covariance, shape (n, n), seconds."""

    mean_s: Floats
    covariance_s2: Floats

    def of(self, index: int) -> tuple[float, float]:
        """One gauge's lag and its standard uncertainty."""
        return float(self.mean_s[index]), math.sqrt(float(self.covariance_s2[index, index]))

    def facts(self, known: GaugeFacts, index: int) -> GaugeFacts:
        """What is known of a gauge, with its lag by all of them."""
        lag_s, u_s = self.of(index)
        return replace(known, lag_s=lag_s, lag_u_s=u_s)

    @property
    def correlations(self) -> Floats:
        """Correlations of the errors of the lags, shape (n, n)."""
        u_s = np.sqrt(np.diag(self.covariance_s2))
        told: Floats = self.covariance_s2 / np.outer(u_s, u_s)
        return told


def witness_of(lag_s: float, lag_u_s: float, prior_s: float, prior_u_s: float) -> LagWitness:
    """Take what was known before out of an estimate that has used it.

    Examples
    --------
    >>> witness_of(0.07, 0.06, 0.07, 0.06).weight
    0.0
    """
    weight = 1.0 / lag_u_s**2 - 1.0 / prior_u_s**2
    if weight <= _TELLS_NOTHING / prior_u_s**2:
        return LagWitness(prior_s, 0.0)
    return LagWitness((lag_s / lag_u_s**2 - prior_s / prior_u_s**2) / weight, weight)


def join_lags(witnesses: Sequence[LagWitness], prior: LagPrior) -> LagsTogether:
    """Lags of all gauges from the witness of each and what was known before."""
    own = np.square(prior.unlike_u_s) * np.eye(len(witnesses))
    before: Floats = np.square(prior.u_s) + own
    root = np.sqrt(np.array([one.weight for one in witnesses]))
    off = root * (np.array([one.mean_s for one in witnesses]) - prior.mean_s)
    seen = root[:, None] * before
    gain = np.linalg.solve(np.eye(len(root)) + seen * root, np.column_stack([off, seen]))
    return LagsTogether(prior.mean_s + seen.T @ gain[:, 0], before - seen.T @ gain[:, 1:])


def doubt_alike(names: Sequence[str], witnesses: Sequence[LagWitness], unlike_u_s: float) -> Warn | None:
    """Doubt that gauges said to be alike are, where their readings tell lags that differ by more than chance."""
    told = [(name, one) for name, one in zip(names, witnesses, strict=True) if one.weight > 0.0]
    for (name, one), (other_name, other) in combinations(told, 2):
        u_s = math.sqrt(1.0 / one.weight + 1.0 / other.weight + 2.0 * unlike_u_s**2)
        if abs(one.mean_s - other.mean_s) > _UNLIKE * u_s:
            return Warn(
                "lags_differ",
                f"Said to be alike, but gauge {name} answers {1e3 * one.mean_s:.0f} ms late and gauge {other_name} "
                f"{1e3 * other.mean_s:.0f} ms: each was taken by itself; see to battery, cable and setting.",
            )
    return None
