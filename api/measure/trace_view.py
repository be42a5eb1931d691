"""A stored measurement as a page draws it: its readings thinned without losing peaks, its fit, its passes."""

from __future__ import annotations

from typing import Any

import numpy as np
from pydantic import BaseModel

from analysis.base import Curve, Floats
from api.base import thin
from api.live import LOOK_BACK_NS, STILL_DEG, FitOutcome
from api.records import Measurement, StoredInterval


class StreamView(BaseModel):
    """One stream as it arrived: seconds from the start of the measurement, crank degrees or millimetres."""

    time_s: list[float]
    value: list[float]
    readings: int


class CurveView(BaseModel):
    """The fitted curve; `crank_deg` counts from the result's zero, `u_mm` is a standard uncertainty."""

    crank_deg: list[float]
    lift_mm: list[float]
    u_mm: list[float]


class TraceView(BaseModel):
    """A measurement's readings and what was fitted to them.

    `crank_deg`, `gauge_mm` and `way` (+1 forward, -1 back, 0 still) are one point a gauge reading at its
    arrival, in the encoder's own degrees. `true_deg` is where the crank stood when the reading was true: lag
    taken out, less `zero_deg`, not wrapped.
    """

    measurement_id: int
    what: str
    readings: int
    zero_deg: float
    lag_s: float
    time_s: list[float]
    crank_deg: list[float]
    true_deg: list[float]
    gauge_mm: list[float]
    way: list[int]
    curve: CurveView | None
    passes: list[dict[str, Any]]
    equal_readings: list[dict[str, Any]]
    crank: StreamView
    gauge: StreamView


def trace_view(
    measurement: Measurement, interval: StoredInterval, outcome: FitOutcome, max_points: int
) -> TraceView:
    """Compose what a page draws, at most `max_points` points a curve."""
    streams = interval.streams()
    result = measurement.result or outcome.result or {}
    lag_s = float(result.get("lag_s", 0.0))
    zero_deg = float(measurement.settings.get("tdc_deg", 0.0))
    chosen = thin(streams.gauge_mm, max_points)
    time_s, gauge_mm = streams.gauge_time_s[chosen], streams.gauge_mm[chosen]
    at = _crank_at(streams.crank_time_s, streams.crank_deg, time_s)
    before = _crank_at(streams.crank_time_s, streams.crank_deg, time_s - LOOK_BACK_NS / 1e9)
    true = _crank_at(streams.crank_time_s, streams.crank_deg, time_s - lag_s) - zero_deg
    return TraceView(
        measurement_id=measurement.id,
        what=measurement.what,
        readings=streams.gauge_mm.size,
        zero_deg=zero_deg,
        lag_s=lag_s,
        time_s=_rounded(time_s, 6),
        crank_deg=_rounded(at, 4),
        true_deg=_rounded(true, 4),
        gauge_mm=_rounded(gauge_mm, 6),
        way=np.where(np.abs(at - before) < STILL_DEG, 0, np.sign(at - before)).astype(int).tolist(),
        curve=_curve(outcome.curve, max_points),
        passes=result.get("passes", []),
        equal_readings=result.get("equal_readings", []),
        crank=_stream(streams.crank_time_s, streams.crank_deg, max_points),
        gauge=_stream(streams.gauge_time_s, streams.gauge_mm, max_points),
    )


def _crank_at(crank_time_s: Floats, crank_deg: Floats, time_s: Floats) -> Floats:
    if not crank_time_s.size:
        return np.zeros_like(time_s)
    return np.asarray(np.interp(time_s, crank_time_s, crank_deg), np.float64)


def _stream(time_s: Floats, value: Floats, max_points: int) -> StreamView:
    chosen = thin(value, max_points)
    return StreamView(
        time_s=_rounded(time_s[chosen], 6), value=_rounded(value[chosen], 6), readings=value.size
    )


def _curve(curve: Curve | None, max_points: int) -> CurveView | None:
    if curve is None or not curve.crank_deg.size:
        return None
    chosen = thin(curve.lift_mm, max_points)
    return CurveView(
        crank_deg=_rounded(curve.crank_deg[chosen], 4),
        lift_mm=_rounded(curve.lift_mm[chosen], 6),
        u_mm=_rounded(curve.u_mm[chosen], 6),
    )


def _rounded(values: Floats, decimals: int) -> list[float]:
    rounded: list[float] = np.round(values, decimals).tolist()
    return rounded
