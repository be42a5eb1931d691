"""One measurement through the analysis: what came out, in the words and fields that are kept and shown."""

from __future__ import annotations

import importlib.metadata
from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np

from analysis.base import (
    Curve,
    EqualReadings,
    Floats,
    GaugeFacts,
    LobeResult,
    LobeSettings,
    Refusal,
    Streams,
    TdcResult,
    TdcSettings,
)
from analysis.timing import Outlook, outlook
from api.live.fields import detail_fields, result_fields

PROGRAM = importlib.metadata.version("lobewright")
LIVE_CURVE_POINTS = 240
JUST_BEGUN_S = 3.0
TOO_SOON = frozenset({"too_few_readings", "no_overlap", "no_movement"})
"""What every measurement is at first: said then, it would only frighten."""


@dataclass(frozen=True, slots=True)
class FitOutcome:
    """Either a result or a refusal, never both.

    `result` has the fields of ``lobewright measure --json`` and, for drawing, `polarity` and
    `equal_readings`; `detail` has what else the fit knows. `curve_deg`, `curve_mm` are the fitted curve for
    a moving screen: degrees as the result tells them, millimetres as the gauge reads them. `outlook` is what further
    turns would bring.
    """

    result: dict[str, Any] | None = None
    detail: dict[str, Any] | None = None
    error: dict[str, str] | None = None
    curve: Curve | None = None
    outlook: Outlook | None = None
    curve_deg: list[float] = field(default_factory=list)
    curve_mm: list[float] = field(default_factory=list)

    @property
    def sentence(self) -> str:
        """Say in one sentence what came out."""
        if self.result is None:
            return self.error["message"] if self.error else ""
        name = "Lobe centre" if "drop_mm" in self.result else "True TDC"
        return f"{name} {self.result['centre_deg']:.2f}° ± {self.result['u95_deg']:.2f}°."


def estimate(streams: Streams, settings: TdcSettings | LobeSettings, facts: GaugeFacts) -> FitOutcome:
    """Find true TDC or the lobe; a refusal is an outcome like any other."""
    return _outcome(lambda: find(streams, settings, facts))


class LiveEstimate:
    """One measurement estimated again and again while it runs, each time from what the last time knew.

    The number that is kept is that of `estimate`, from the stored readings. Not for several threads at once.
    """

    def __init__(self, settings: TdcSettings | LobeSettings, facts: GaugeFacts) -> None:
        find = (
            _tdc_follower(settings, facts)
            if isinstance(settings, TdcSettings)
            else _lobe_follower(settings, facts)
        )
        self._find: Callable[[Streams], TdcResult | LobeResult] = find

    def __call__(self, streams: Streams) -> FitOutcome:
        """Find true TDC or the lobe in the readings so far: those of the last call, and what came since."""
        outcome = _outcome(lambda: self._find(streams))
        too_soon = outcome.error is not None and outcome.error["code"] in TOO_SOON and _just_begun(streams)
        return FitOutcome() if too_soon else outcome


def _just_begun(streams: Streams) -> bool:
    times = np.concatenate((streams.crank_time_s, streams.gauge_time_s))
    return not times.size or float(np.ptp(times)) < JUST_BEGUN_S


def _tdc_follower(settings: TdcSettings, facts: GaugeFacts) -> Callable[[Streams], TdcResult]:
    from analysis.tdc import TdcFollower

    return TdcFollower(settings, facts).update


def _lobe_follower(settings: LobeSettings, facts: GaugeFacts) -> Callable[[Streams], LobeResult]:
    from analysis.lobe import LobeFollower

    return LobeFollower(settings, facts).update


def _outcome(find: Callable[[], TdcResult | LobeResult]) -> FitOutcome:
    try:
        result = find()
    except Refusal as refusal:
        return FitOutcome(error={"code": refusal.code, "message": refusal.message})
    deg, mm = live_curve(result)
    detail = detail_fields(result)
    pairs = [_pair(pair) for pair in result.equal_readings]
    return FitOutcome(
        result=result_fields(result) | {"polarity": result.polarity, "equal_readings": pairs},
        detail=detail,
        curve=result.curve,
        outlook=outlook(result),
        curve_deg=deg,
        curve_mm=mm,
    )


def find(streams: Streams, settings: TdcSettings | LobeSettings, facts: GaugeFacts) -> TdcResult | LobeResult:
    """Call the estimator that fits the settings; raises `Refusal`."""
    if isinstance(settings, TdcSettings):
        from analysis.tdc import find_tdc

        return find_tdc(streams, settings, facts)
    from analysis.lobe import find_lobe

    return find_lobe(streams, settings, facts)


def live_curve(result: TdcResult | LobeResult) -> tuple[list[float], list[float]]:
    """Give the fitted curve with few enough points for a moving screen, as the gauge would read it."""
    curve = result.curve
    if curve is None or not curve.crank_deg.size:
        return [], []
    count = min(LIVE_CURVE_POINTS, curve.crank_deg.size)
    chosen = np.unique(np.linspace(0, curve.crank_deg.size - 1, count).astype(int))
    return np.round(curve.crank_deg[chosen], 3).tolist(), np.round(
        gauge_mm(result, curve)[chosen], 5
    ).tolist()


def gauge_mm(result: TdcResult | LobeResult, curve: Curve) -> Floats:
    """Give the gauge's reading along a fitted curve: a lobe's lift stands on its base circle."""
    if isinstance(result, TdcResult):
        return curve.lift_mm
    return (result.base_mm or 0.0) + result.polarity * curve.lift_mm


def _pair(pair: EqualReadings) -> dict[str, float]:
    return {name: float(value) for name, value in asdict(pair).items()}
