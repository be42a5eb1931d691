"""How long a stored two-minute trace takes to load and to fit, and how both grow.

    python tests/benchmarks/load_and_fit.py

The trace is written through capture's own packing into a real store, as a measurement would find it: 24,000
counts and 1,200 gauge readings in two minutes. Limits: fit 100 ms, load 1 s. Then the same as a trace file,
against the standard library's csv module in the same run; and files of 20,000 to 2,000,000 rows, to see how
reading grows.
"""

from __future__ import annotations

import csv
import os
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from analysis.base import GaugeFacts, LobeSettings, TdcSettings
from api.cli.gauges_of_trace import streams_of
from api.live.estimating import find
from api.records import StoredStreams, read_trace, trace_lines
from capture.base import Segment
from capture.bench import parse_bench
from capture.store import StreamWriter
from capture.store.blocks import BlockBuilder
from capture.store.stream_store import Batch
from simulated_devices.machine import Hand, Manner
from simulated_devices.scenarios import load_scenario
from simulated_devices.scenarios.scenario_build import setup_of
from simulated_devices.traces import Trace, record

LIMIT_FIT_MS = 100.0
LIMIT_LOAD_MS = 1000.0
REPEATS = 5
BENCH = """
[crank]
port = "/dev/ttyUSB0"
frame = "count"
counts_per_turn = 3600
[[gauge]]
name = "dial_a"
port = "/dev/ttyUSB1"
frame = "decimal"
step_mm = 0.01
error_mm = 0.02
"""


def timed_ms(work: Callable[[], Any]) -> tuple[float, Any]:
    """Processor time of the best of some runs: what the machine does besides does not count."""
    best, outcome = float("inf"), None
    for _ in range(REPEATS):
        began = time.process_time()
        outcome = work()
        best = min(best, (time.process_time() - began) * 1e3)
    return best, outcome


def two_minutes(onto: str) -> Trace:
    """Two minutes at the demo's bench: the gauge on the piston rocked, on a valve turned round and round."""
    scenario = load_scenario("hollin_lane_twin_cam")
    hand = Hand(-60.0, Manner(speed_deg_s=30.0))
    while hand.done().duration_s < 118.0:
        hand = hand.by(360.0) if onto.startswith("inlet") else hand.rock(0.0, 60.0, 1)
    return record(setup_of(scenario, hand.done(), {"dial_a": onto}), np.random.default_rng(18))


def store(trace: Trace, folder: Path) -> int:
    """Keep a trace as capture would; gives the end of the interval in ns."""
    bench = parse_bench(BENCH.encode())
    writer = StreamWriter(folder)
    writer.begin_run(bench.channels, mono_ns=0, wall_ns=0, pid=1, boot_id="x", bench=BENCH)
    gauge = trace.gauges["dial_a"]
    raws = {
        "crank": (trace.crank_time_s, np.round(trace.crank_deg * 10.0 - 0.5)),
        "dial_a": (gauge.time_s, np.round(gauge.value_mm * 100.0)),
    }
    for channel in bench.channels:
        segment = Segment(0, "start", decimals=0 if channel.name == "crank" else 2)
        builder = BlockBuilder(channel)
        blocks = [
            builder.add(segment, k, int(t * 1e9), int(raw))
            for k, (t, raw) in enumerate(zip(*raws[channel.name], strict=True))
        ]
        kept = [*dict.fromkeys(block for block in [*blocks, builder.close()] if block is not None)]
        writer.write(Batch(blocks=kept, segments=[(channel, segment, 0, 0)]))
    writer.close()
    return int(trace.crank_time_s[-1] * 1e9)


def with_csv_module(path: Path) -> int:
    """The rival: the standard library's csv module, row by row, checking nothing."""
    with path.open(newline="") as file:
        rows = [(float(row["time_s"]), row["channel"], float(row["value"])) for row in csv.DictReader(file)]
    return len(rows)


def judged(name: str, took_ms: float, limit_ms: float) -> None:
    verdict = "within" if took_ms <= limit_ms else "OVER"
    print(f"{name:42} {took_ms:8.1f} ms   of the limit {took_ms / limit_ms:5.2f} ({verdict})")


def main() -> None:
    print(
        f"load of the machine: {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors; processor time, best of {REPEATS}"
    )
    facts = GaugeFacts(step_mm=0.01, error_mm=0.02)
    for onto, settings in (("piston_1", TdcSettings()), ("inlet_1", LobeSettings())):
        trace = two_minutes(onto)
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            end_ns = store(trace, folder)
            load_ms, interval = timed_ms(lambda: StoredStreams(folder).of_run(1, "dial_a", 0, end_ns))
            streams = interval.streams()
            print(
                f"{onto}: {trace.crank_deg.size} counts sent, {streams.crank_deg.size} kept, {streams.gauge_mm.size} readings"
            )
            judged("  load from the store", load_ms, LIMIT_LOAD_MS)
            fit_ms, _ = timed_ms(lambda: find(streams, settings, facts))
            judged("  fit", fit_ms, LIMIT_FIT_MS)
            path = folder / "trace.csv"
            path.write_text("".join(trace_lines(interval.channels(), 0)))
            ours_ms, _ = timed_ms(lambda: streams_of(read_trace(path), None))
            csv_ms, _ = timed_ms(lambda: with_csv_module(path))
            print(
                f"  {'read the trace file':40} {ours_ms:8.1f} ms   of the csv module {ours_ms / csv_ms:5.2f}"
            )
    growth()


def growth() -> None:
    """Reading against the number of rows."""
    print("reading a trace file, processor time a row:")
    with tempfile.TemporaryDirectory() as name:
        for rows in (20_000, 200_000, 2_000_000):
            path = Path(name) / "long.csv"
            with path.open("w") as file:
                file.write("time_s,channel,value\n0.000,dial_mm,1.00\n")
                file.writelines(f"{k / 500:.3f},crank_deg,{k * 0.1 + 0.05:.2f}\n" for k in range(rows))
            began = time.process_time()
            read_trace(path)
            print(f"  {rows:9,} rows  {(time.process_time() - began) / rows * 1e6:6.2f} µs a row")


if __name__ == "__main__":
    main()
