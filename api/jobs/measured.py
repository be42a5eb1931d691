"""From a finished measurement to the fact that a job keeps of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from analysis.base import Curve
from analysis.timing import (
    CYCLE_DEG,
    BenchChecked,
    DropCentre,
    Engine,
    Event,
    Lobe,
    LobeMeasured,
    TdcMeasured,
    Valve,
)
from api.base import MisuseError
from api.live import Turn
from api.records import Measurement

Fields = dict[str, Any]
SHUT_MM = 0.02
"""Below this lift a valve counts as shut at TDC: the ramp there says nothing."""


@dataclass(frozen=True, slots=True)
class Touched:
    """What a gauge touched: a piston (`valve` is `None`) or a valve, and the cylinder."""

    cylinder: str
    valve: Valve | None

    @property
    def lobe(self) -> Lobe:
        """The lobe under the gauge."""
        assert self.valve is not None
        return Lobe(self.cylinder, self.valve)


def touched(engine: Engine, touches: str) -> Touched:
    """Read ``piston_1``, ``inlet_2`` or ``exhaust_a1`` as a part of this engine; raises `MisuseError`."""
    part, _, name = touches.partition("_")
    cylinder = next((one for one in engine.cylinders if one.lower() == name), None)
    if cylinder is None or part not in {"piston", "inlet", "exhaust"}:
        raise MisuseError(
            "not_of_this_engine",
            f"{engine.name} has nothing called {touches}; its cylinders are {', '.join(engine.cylinders)}.",
        )
    return Touched(cylinder, None if part == "piston" else part)  # type: ignore[arg-type]


def tdc_fact(measurement: Measurement, cylinder: str) -> TdcMeasured:
    """Give the fact of a true TDC."""
    result = _result(measurement)
    return TdcMeasured(
        cylinder=cylinder,
        centre_deg=result["centre_deg"],
        u95_deg=result["u95_deg"],
        measurement_id=str(measurement.id),
        lag_s=result["lag_s"],
        gauge=measurement.gauge,
    )


def bench_fact(measurement: Measurement, turn: Turn | None, turned_deg: float) -> BenchChecked:
    """Give the fact of a bench check: the counting direction, a turn from TDC to TDC, the gauge's sign."""
    polarity = (measurement.detail or {}).get("polarity") or 1
    return BenchChecked(
        counts_forward=turned_deg > 0,
        turn_deg=None if turn is None else turn.deg,
        turn_u95_deg=None if turn is None else turn.u95_deg,
        gauges=(measurement.gauge,),
        gauge_signs=(int(polarity),),
    )


def lobe_fact(measurement: Measurement, lobe: Lobe, offset_deg: float, curve: Curve | None) -> LobeMeasured:
    """Give the fact of a lobe; `offset_deg` is where its cylinder's overlap TDC lies."""
    result, detail = _result(measurement), measurement.detail or {}
    lift, u_lift, slope = _at_tdc(curve, offset_deg, measurement.settings.get("tdc_u_deg", 0.0))
    return LobeMeasured(
        cylinder=lobe.cylinder,
        valve=lobe.valve,
        centre_deg=result["centre_deg"],
        drop_mm=result["drop_mm"],
        u95_deg=result["u95_deg"],
        measurement_id=str(measurement.id),
        full_lift_deg=result["full_lift_deg"],
        full_lift_u_deg=detail.get("full_lift_u_deg"),
        peak_lift_mm=result["peak_lift_mm"],
        peak_lift_u_mm=detail.get("peak_lift_u_mm"),
        lift_at_tdc_mm=lift,
        lift_at_tdc_u_mm=u_lift,
        lift_at_tdc_slope_mm_deg=slope,
        slack_deg=result["slack_deg"],
        slack_u_deg=(measurement.detail or {}).get("slack_u_deg"),
        asymmetry_deg=result["asymmetry_deg"],
        lag_s=result["lag_s"],
        gauge=measurement.gauge,
        events=tuple(Event(**one) for one in detail.get("events", [])),
        centres=tuple(DropCentre(**one) for one in detail.get("centres", [])),
    )


def _result(measurement: Measurement) -> Fields:
    if measurement.result is None:
        raise MisuseError("no_number", f"Measurement {measurement.id} gave no number: {measurement.sentence}")
    return measurement.result


def _at_tdc(
    curve: Curve | None, offset_deg: float, tdc_u_deg: float
) -> tuple[float | None, float | None, float | None]:
    """Give lift, its standard uncertainty and its slope at the cylinder's overlap TDC, where it was seen."""
    if curve is None or not curve.crank_deg.size:
        return None, None, None
    crank, first = curve.crank_deg, float(curve.crank_deg[0])
    at = first + (offset_deg - first) % CYCLE_DEG
    whole = float(crank[-1] - first) > CYCLE_DEG - 5.0
    if at > crank[-1] and not whole:
        return None, None, None
    from scipy.interpolate import CubicSpline  # here: it would hold up the first page

    spline = CubicSpline(crank, curve.lift_mm)
    at = min(at, float(crank[-1]))
    lift, slope = float(spline(at)), float(spline(at, 1))
    if lift < SHUT_MM:
        return None, None, None
    u_curve = float(np.interp(at, crank, curve.u_mm))
    return lift, float(np.hypot(u_curve, slope * tdc_u_deg)), slope
