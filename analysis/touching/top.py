"""The top of what a gauge shows: where the plunger turns round, how sharply, and what is half a turn of the cam on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from analysis.base import Floats, Streams
from analysis.touching.seen import Seen, seen

LAGS_S = (0.0, 0.03, 0.06, 0.09, 0.12, 0.15)
"""What gauges usually lag; the one under which the top's two sides agree best is taken."""
TOP_SHARES, MOST_TOP_MM = (0.45, 0.2), 4.0
"""How far down from its top the movement is looked at; less far where no more of it was passed on both sides."""

LEAST_READINGS = 8
LEAST_SIDE_DEG = 6.0
NEAR_DEG = 12.0
LEAST_TOP_MM = 0.25

Repeat = Literal["", "turn", "cycle", "mixed"]


@dataclass(frozen=True, slots=True)
class Top:
    """The top of a gauge's movement.

    Attributes
    ----------
    polarity
        +1 where the reading grows towards the top.
    centre_deg
        The crank's unwrapped angle there, of one passing of it.
    throw_mm
        Radius of the circle that turns round as sharply: about throw and a quarter of it for a piston, less for a lobe.
    misfit
        What a circle leaves of the top's readings, root mean square, as a share of the height looked at.
    repeats
        ``turn``: seen to come again every turn of the crank; ``cycle``: seen not to; ``mixed``: now so, now not.
    """

    polarity: int
    centre_deg: float
    throw_mm: float
    misfit: float
    repeats: Repeat


def find_top(streams: Streams, lag_s: float | None, noise_mm: float) -> Top | None:
    """Find where a gauge turns round with the crank; `None` where that was not passed yet.

    Parameters
    ----------
    lag_s : float or None
        The gauge's lag, where it is known.
    noise_mm : float
        What the gauge's reading wanders by itself.
    """
    by_lag = [seen(streams, lag) for lag in (LAGS_S if lag_s is None else (lag_s,))]
    for share in TOP_SHARES:
        found = [
            top
            for own in by_lag
            for polarity in (1, -1)
            if len(own) and (top := _top(own, polarity, share, noise_mm)) is not None
        ]
        if found:
            return min(found, key=lambda top: top.misfit)
    return None


def _top(own: Seen, polarity: int, share: float, noise_mm: float) -> Top | None:
    """By the readings of turning forward alone where these tell it, else by all."""
    value = polarity * own.mm
    height = min(share * float(np.ptp(value)), MOST_TOP_MM)
    if height < max(LEAST_TOP_MM, 8.0 * noise_mm):
        return None
    level = float(np.max(value)) - height
    forward = own.way > 0
    for chosen in (forward, np.ones_like(forward)):
        top = _fitted(own, value, chosen & (value > level), level, polarity)
        if top is not None:
            return top
    return None


def _fitted(own: Seen, value: Floats, high: NDArray[np.bool_], level: float, polarity: int) -> Top | None:
    """Lay a circle through the readings above a level, all passings of the top at once."""
    if np.count_nonzero(high) < LEAST_READINGS:
        return None
    angle, mm = np.radians(own.deg[high]), value[high]
    design = np.column_stack((np.ones_like(angle), np.cos(angle), np.sin(angle)))
    solved, _, rank, _ = np.linalg.lstsq(design, mm, rcond=None)
    if rank < 3:
        return None
    throw = float(np.hypot(solved[1], solved[2]))
    at = float(np.degrees(np.arctan2(solved[2], solved[1])))
    misfit = float(np.sqrt(np.mean((mm - design @ solved) ** 2))) / (float(np.max(mm)) - level)
    whole = at + 360.0 * np.round((own.deg[high] - at) / 360.0)
    off = own.deg[high] - whole
    if min(-float(np.min(off)), float(np.max(off))) < LEAST_SIDE_DEG:
        return None
    passings = np.unique(whole)
    # A flat between two stops turns round nowhere: what is as high all round is no top.
    if np.median(np.abs(off)) > 90.0 or not _falls(own, value, passings, level):
        return None
    centre = float(passings[-1])
    return Top(polarity, centre, throw, misfit, _repeats(own, value, passings, level))


def _falls(own: Seen, value: Floats, passings: Floats, level: float) -> bool:
    """Tell whether the reading was seen below the level on both sides of a passing."""
    low = own.deg[value < level]
    return any(
        np.any((low > at - 180.0) & (low < at)) and np.any((low < at + 180.0) & (low > at)) for at in passings
    )


def _repeats(own: Seen, value: Floats, passings: Floats, level: float) -> Repeat:
    """Look a turn on and a turn back from every passing: is the top there again, or is the gauge low there?"""
    again = low = 0
    for at in passings:
        for there in (at - 360.0, at + 360.0):
            near = np.abs(own.deg - there) < NEAR_DEG
            if not np.any(near):
                continue
            is_high = float(np.median(value[near])) > level
            again, low = again + is_high, low + (not is_high)
    if again and low:
        return "mixed"
    return "turn" if again else "cycle" if low else ""
