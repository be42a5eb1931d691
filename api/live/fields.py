"""Results as plain fields: those of ``lobewright measure --json``, and the detail that pages show besides."""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import Any

from analysis.base import Contribution, LobeResult, Pass, TdcResult
from analysis.together import TogetherResult

Fields = dict[str, Any]
OF_TDC = ("centre_deg", "u95_deg", "lag_s")
OF_LOBE = (
    "centre_deg",
    "drop_mm",
    "u95_deg",
    "full_lift_deg",
    "peak_lift_mm",
    "slack_deg",
    "lag_s",
    "asymmetry_deg",
)
DETAIL_OF_TDC = (
    "lag_u_s",
    "gain",
    "rod_ratio",
    "residual_sd_mm",
    "polarity",
    "retrace_mm",
    "retrace_u_mm",
    "jitter_s",
    "tick_s",
)
DETAIL_OF_LOBE = (
    "full_lift_u_deg",
    "peak_lift_u_mm",
    "slack_u_deg",
    "lag_u_s",
    "residual_sd_mm",
    "polarity",
    "max_slope_mm_deg",
    "base_mm",
)


def result_fields(result: TdcResult | LobeResult) -> Fields:
    """Give the fields of one result, exactly as ``measure --json`` prints them after `file` and `kind`."""
    return _tdc_fields(result) if isinstance(result, TdcResult) else _lobe_fields(result)


def detail_fields(result: TdcResult | LobeResult) -> Fields:
    """Give what else a result knows: the budget, standard uncertainties, centres at other drops."""
    budget = [_contribution(part) for part in result.budget]
    if isinstance(result, TdcResult):
        return _numbers(result, DETAIL_OF_TDC) | {"budget": budget}
    return _numbers(result, DETAIL_OF_LOBE) | {
        "budget": budget,
        "centres": [_plain(asdict(centre)) for centre in result.centres],
        "equal_readings": [_plain(asdict(pair)) for pair in result.equal_readings],
        "events": [_plain(asdict(event)) for event in result.events],
    }


def together_fields(result: TogetherResult) -> Fields:
    """Give the fields of everything found in the same turns; TDC and lobes as `result_fields` has them."""
    return {
        "tdc": {"gauge": result.piston} | result_fields(result.tdc),
        "overlap_tdc_deg": _finite(result.overlap_tdc_deg),
        "lobes": [
            {"gauge": one.gauge, "valve": one.valve, "card_deg": _finite(one.card_deg)}
            | result_fields(one.lobe)
            | {"apart_u95_deg": _finite(one.apart_u95_deg)}
            for one in result.lobes
        ],
        "separations": [_plain(asdict(one)) for one in result.separations],
        "warnings": [_plain(asdict(warning)) for warning in result.warnings],
    }


def error_fields(code: str, message: str) -> Fields:
    """Give the `error` of a refused or unreadable file."""
    return {"error": {"code": code, "message": message}}


def _tdc_fields(result: TdcResult) -> Fields:
    return _numbers(result, OF_TDC) | {
        "passes": [_pass(one) for one in result.passes],
        "equal_readings": [_plain(asdict(pair)) for pair in result.equal_readings],
        "warnings": [_plain(asdict(warning)) for warning in result.warnings],
    }


def _lobe_fields(result: LobeResult) -> Fields:
    events = [
        {
            "lift_mm": event.lift_mm,
            "opens_deg": event.opens_deg,
            "closes_deg": event.closes_deg,
            "duration_deg": event.duration_deg,
        }
        for event in result.events
    ]
    return _numbers(result, OF_LOBE) | {
        "events": [_plain(event) for event in events],
        "passes": [_pass(one) for one in result.passes],
        "warnings": [_plain(asdict(warning)) for warning in result.warnings],
    }


def _numbers(result: TdcResult | LobeResult, names: tuple[str, ...]) -> Fields:
    return {name: _finite(getattr(result, name)) for name in names}


def _pass(one: Pass) -> Fields:
    return _plain(asdict(one))


def _contribution(part: Contribution) -> Fields:
    return _plain(asdict(part))


def _plain(fields: Fields) -> Fields:
    return {name: _finite(value) for name, value in fields.items()}


def _finite(value: Any) -> Any:
    """Turn numbers of numpy into plain ones, and those that are no number into null."""
    if isinstance(value, (bool, str)) or value is None:
        return value
    if isinstance(value, int):
        return int(value)
    plain = value.item() if hasattr(value, "item") else value
    return plain if not isinstance(plain, float) or math.isfinite(plain) else None
