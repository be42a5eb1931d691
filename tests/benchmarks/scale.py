"""A tenth of ten years in a busy shop: 2,000 traces of 100,000 readings; how long, how large, how far it carries.

    python tests/benchmarks/scale.py [--traces 2000] [--readings 100000] [--jobs 250] [--folder FOLDER]

A few traces are simulated, packed as capture packs them, and stored again and again under new stamps, so that the
store has the rows, the sizes and the indexes of years. Then the web service is asked in this process, a backup is
made, proved and restored, and old readings are tidied away. Limits: list and search 200 ms, open a trace 1 s.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import datetime as dt
import json
import os
import shutil
import sqlite3
import sys
import tempfile
import time
from collections.abc import Awaitable, Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import httpx
import numpy as np

from analysis.base import GaugeFacts, LobeSettings, Streams, TdcSettings
from api.archive import TidyRules, back_up, restore, tidy, verify
from api.base import ServiceConfig
from api.live import PROGRAM, estimate
from api.records import contents_of
from api.store import ShopStore
from api.web import create_app
from capture.base import Channel, Segment
from capture.bench import parse_bench
from capture.store import StreamWriter, open_for_writing
from capture.store.blocks import Block, BlockBuilder
from simulated_devices.machine import Hand, Manner
from simulated_devices.scenarios import load_scenario
from simulated_devices.scenarios.scenario_build import setup_of
from simulated_devices.traces import Trace, record

LIST_MS, OPEN_MS = 200.0, 1000.0
WHOLE = 20_000
DAY_NS = 86_400 * 10**9
TRACES_A_DAY = 8
BENCH = """[crank]
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


def told(name: str, value: float, unit: str, limit: float | None = None, whole: float | None = None) -> None:
    """One line: what was seen, against its limit, and what it comes to at the whole size."""
    line = f"{name:<44}{value:>12,.1f} {unit:<4}"
    if limit is not None:
        line += f" {value / limit:6.2f} of the limit ({'within' if value <= limit else 'OVER'})"
    if whole is not None:
        line += f"  at {WHOLE:,} traces: {whole:,.1f} {unit}"
    print(line, flush=True)


# -- making it


def simulated(onto: str, seed: int, readings: int) -> Trace:
    """A trace of so many readings: the crank turned round and round, the encoder fast enough to give them."""
    scenario = load_scenario("hollin_lane_twin_cam")
    hand = Hand(-60.0, Manner(speed_deg_s=30.0, wander=0.3))
    while hand.done().duration_s < 60.0:
        hand = hand.rock(0.0, 60.0, 1) if onto.startswith("piston") else hand.by(360.0)
    motion = hand.done()
    rate_hz = max(100.0, readings / motion.duration_s - 10.0)
    encoder = scenario.encoder.model_copy(update={"rate_hz": rate_hz, "counts_per_turn": 36_000})
    scenario = scenario.model_copy(update={"encoder": encoder})
    setup = replace(setup_of(scenario, motion, {"dial_a": onto}), arrival_spread_s=0.0003)
    return record(setup, np.random.default_rng(seed))


def packed(trace: Trace, channels: list[Channel]) -> list[tuple[Channel, list[Block]]]:
    """The trace's blocks, as capture packs them."""
    gauge = trace.gauges["dial_a"]
    raws = {
        "crank": (trace.crank_time_s, np.round(trace.crank_deg * 100.0 - 0.5)),
        "dial_a": (gauge.time_s, np.round(gauge.value_mm * 100.0)),
    }
    found = []
    for channel in channels:
        segment = Segment(0, "start", decimals=0 if channel.name == "crank" else 2)
        builder = BlockBuilder(channel)
        pairs = zip(*raws[channel.name], strict=True)
        blocks = [builder.add(segment, k, int(t * 1e9), int(raw)) for k, (t, raw) in enumerate(pairs)]
        found.append((channel, [*dict.fromkeys(b for b in [*blocks, builder.close()] if b is not None)]))
    return found


def measured(trace: Trace, onto: str) -> dict[str, Any]:
    """What the analysis says of the trace, as it is kept."""
    gauge = trace.gauges["dial_a"]
    streams = Streams(trace.crank_time_s, trace.crank_deg, gauge.time_s, gauge.value_mm)
    settings = TdcSettings() if onto.startswith("piston") else LobeSettings()
    outcome = estimate(streams, settings, GaugeFacts(step_mm=0.01, error_mm=0.02))
    row = {"what": "tdc" if onto.startswith("piston") else "lobe", "touches": onto, "gauge": "dial_a"}
    row |= {"state": "finished" if outcome.result else "refused", "sentence": outcome.sentence}
    for name in ("result", "detail", "error"):
        row[name] = json.dumps(getattr(outcome, name)) if getattr(outcome, name) else None
    facts = {"step_mm": 0.01, "error_mm": 0.02, "lag_from": None}
    return row | {"settings": "{}", "facts": json.dumps(facts), "program": PROGRAM}


def make(data: Path, traces: int, readings: int, jobs: int) -> None:
    """Fill both databases; the oldest trace is ten years old, the newest of today."""
    bench = parse_bench(BENCH.encode())
    bench = bench.model_copy(update={"crank": bench.crank.model_copy(update={"counts_per_turn": 36_000})})
    channels = list(bench.channels)
    pool = []
    for number, onto in enumerate(("piston_1", "inlet_1", "exhaust_1", "piston_4")):
        trace = simulated(onto, number, readings)
        blobs = [(c, [(b, b.packed()) for b in blocks]) for c, blocks in packed(trace, channels)]
        pool.append((blobs, int(trace.crank_time_s[-1] * 1e9) + 10**9, measured(trace, onto)))
        print(f"   {onto}: {trace.crank_deg.size:,} counts, {pool[-1][2]['sentence']}", flush=True)
    rows = store_streams(data, pool, channels, traces)
    store_shop(data, rows, jobs)


def store_streams(data: Path, pool: list[Any], channels: list[Channel], traces: int) -> list[dict[str, Any]]:
    runs = -(-traces // TRACES_A_DAY)
    now_ns, rows = time.time_ns(), []
    StreamWriter(data).close()
    connection = open_for_writing(data / "streams.db")
    for run in range(1, runs + 1):
        started_ns = now_ns - round((1 - run / runs) * 3650 * DAY_NS) - DAY_NS
        connection.execute("BEGIN IMMEDIATE")
        connection.execute(
            "INSERT INTO runs (id, started_mono_ns, started_wall_ns, boot_id, pid, bench, ended_mono_ns, ended_wall_ns,"
            " ending) VALUES (?, 0, ?, 'x', 1, ?, ?, ?, 'stopped')",
            (run, started_ns, BENCH, 8 * 3600 * 10**9, started_ns + 8 * 3600 * 10**9),
        )
        connection.execute(
            "INSERT INTO anchors (run_id, mono_ns, wall_ns) VALUES (?, 0, ?)", (run, started_ns)
        )
        ids = {}
        for channel in channels:
            ids[channel.name] = connection.execute(
                "INSERT INTO channels (run_id, name, quantity, unit, sign, counts_per_turn, device)"
                " VALUES (?, ?, ?, ?, ?, ?, '')",
                (run, channel.name, channel.quantity, channel.unit, channel.sign, channel.counts_per_turn),
            ).lastrowid
        first = dict.fromkeys(ids, 0)
        for place in range(min(TRACES_A_DAY, traces - (run - 1) * TRACES_A_DAY)):
            blobs, length_ns, row = pool[(run + place) % len(pool)]
            start_ns = (place + 1) * 3000 * 10**9
            for channel, blocks in blobs:
                segment = place
                decimals = 0 if channel.name == "crank" else 2
                connection.execute(
                    "INSERT INTO segments (channel_id, number, reason, shift, decimals, first, start_ns)"
                    " VALUES (?, ?, 'start', 0, ?, ?, ?)",
                    (ids[channel.name], segment, decimals, first[channel.name], start_ns),
                )
                values = [
                    (ids[channel.name], segment, first[channel.name] + b.first, len(b.t_ns), b.lines,
                     start_ns + b.t_ns[0], start_ns + b.end_ns, start_ns + b.tail_ns if b.tail_lines else 0,
                     b.tail_lines, blob)
                    for b, blob in blocks
                ]  # fmt: skip
                connection.executemany(
                    "INSERT INTO blocks (channel_id, segment, first, kept, lines, start_ns, end_ns, tail_ns,"
                    " tail_lines, data) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                    values,
                )
                first[channel.name] += blocks[-1][0].last + 1
            at = dt.datetime.fromtimestamp((started_ns + start_ns) / 1e9, dt.UTC).isoformat(
                timespec="milliseconds"
            )
            rows.append(
                {**row, "run_id": run, "start_ns": start_ns, "end_ns": start_ns + length_ns, "started_at": at}
            )
        connection.execute("COMMIT")
    connection.close()
    return rows


def store_shop(data: Path, rows: list[dict[str, Any]], jobs: int) -> None:
    """Jobs by the service's own interface where they are begun, measurements as it would have kept them."""
    engine = {
        "name": "Tarn 1.8 twin-cam",
        "cylinders": ["1", "2", "3", "4"],
        "firing_order": ["1", "3", "4", "2"],
    }
    engine |= {"stroke_mm": 80, "rod_mm": 135, "pin_offset_mm": 0.8, "pin_side_known": True}
    side = {"drop_mm": 1.27, "checking_clearance_mm": 0.25}
    card = {
        "name": "Whinfell 262",
        "way": "full_lift",
        "inlet": {"full_lift_deg": 108, "lift_mm": 9.4, **side},
        "exhaust": {"full_lift_deg": 112, "lift_mm": 9.1, **side},
    }

    async def begin(ask: Any) -> None:
        made = [
            await ask("POST", "/api/engines", {"layout": "twin cam", "engine": engine}),
            await ask("POST", "/api/cards", {"card": card}),
        ]
        for number in range(jobs):
            entry = {"reference": f"HL-{number:05d}", "engine_id": made[0]["id"], "card_id": made[1]["id"]}
            await ask(
                "POST",
                "/api/jobs",
                {**entry, "builder": "Ida Thorne", "customer": f"Merrick {number % 97}", "open": False},
            )

    asked(data, begin)
    store = ShopStore(data)
    for place, row in enumerate(rows):
        row["job_id"] = 1 + place * jobs // len(rows) if jobs else None
    store.write(lambda db: db.table("measurements").insert_all(rows))
    signed = dt.datetime.now(dt.UTC).isoformat()
    store.write(
        lambda db: db.execute(
            "UPDATE jobs SET signed_at = ?, signed_by = 'Ida Thorne' WHERE id % 2", (signed,)
        )
    )
    store.close()


# -- asking it


def asked(data: Path, story: Callable[[Any], Awaitable[None]]) -> None:
    """Run a story against the service, in this process."""
    app = create_app(ServiceConfig(data))

    async def whole() -> None:
        async with app.router.lifespan_context(app):
            transport = httpx.ASGITransport(app)
            async with httpx.AsyncClient(
                transport=transport, base_url="http://localhost", timeout=300
            ) as client:

                async def ask(method: str, path: str, body: Any = None) -> Any:
                    answer = await client.request(method, path, json=body)
                    assert answer.status_code < 300, (method, path, answer.text[:300])
                    return answer.json()

                await story(ask)

    asyncio.run(whole())


async def timings(ask: Any, traces: int, jobs: int) -> None:
    async def took(path: str, times: int = 5) -> tuple[float, Any]:
        found, answer = [], None
        for _ in range(times):
            began = time.perf_counter()
            answer = await ask("GET", path)
            found.append((time.perf_counter() - began) * 1e3)
        return float(np.median(found)), answer

    for name, path in (
        ("list of measurements, newest 100", "/api/measurements"),
        ("list of measurements, from the middle", f"/api/measurements?before={traces // 2}"),
        ("measurements of one job", f"/api/measurements?job_id={max(1, jobs // 2)}"),
        ("one measurement", f"/api/measurements/{traces // 3}"),
        ("list of jobs, 100", "/api/jobs"),
        ("list of jobs, 1,000", "/api/jobs?limit=1000"),
        ("search of jobs, a reference", f"/api/jobs?words=HL-{jobs // 2:05d}"),
        ("search of jobs, a customer", "/api/jobs?words=Merrick%2042"),
        ("search of jobs, nothing found", "/api/jobs?words=nobody"),
    ):
        told(name, (await took(path))[0], "ms", LIST_MS)
    await took(f"/api/measurements/{traces}/trace", 1)  # so that everything is loaded that is loaded once
    opened, spent = [], []
    for number in np.random.default_rng(1).integers(1, traces, 12):
        began_cpu = time.process_time()
        opened.append((await took(f"/api/measurements/{number}/trace", 1))[0])
        spent.append((time.process_time() - began_cpu) * 1e3)
    told("open a trace never opened before, median", float(np.median(opened)), "ms", OPEN_MS)
    told("open a trace never opened before, slowest", max(opened), "ms", OPEN_MS)
    told("   processor time of these, slowest", max(spent), "ms", OPEN_MS)


def seconds(work: Callable[[], Any]) -> tuple[float, Any]:
    began = time.perf_counter()
    outcome = work()
    return time.perf_counter() - began, outcome


def scale(folder: Path, traces: int, readings: int, jobs: int) -> None:
    data = folder / "data"
    data.mkdir(parents=True)
    took_s, _ = seconds(lambda: make(data, traces, readings, jobs))
    contents, factor = contents_of(data), WHOLE / traces
    print(
        f"{contents}; made in {took_s:.0f} s; SQLite {sqlite3.sqlite_version}, load {os.getloadavg()[0]:.1f}"
    )
    sizes = {name: (data / name).stat().st_size / 1e6 for name in ("streams.db", "shop.db")}
    for name, size in sizes.items():
        told(f"size of {name}", size, "MB", whole=size * factor)
    told("bytes a reading", sizes["streams.db"] * 1e6 / contents.readings, "B")
    asked(data, lambda ask: timings(ask, traces, jobs))
    file = folder / "shop.lwbackup"
    took_s, _ = seconds(lambda: back_up(data, file))
    told("backup", took_s, "s", whole=took_s * factor)
    told("size of the backup", file.stat().st_size / 1e6, "MB", whole=file.stat().st_size / 1e6 * factor)
    took_s, _ = seconds(lambda: verify(file))
    told("verify, every block unpacked", took_s, "s", whole=took_s * factor)
    took_s, _ = seconds(lambda: restore(file, folder / "back", replace=False))
    told("restore, verified first", took_s, "s", whole=took_s * factor)
    shutil.rmtree(folder / "back")
    rules = TidyRules(time.time_ns() - 5 * 365 * DAY_NS, unsigned_measurements=True)
    took_s, done = seconds(lambda: tidy(data, rules, dry_run=False))
    told(f"tidy, older than 5 years: {done.readings:,} readings", took_s, "s", whole=took_s * factor)
    told("size of streams.db after it", (data / "streams.db").stat().st_size / 1e6, "MB")


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--traces", type=int, default=2000)
    parser.add_argument("--readings", type=int, default=100_000, help="readings a trace")
    parser.add_argument("--jobs", type=int, default=250)
    parser.add_argument("--folder", type=Path, help="where to work; left out: a folder that is thrown away")
    options = parser.parse_args()
    with contextlib.ExitStack() as stack:
        folder = options.folder or Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="lw-scale-")))
        need = options.traces * options.readings * 4 * 4
        free = shutil.disk_usage(folder if folder.exists() else folder.parent).free
        if free < need:
            sys.exit(
                f"this needs about {need / 1e9:.1f} GB, and {free / 1e9:.1f} are free; ask for fewer --traces."
            )
        scale(folder, options.traces, options.readings, options.jobs)


if __name__ == "__main__":
    main()
