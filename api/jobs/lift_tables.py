"""Lift by degree of every lobe measured in a job, beside the piston, as CSV."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from analysis.base import Floats, Refusal
from analysis.clearance import piston_below_top_mm
from analysis.timing import CYCLE_DEG, Engine, Lobe, StoredLift
from api.base import csv_text


def lift_table(engine: Engine, lifts: Mapping[Lobe, StoredLift]) -> str:
    """Give the table: a row a crank degree after overlap TDC, empty cells where a curve was not seen."""
    crank: Floats = np.arange(0.0, CYCLE_DEG)
    columns: list[tuple[str, Floats]] = [
        (f"{lobe.touches}_lift_mm", lift.lifts_mm(crank)) for lobe, lift in lifts.items()
    ]
    columns += [
        (f"piston_{cylinder.lower()}_below_top_mm", below)
        for cylinder in dict.fromkeys(lobe.cylinder for lobe in lifts)
        if (below := _piston(engine, cylinder, crank)) is not None
    ]
    rows = (
        [f"{deg:g}", f"{deg / 2:g}", *(_cell(values[row]) for _, values in columns)]
        for row, deg in enumerate(crank)
    )
    return csv_text([["crank_deg", "cam_deg", *(name for name, _ in columns)], *rows])


def _piston(engine: Engine, cylinder: str, crank: Floats) -> Floats | None:
    try:
        return piston_below_top_mm(engine, crank - engine.firing_offset_deg(cylinder))
    except Refusal:
        return None


def _cell(value: float) -> str:
    return "" if not np.isfinite(value) else f"{value:.4f}"
