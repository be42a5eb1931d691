"""Where to hold the crank while a cam is turned on its own: on a steep flank, with every piston well down."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from analysis.base import Floats, Refusal
from analysis.timing import CYCLE_DEG, StoredLift, dead_centre_words, early_or_late

_GRID_DEG = 0.5
_ROOM_DEG = 3.0
"""Flank wanted beyond either end of the move, so that an overshoot is still seen rightly."""

_OPENING_IS_BETTER = 0.6
_LEAST_SLOPE_MM_DEG = 0.02
_STEEP_ENOUGH = 0.4
_MUCH_NEARER_DEG = 20.0


@dataclass(frozen=True, slots=True)
class Park:
    """Where to hold the crank while the cam is moved.

    `slope_mm_deg` is the least slope met on the way; `from_the_top_deg` is how far the nearest piston then stands
    from its top, crank degrees; `leaves_deg` is not 0 where one flank is too short for
    the whole error and the rest has to follow after a fresh measurement.
    """

    crank_deg: float
    flank: Literal["opening", "closing"]
    slope_mm_deg: float
    leaves_deg: float
    sentence: str
    from_the_top_deg: float | None = None


def best_park(lift: StoredLift, error_deg: float, tdcs_deg: tuple[float, ...] = ()) -> Park:
    """Return the best crank angle to hold while the cam is moved by its error (positive = late).

    The flank must be steep all the way from here to there and a little beyond. The opening flank is taken
    unless it is much flatter: there the valve spring holds the cam back against its drive, as in running.

    Parameters
    ----------
    tdcs_deg
        Where pistons of the engine stand at their highest, 0..360. Of places that are steep enough the one is
        taken that keeps every piston farthest from there, for the cam is turned on its own.

    Raises
    ------
    Refusal
        ``no_flank``: nowhere steep enough.
    """
    share = 1.0
    for share in (1.0, 0.75, 0.5, 0.25):
        found = _steepest(lift, share * error_deg, tdcs_deg)
        if found is not None:
            return _park(*found, leaves_deg=(1 - share) * error_deg, tdcs_deg=tdcs_deg)
    raise Refusal(
        "no_flank",
        "The stored curve of this lobe has no flank steep enough to be guided by. Measure it over two full "
        "turns, or hold the cam and turn the crank.",
    )


def _steepest(
    lift: StoredLift, error_deg: float, tdcs_deg: tuple[float, ...]
) -> tuple[float, Literal["opening", "closing"], float] | None:
    """The crank angle about which a flank is steep all the way of the move, if there is one; better far from every TDC."""
    grid = np.arange(0.0, CYCLE_DEG, _GRID_DEG)
    slopes = lift.slopes_mm_deg(grid)
    low, high = min(0.0, error_deg) - _ROOM_DEG, max(0.0, error_deg) + _ROOM_DEG
    steps = np.arange(int(np.floor(low / _GRID_DEG)), int(np.ceil(high / _GRID_DEG)) + 1)
    along = slopes[(np.arange(len(grid))[:, None] + steps[None, :]) % len(grid)]
    along = np.where(np.isfinite(along), along, 0.0)
    opening, closing = along.min(axis=1), (-along).min(axis=1)
    apart = _from_the_top(grid, tdcs_deg)
    best_open, best_close = _farthest(opening, apart), _farthest(closing, apart)
    if apart[best_close] > apart[best_open] + _MUCH_NEARER_DEG:
        opening = np.zeros_like(opening)
    if opening[best_open] >= max(_LEAST_SLOPE_MM_DEG, _OPENING_IS_BETTER * closing[best_close]):
        return float(grid[best_open]), "opening", float(opening[best_open])
    if closing[best_close] >= _LEAST_SLOPE_MM_DEG:
        return float(grid[best_close]), "closing", float(closing[best_close])
    return None


def _from_the_top(crank_deg: Floats, tdcs_deg: tuple[float, ...]) -> Floats:
    """How far the nearest piston stands from its top; past half a stroke all places are alike."""
    if not tdcs_deg:
        return np.zeros_like(crank_deg)
    off = (crank_deg[:, None] - np.array(tdcs_deg)[None, :] + 180.0) % 360.0 - 180.0
    nearest_top: Floats = np.minimum(np.abs(off).min(axis=1), 90.0)
    return nearest_top


def _farthest(slope: Floats, apart: Floats) -> int:
    """Of the places that are steep enough the one farthest from any piston's top, and of those the steepest."""
    enough = slope >= max(_LEAST_SLOPE_MM_DEG, _STEEP_ENOUGH * float(slope.max()))
    if not enough.any():
        return int(np.argmax(slope))
    return int(np.lexsort((slope, np.where(enough, apart, -1.0)))[-1])


def _park(
    crank_deg: float,
    flank: Literal["opening", "closing"],
    slope: float,
    *,
    leaves_deg: float,
    tdcs_deg: tuple[float, ...] = (),
) -> Park:
    """Put a place to park into words."""
    sentence = (
        f"Turn forward to {crank_deg:.0f} deg ({dead_centre_words(crank_deg, digits=0)}) and hold the crank "
        f"there: on the {flank} flank the gauge moves {slope:.3f} mm or more for a degree."
    )
    apart = float(_from_the_top(np.array([crank_deg]), tdcs_deg)[0]) if tdcs_deg else None
    if apart is not None:
        sentence += f" Every piston then stands {apart:.0f} deg or more from its top."
    if leaves_deg:
        left = early_or_late(leaves_deg)
        sentence += f" The flank is too short for the whole way: {left} is left for a second move."
    return Park(crank_deg, flank, slope, leaves_deg, sentence, apart)
