"""A lift curve from gauge readings typed in by a builder, degree by degree."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from analysis.base import Floats, Refusal
from analysis.timing.engine import CYCLE_DEG
from analysis.timing.stored_lift import StoredLift

_FEW_READINGS = 8
_HOLE_DEG = 60.0
_SHUT_MM = 0.1


def curve_by_hand(
    readings: Sequence[tuple[float, float]], *, base_mm: float, polarity: int = 1
) -> StoredLift:
    """Return a lift curve from typed (degrees after overlap TDC, gauge reading in mm), taken turning forward.

    Between the readings it is a monotone cubic. Where two neighbours are more than 60 degrees apart the valve
    is taken to be shut between them, if both read the base circle.

    Raises
    ------
    Refusal
        Too few readings, or none on the base circle.
    """
    if len({deg % CYCLE_DEG for deg, _ in readings}) < _FEW_READINGS:
        raise Refusal(
            "too_few_readings",
            f"{len(readings)} readings make no curve. Read the gauge every 5 to 10 degrees over the lobe, "
            f"{_FEW_READINGS} angles at the least.",
        )
    lifts = {deg % CYCLE_DEG: polarity * (reading - base_mm) for deg, reading in readings}
    crank = np.array(sorted(lifts))
    lift = np.array([lifts[deg] for deg in crank])
    _refuse_open_curve(crank, lift)
    return StoredLift(*_every_degree(crank, lift))


def _refuse_open_curve(crank: Floats, lift: Floats) -> None:
    gaps = np.diff(np.append(crank, crank[0] + CYCLE_DEG))
    after = np.roll(lift, -1)
    shut = (np.abs(lift) < _SHUT_MM) & (np.abs(after) < _SHUT_MM)
    if np.any((gaps > _HOLE_DEG) & ~shut):
        raise Refusal(
            "curve_has_a_hole",
            "Between two of the readings more than 60 degrees are missing while the valve is open. Read "
            "there too.",
        )


def _every_degree(crank: Floats, lift: Floats) -> tuple[Floats, Floats]:
    from scipy.interpolate import PchipInterpolator  # here: it would hold up the first page

    grid: Floats = np.arange(0.0, CYCLE_DEG, 1.0)
    deg = np.concatenate([crank - CYCLE_DEG, crank, crank + CYCLE_DEG])
    return grid, PchipInterpolator(deg, np.tile(lift, 3))(grid)
