"""How near the durations of a cam report come to what is true, and how often their intervals hold it.

    python tests/benchmarks/cam_report.py            500 random lobes from noisy traces, some minutes
    python tests/benchmarks/cam_report.py --quick    40

Lobes are of every family of the simulator, whose truth is scanned off its own lobe. Every lobe is turned over whole
turns, so that its base circle is seen. Printed for each check lift: the share of 95 % intervals that hold the
duration (limits 93 to 97 %) and the median error (at 1 mm at most 0.15 deg); and beside them what rounding to the
last digit would leave.
"""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from collections import defaultdict
from concurrent.futures import ProcessPoolExecutor

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "shared"))
from bench_cases import as_stored

from analysis.base import GaugeFacts, LobeSettings, Refusal
from analysis.report import CamReport, report_lobe
from simulated_devices.traces import Bench, random_lobe

Row = tuple[str, float, float]
PATTERNS = ("turns", "turns", "turns_and_back")


def measured(bench: Bench) -> CamReport:
    trace, known = bench.trace, bench.known
    streams = as_stored(trace)
    return report_lobe(
        streams,
        LobeSettings(tdc_deg=trace.truth.overlap_tdc_deg),
        GaugeFacts(known.lag_s, known.lag_u_s, known.step_mm, known.error_mm),
    )


def true_area(bench: Bench, lift_mm: float) -> float:
    """By the trapezoid over a dense scan of the simulator's own lobe."""
    valve = bench.trace.lobe.valve
    around = np.linspace(-360.0, 360.0, 72_001)
    lift = np.maximum(valve.lift_mm(around + valve.nose_deg), 0.0)
    open_ = lift >= lift_mm
    return float(np.sum(lift[open_]) * (around[1] - around[0]))


def rows_of(seed: int) -> list[Row]:
    rng = np.random.default_rng(seed)
    bench = random_lobe(rng, PATTERNS[seed % len(PATTERNS)])
    try:
        report = measured(bench)
    except Refusal as refusal:
        return [(f"refused: {refusal.code}", 0.0, 0.0)]
    rows: list[Row] = []
    for at in (*report.at_lifts, *report.at_inch_lifts):
        try:
            _, _, duration = bench.trace.lobe.events_deg(at.lift_mm)
        except ValueError:
            continue
        name = f"{at.lift_mm:.3f}"
        rows.append((f"duration {name}", at.duration_deg.value - duration, at.duration_deg.u95))
        area = true_area(bench, at.lift_mm)
        rows.append((f"area {name}", at.area_mm_deg.value - area, at.area_mm_deg.u95))
    valve = bench.trace.lobe.valve
    around = np.linspace(-360.0, 360.0, 72_001)
    slope = np.gradient(np.maximum(valve.lift_mm(around + valve.nose_deg), 0.0), around)
    for name, figure, true in (
        ("steepest opening", report.steepest_opening_mm_deg, slope.max()),
        ("steepest closing", report.steepest_closing_mm_deg, -slope.min()),
        ("peak lift", report.peak_lift_mm, bench.trace.lobe.peak_lift_mm),
        ("whole area", report.area_mm_deg, true_area(bench, 1e-9)),
    ):
        if figure is not None:
            rows.append((name, figure.value - float(true), figure.u95))
    if report.base_circle_mm is not None:
        rows.append(("base circle", report.base_circle_mm.value, report.base_circle_mm.u95))
    return rows


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--lobes", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--processes", type=int, default=1)
    asked = parser.parse_args()
    count = 40 if asked.quick else asked.lobes
    seeds = range(asked.seed * 100_000, asked.seed * 100_000 + count)
    found: dict[str, list[tuple[float, float]]] = defaultdict(list)
    with ProcessPoolExecutor(asked.processes) as pool:
        for rows in pool.map(rows_of, seeds):
            for name, error, u95 in rows:
                found[name].append((error, u95))
    print(f"{'figure':28} {'lobes':>6} {'inside %':>9} {'median error':>13} {'median u95':>11}")
    for name in sorted(found):
        errors, u95 = np.array(found[name]).T
        inside = np.mean(np.abs(errors) <= u95) * 100.0
        print(
            f"{name:28} {len(errors):6d} {inside:9.1f} {np.median(np.abs(errors)):13.4f} {np.median(u95):11.4f}"
        )


if __name__ == "__main__":
    main()
