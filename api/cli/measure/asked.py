"""What is said of engine, gauge and encoder on the command line, checked; usual limits where none are stated."""

from __future__ import annotations

import math
from dataclasses import replace

from analysis.base import (
    USUAL_ENCODER_ERROR_DEG,
    USUAL_GAUGE_ERROR_MM,
    USUAL_RETRACE_MM,
    GaugeFacts,
    LobeSettings,
    TdcSettings,
)
from api.base import MisuseError

MOST_LAG_S = 10.0


def tdc_settings(
    stroke_mm: float | None,
    rod_mm: float | None,
    pin_offset_mm: float | None,
    encoder_error_deg: float | None = None,
) -> TdcSettings:
    """Check what is said of the crank train; raises `MisuseError` where it cannot be."""
    _require_between("--stroke", stroke_mm, 1.0, 2000.0, "mm")
    _require_between("--rod", rod_mm, 1.0, 5000.0, "mm")
    _require_between("--pin-offset", pin_offset_mm, -100.0, 100.0, "mm")
    if rod_mm is not None and stroke_mm is None:
        raise MisuseError("contradictory_options", "--rod is of use only together with --stroke; give both.")
    if pin_offset_mm is not None and (stroke_mm is None or rod_mm is None):
        raise MisuseError("contradictory_options", "--pin-offset needs --stroke and --rod; give all three.")
    if stroke_mm is not None and rod_mm is not None and rod_mm <= stroke_mm / 2 + abs(pin_offset_mm or 0.0):
        raise MisuseError(
            "contradictory_options",
            f"a rod of {rod_mm:g} mm cannot turn over a stroke of {stroke_mm:g} mm; check both.",
        )
    return TdcSettings(stroke_mm, rod_mm, pin_offset_mm, encoder_error_deg=_encoder_limit(encoder_error_deg))


def lobe_settings(
    tdc_deg: float,
    drop_mm: float,
    check_lifts_mm: tuple[float, ...],
    encoder_error_deg: float | None = None,
) -> LobeSettings:
    """Check what is asked of a lobe; raises `MisuseError` where it cannot be."""
    _require_between("--tdc", tdc_deg, -1e9, 1e9, "deg")
    _require_between("--drop", drop_mm, 0.01, 50.0, "mm")
    for lift_mm in check_lifts_mm:
        _require_between("--check-lift", lift_mm, 0.005, 50.0, "mm")
    asked = LobeSettings(
        tdc_deg=tdc_deg,
        drop_mm=drop_mm,
        encoder_error_deg=_encoder_limit(encoder_error_deg),
        encoder_supposed=encoder_error_deg is None,
    )
    return replace(asked, check_lifts_mm=tuple(dict.fromkeys(check_lifts_mm))) if check_lifts_mm else asked


def gauge_facts(
    lag_s: float | None,
    error_mm: float | None = None,
    retrace_mm: float | None = None,
    found_retrace_mm: float | None = None,
) -> GaugeFacts:
    """Check what is said of the gauge; where a limit is left out, give the usual one."""
    _require_between("--lag", lag_s, -MOST_LAG_S, MOST_LAG_S, "s")
    _require_between("--gauge-error", error_mm, 0.0, 10.0, "mm")
    _require_between("--retrace", retrace_mm, 0.0, 10.0, "mm")
    _require_between("--found-retrace", found_retrace_mm, 0.0, 10.0, "mm")
    return GaugeFacts(
        lag_s=lag_s,
        error_mm=USUAL_GAUGE_ERROR_MM if error_mm is None else error_mm,
        retrace_mm=USUAL_RETRACE_MM if retrace_mm is None else retrace_mm,
        found_retrace_mm=found_retrace_mm,
    )


def _encoder_limit(encoder_error_deg: float | None) -> float:
    _require_between("--encoder-error", encoder_error_deg, 0.0, 10.0, "deg")
    return USUAL_ENCODER_ERROR_DEG if encoder_error_deg is None else encoder_error_deg


def supposed_limits(
    error_mm: float | None,
    retrace_mm: float | None,
    encoder_error_deg: float | None,
    found_retrace_mm: float | None = None,
) -> str:
    """Name the limits that nobody stated, in one line; empty where all were, or a retrace was found."""
    retrace_mm = retrace_mm if found_retrace_mm is None else found_retrace_mm
    parts = [
        (error_mm, f"gauge error {USUAL_GAUGE_ERROR_MM:g} mm (JIS B 7503, up to 30 mm; --gauge-error)"),
        (retrace_mm, f"retrace {USUAL_RETRACE_MM:g} mm (JIS B 7503, up to 30 mm; --retrace)"),
        (encoder_error_deg, f"encoder {USUAL_ENCODER_ERROR_DEG:g} deg over its turn (--encoder-error)"),
    ]
    left_out = [named for given, named in parts if given is None]
    return f"  Supposed, for nothing was stated: {', '.join(left_out)}" if left_out else ""


def _require_between(option: str, value: float | None, low: float, high: float, unit: str) -> None:
    if value is None or (math.isfinite(value) and low <= value <= high):
        return
    raise MisuseError("bad_option", f"{option} {value:g} is not possible; give {low:g} to {high:g} {unit}.")
