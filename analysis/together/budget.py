"""The uncertainty of an angle between two centres whose errors are correlated by the lag (GUM, 5.2.2, 5.2.4)."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np

from analysis.base import Contribution, EqualReadings, LobeResult, TdcResult
from analysis.timing import CYCLE_DEG, HALF_CYCLE_DEG

Result = TypeVar("Result", TdcResult, LobeResult)


@dataclass(frozen=True, slots=True)
class Centre:
    """What a centre's error is made of: its whole standard uncertainty, and how it follows its gauge's lag.

    Attributes
    ----------
    u_deg : float
        Standard uncertainty, the lag's part in it.
    by_lag_deg_s : float
        Change of the centre for one second more of lag; minus the speed, where turned one way.
    lag_u_s : float
        Standard uncertainty of the lag.
    """

    u_deg: float
    by_lag_deg_s: float
    lag_u_s: float

    @classmethod
    def of(cls, result: TdcResult | LobeResult) -> Centre:
        """Take the centre of a result."""
        return cls(0.5 * result.u95_deg, result.centre_by_lag_deg_s, result.lag_u_s)

    @property
    def lag_part_deg(self) -> float:
        """What one standard uncertainty more of lag does, with its sign, never more than the whole."""
        part = self.by_lag_deg_s * self.lag_u_s
        return math.copysign(min(abs(part), self.u_deg), part)

    @property
    def rest_u_deg(self) -> float:
        """Standard uncertainty but for the lag."""
        return math.sqrt(max(self.u_deg**2 - self.lag_part_deg**2, 0.0))


def net_lag_u(first: Centre, second: Centre, correlation: float) -> float:
    """What both lags leave in the angle between two centres, as a standard uncertainty, degrees.

    Examples
    --------
    >>> one = Centre(1.0, -30.0, 0.02)
    >>> net_lag_u(one, one, 1.0), round(net_lag_u(one, one, 0.0), 4)
    (0.0, 0.8485)
    """
    a, b = first.lag_part_deg, second.lag_part_deg
    return math.sqrt(max(a**2 + b**2 - 2.0 * correlation * a * b, 0.0))


def angle_between(first: Centre, second: Centre, correlation: float) -> float:
    """Standard uncertainty of the angle between two centres, their lags' errors correlated.

    Parameters
    ----------
    correlation : float
        Of the errors of both lags, 1 where they are one and the same.

    Examples
    --------
    >>> angle_between(Centre(0.3, 0.0, 0.01), Centre(0.4, 0.0, 0.01), 1.0)
    0.5
    """
    rest = math.hypot(first.rest_u_deg, second.rest_u_deg)
    return math.hypot(rest, net_lag_u(first, second, correlation))


def budget_from(
    own: Sequence[Contribution], tdc: Centre, lobe: Centre, correlation: float
) -> tuple[Contribution, ...]:
    """Itemise a lobe's centre from TDC: the lobe's own lines, TDC's, and what both lags leave."""
    lines = [line for line in own if line.source not in {"lag", "true TDC"}]
    lines.append(Contribution("true TDC, but for its lag", tdc.rest_u_deg))
    lines.append(Contribution("lags of both gauges", net_lag_u(tdc, lobe, correlation)))
    return tuple(line for line in lines if line.u_deg > 0.0)


def with_more_u(lobe: LobeResult, u_deg: float) -> LobeResult:
    """Tell a lobe's angles from TDC: `u_deg` is its centre's, and what that adds counts for every other angle.

    What is added may be less than nothing, where the lag's errors cancel; no angle is told better than the centre.
    """
    more = u_deg**2 - (0.5 * lobe.u95_deg) ** 2

    def told(own: float) -> float:
        return math.sqrt(max(own**2 + more, min(own, u_deg) ** 2))

    def told_or_none(own: float | None) -> float | None:
        return None if own is None else told(own)

    return replace(
        lobe,
        u95_deg=2.0 * u_deg,
        full_lift_u_deg=told(lobe.full_lift_u_deg),
        events=tuple(
            replace(
                one, u_opens_deg=told_or_none(one.u_opens_deg), u_closes_deg=told_or_none(one.u_closes_deg)
            )
            for one in lobe.events
        ),
        centres=tuple(replace(one, u_deg=told(one.u_deg)) for one in lobe.centres),
    )


def with_lag(result: TdcResult | LobeResult, lag_s: float, lag_u_s: float) -> TdcResult | LobeResult:
    """Tell a result for a lag known from elsewhere, near the one that it was fitted with.

    The centre follows the lag as its covariance says; so does every other angle. What the lag adds to its
    uncertainty is what is left to be known of the lag.

    Parameters
    ----------
    lag_s, lag_u_s : float
        The lag and its standard uncertainty, seconds.
    """
    centre = Centre.of(result)
    u_deg = math.hypot(centre.rest_u_deg, centre.by_lag_deg_s * lag_u_s)
    shift = centre.by_lag_deg_s * (lag_s - result.lag_s)
    told = replace(result, lag_s=lag_s, lag_u_s=lag_u_s)
    if isinstance(told, LobeResult):
        lines = [line for line in told.budget if line.source != "lag"]
        lines.append(Contribution("lag", abs(centre.by_lag_deg_s) * lag_u_s))
        return replace(with_more_u(moved(told, shift), u_deg), budget=tuple(lines))
    return replace(moved(told, shift), u95_deg=2.0 * u_deg, budget=_matched(told.budget, centre.u_deg, u_deg))


def _matched(budget: Sequence[Contribution], was_u_deg: float, u_deg: float) -> tuple[Contribution, ...]:
    """Make the lines of true TDC, which do not part the lag from the rest, add up to what it is now."""
    if u_deg > was_u_deg:
        more = Contribution("lag, by all gauges", math.sqrt(u_deg**2 - was_u_deg**2))
        return (*budget, more)
    return tuple(replace(line, u_deg=line.u_deg * u_deg / was_u_deg) for line in budget)


def moved(result: Result, by_deg: float) -> Result:
    """Move every angle of a result."""
    cycle = CYCLE_DEG if isinstance(result, LobeResult) else HALF_CYCLE_DEG

    def on(deg: float) -> float:
        return float(np.mod(deg + by_deg, cycle))

    common = replace(
        result,
        centre_deg=on(result.centre_deg),
        passes=tuple(
            replace(one, centre_deg=None if one.centre_deg is None else on(one.centre_deg))
            for one in result.passes
        ),
        curve=None
        if result.curve is None
        else replace(result.curve, crank_deg=result.curve.crank_deg + by_deg),
    )
    if not isinstance(common, LobeResult):
        return replace(
            common, equal_readings=tuple(_pair_moved(one, by_deg) for one in common.equal_readings)
        )
    return replace(
        common,
        full_lift_deg=on(common.full_lift_deg),
        events=tuple(
            replace(one, opens_deg=on(one.opens_deg), closes_deg=on(one.closes_deg)) for one in common.events
        ),
        centres=tuple(replace(one, centre_deg=on(one.centre_deg)) for one in common.centres),
        equal_readings=tuple(
            replace(
                one,
                before_deg=on(one.before_deg),
                after_deg=on(one.after_deg),
                midpoint_deg=on(one.midpoint_deg),
            )
            for one in common.equal_readings
        ),
    )


def _pair_moved(pair: EqualReadings, by_deg: float) -> EqualReadings:
    """A pair of true TDC stands by its centre, unwrapped."""
    return replace(
        pair,
        before_deg=pair.before_deg + by_deg,
        after_deg=pair.after_deg + by_deg,
        midpoint_deg=pair.midpoint_deg + by_deg,
    )
