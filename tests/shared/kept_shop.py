"""Data folders for the archive's tests: a job from a job file with its traces, and runs of our own stream store."""

from __future__ import annotations

import random
import time
from pathlib import Path
from typing import Any

from api.archive import read_job
from api.sheet import show_job
from api.store import ShopStore
from capture.base import Channel, Segment
from capture.store import StreamWriter
from capture.store.blocks import Block
from capture.store.stream_store import Batch

CRANK = Channel("crank", "crank", "deg", counts_per_turn=3600)
DIAL = Channel("dial_a", "gauge", "mm")
JOB_FILE = Path(__file__).parents[1] / "api" / "jobs" / "recorded" / "before" / "job.zip"


def add_job(data: Path) -> int:
    """Take in a finished job from elsewhere."""
    data.mkdir(exist_ok=True)
    shop = ShopStore(data)
    try:
        return read_job(JOB_FILE, shop, data, show_job)
    finally:
        shop.close()


def add_run(data: Path, blocks: int, *, ended: bool = True, seed: int = 1) -> int:
    """Store a run of so many blocks on each of two channels."""
    data.mkdir(exist_ok=True)
    writer, noise = StreamWriter(data), random.Random(seed)
    run = writer.begin_run(
        [CRANK, DIAL], mono_ns=0, wall_ns=time.time_ns(), pid=1, boot_id=f"boot{seed}", bench=""
    )
    for channel in (CRANK, DIAL):
        segment, batch = Segment(0, "fresh", 0, 2), Batch()
        batch.segments.append((channel, segment, 0, 1))
        shape = [noise.randrange(10**4) for _ in range(250)]
        for number in range(blocks):
            turned = noise.randrange(10**4)
            block = Block(channel, segment, number * 250)
            block.t_ns = [number * 10**9 + place * 4_000_000 + 1 for place in range(250)]
            block.raw = [shape[place] + turned for place in range(250)]
            block.folded = [0] * 250
            batch.blocks.append(block)
        writer.write(batch)
    if ended:
        writer.end_run(blocks * 10**9, time.time_ns())
    writer.close()
    return run


def change(data: Path, table: str, row: dict[str, Any]) -> None:
    """Put one row into the shop."""
    shop = ShopStore(data)
    try:
        shop.write(lambda db: db.table(table).insert(row))
    finally:
        shop.close()


def measured(run: int, job: int | None, **more: Any) -> dict[str, Any]:
    """A measurement on a stored run."""
    row = {"what": "tdc", "touches": "piston_1", "gauge": "dial_a", "settings": "{}", "state": "finished"}
    row |= {"started_at": "2026-11-20T08:00:00+00:00", "run_id": run, "job_id": job}
    return {**row, "start_ns": 2 * 10**9, "end_ns": 5 * 10**9, **more}


def signed_off(job: int, number: int) -> dict[str, Any]:
    """The fact that a job was signed."""
    what = '{"kind": "signed_off", "statement": "as measured"}'
    return {
        "job_id": job,
        "number": number,
        "at": "t",
        "by": "Ida Thorne",
        "kind": "signed_off",
        "what": what,
    }
