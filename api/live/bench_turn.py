"""Are the counts a turn right: one TDC to the next, each found by itself, as the encoder tells them.

The joint fit of true TDC takes a turn as 360 degrees and so cannot doubt it; here every dwell of the piston
is fitted alone. They share one gauge, and so its lag: what is not known of it moves both the same way, and drops out
of the turn as far as both were passed at one speed.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from analysis.base import Contribution, Floats, GaugeFacts, Refusal, Streams, TdcResult, TdcSettings
from analysis.readings import lag_prior
from analysis.tdc import find_tdc
from analysis.together import Centre, angle_between, net_lag_u, with_lag

LEAST_RISE_MM = 0.3
AROUND_S = 0.2
HELD_U_S = 0.001
FORWARD_SHARE = 0.98
COARSEST_DEG = 2.5
"""A turn known no better than this proves nothing: one part in 144."""


def turned_deg(streams: Streams) -> float:
    """Give how far the crank stands from where it began, as the encoder tells it."""
    return float(streams.crank_deg[-1] - streams.crank_deg[0]) if streams.crank_deg.size else 0.0


@dataclass(frozen=True, slots=True)
class Turn:
    """Degrees from one TDC to the next as the encoder told it.

    `u95_deg` is expanded, k = 2; `budget` are the standard uncertainties of which it is made: each TDC's own, from
    counts, gauge and readings, and what the lag leaves where the two were passed at unlike speeds.
    """

    deg: float
    u95_deg: float
    budget: tuple[Contribution, ...] = ()


@dataclass(frozen=True, slots=True)
class _Dwell:
    """One TDC found by itself, and the middle of what the crank turned meanwhile, unwrapped."""

    found: TdcResult
    middle_deg: float

    @property
    def deg(self) -> float:
        """Where it stands, unwrapped."""
        return self.found.centre_deg + 360.0 * round((self.middle_deg - self.found.centre_deg) / 360.0)


def tdc_to_tdc(streams: Streams, settings: TdcSettings, facts: GaugeFacts, polarity: int) -> Turn | None:
    """Give the degrees from one TDC to the next, turning one way; `None` where two were not seen well enough.

    Parameters
    ----------
    streams : Streams
        Crank and a gauge on the piston, turned over more than one TDC without turning back.
    polarity : int
        +1 where the gauge reads more as the piston rises.
    """
    alone = [
        dwell
        for start_s, end_s in _rises(streams, polarity)
        if (dwell := _alone(_cut(streams, start_s, end_s), settings, facts)) is not None
    ]
    turns = [
        _turn(before, after)
        for before, after in pairwise([_at_one_lag(dwell, facts) for dwell in alone])
        if _one_way(streams, before.deg, after.deg)
    ]
    best = min(turns, key=lambda turn: turn.u95_deg, default=None)
    return best if best is not None and best.u95_deg <= COARSEST_DEG else None


def _at_one_lag(dwell: _Dwell, facts: GaugeFacts) -> _Dwell:
    """Tell a dwell for the lag that is known beforehand, with what is not known of it."""
    found = with_lag(dwell.found, *lag_prior(facts))
    assert isinstance(found, TdcResult)  # it was one before
    return _Dwell(found, dwell.middle_deg)


def _turn(before: _Dwell, after: _Dwell) -> Turn:
    first, second = Centre.of(before.found), Centre.of(after.found)
    budget = (
        Contribution("first TDC, but for its lag", first.rest_u_deg),
        Contribution("second TDC, but for its lag", second.rest_u_deg),
        Contribution("lag, by the unlike speeds of the two", net_lag_u(first, second, 1.0)),
    )
    u95_deg = 2.0 * angle_between(first, second, 1.0)
    return Turn(abs(after.deg - before.deg), u95_deg, budget)


def _rises(streams: Streams, polarity: int) -> list[tuple[float, float]]:
    """Give start and end of every stretch in which the piston pushes the plunger."""
    value = polarity * streams.gauge_mm
    rest = float(np.min(value))
    pushed = value > rest + max(LEAST_RISE_MM, 0.05 * float(np.ptp(value)))
    edges = np.flatnonzero(np.diff(pushed.astype(np.int8)))
    bounds = [0, *(edges + 1).tolist(), pushed.size]
    return [
        (float(streams.gauge_time_s[first]), float(streams.gauge_time_s[last - 1]))
        for first, last in pairwise(bounds)
        if pushed[first] and first > 0 and last < pushed.size
    ]


def _cut(streams: Streams, start_s: float, end_s: float) -> Streams:
    crank = _within(streams.crank_time_s, start_s - 2 * AROUND_S, end_s + 2 * AROUND_S)
    gauge = _within(streams.gauge_time_s, start_s - AROUND_S, end_s + AROUND_S)
    return Streams(
        streams.crank_time_s[crank],
        streams.crank_deg[crank],
        streams.gauge_time_s[gauge],
        streams.gauge_mm[gauge],
    )


def _within(time_s: Floats, start_s: float, end_s: float) -> slice:
    return slice(int(np.searchsorted(time_s, start_s)), int(np.searchsorted(time_s, end_s, side="right")))


def _alone(streams: Streams, settings: TdcSettings, facts: GaugeFacts) -> _Dwell | None:
    """Find the TDC of one dwell with the lag held, for one dwell by itself tells next to nothing of it."""
    held = replace(facts, lag_s=lag_prior(facts)[0], lag_u_s=HELD_U_S)
    try:
        found = find_tdc(streams, settings, held)
    except Refusal:
        return None
    return _Dwell(found, float(np.median(streams.crank_deg)))


def _one_way(streams: Streams, before: float, after: float) -> bool:
    """Tell whether the crank went from one TDC to the other without turning back."""
    low, high = sorted((before, after))
    between = (streams.crank_deg > low) & (streams.crank_deg < high)
    course = np.diff(streams.crank_deg[between])
    went = float(np.sum(np.abs(course)))
    return went > 0 and abs(float(np.sum(course))) >= FORWARD_SHARE * went and high - low > 90.0
