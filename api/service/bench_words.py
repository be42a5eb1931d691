"""What the bench file says of each instrument, beside what capture tells of its channel."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from analysis.base import USUAL_ENCODER_ERROR_DEG, USUAL_GAUGE_ERROR_MM, USUAL_RETRACE_MM
from capture.base import BenchFileError
from capture.bench import Bench, load_bench

Spec = dict[str, Any]
USUAL_OF_ENCODER = {"error_deg": USUAL_ENCODER_ERROR_DEG}
USUAL_OF_GAUGE = {"error_mm": USUAL_GAUGE_ERROR_MM, "retrace_mm": USUAL_RETRACE_MM}


def described(specs: list[Spec], bench_file: Path | None) -> list[Spec]:
    """Give each channel with its port and way of speaking, where the bench file still says so.

    Parameters
    ----------
    specs : list of dict
        Channels as capture runs them; what it says goes before what the file says by now.
    bench_file : Path or None
        `None` where capture is somebody else's.
    """
    said = _said(bench_file)
    return [{**said.get(spec["name"], {}), **spec} for spec in specs]


def _said(bench_file: Path | None) -> dict[str, Spec]:
    if bench_file is None:
        return {}
    try:
        bench = load_bench(bench_file)
    except BenchFileError:
        return {}  # it was changed since capture read it; what capture tells still stands
    return {name: spec | _supposed(spec) for name, spec in instruments_of(bench).items()}


def _supposed(spec: Spec) -> Spec:
    """Limits that nobody stated, with what is taken for each instead."""
    usual = USUAL_OF_ENCODER if "counts_per_turn" in spec else USUAL_OF_GAUGE
    left_out = {name: value for name, value in usual.items() if name not in spec}
    return {"supposed": left_out} if left_out else {}


def instruments_of(bench: Bench) -> dict[str, Spec]:
    """Give what a bench file says, by channel; what it leaves empty is left out."""
    return {
        instrument.channel.name: {
            name: value
            for name, value in instrument.model_dump(exclude={"name", "unit", "sign"}).items()
            if value not in {None, ""}
        }
        for instrument in bench.instruments
    }
