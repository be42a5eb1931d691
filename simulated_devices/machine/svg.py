"""Outlines for the control page: where crank, rod and piston are, and the shape of each lobe."""

from __future__ import annotations

from typing import Any

import numpy as np

from simulated_devices.machine.engine import Engine

_BASE_MM = 15.0
_POINTS = 180


def drawing(engine: Engine) -> dict[str, Any]:
    """Geometry of the crank drive, and for cylinder 1's valves lobe radius over cam degrees."""
    cam_deg = np.arange(_POINTS) * 360.0 / _POINTS
    lobes = {}
    for name, cam in engine.cam_of.items():
        if name.endswith("_1"):
            valve = engine.valve(name)
            radius = _BASE_MM + valve.lobe.lift(cam_deg)
            lobes[name] = {
                "cam": cam,
                "nose_deg": valve.nose_deg,
                "radius_mm": [round(float(r), 3) for r in radius],
            }
    crank = engine.crank
    return {
        "stroke_mm": crank.stroke_mm,
        "rod_mm": crank.rod_mm,
        "pin_offset_mm": crank.pin_offset_mm,
        "highest_throw_deg": crank.highest_throw_deg,
        "overlap_tdc_deg": {str(number): deg for number, deg in engine.overlap_tdc_deg.items()},
        "lobes": lobes,
    }
