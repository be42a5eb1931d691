"""A shop whose import, finish, tidy or restore is killed at one system call after another: whole or not at all.

The calls are those that change a file or a folder. strace counts them, those of each
name and thread for themselves, and sends SIGKILL with the one that is asked for.
"""

from __future__ import annotations

import collections
import functools
import json
import os
import re
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from running import job_file, still_trace
from running import measured as told_of
from waiting import until

from api.archive import back_up, look_for_left
from api.records import MeasurementReader, StoredStreams
from api.sheet import show_job
from api.store import ShopReader, ShopStore
from capture.base import Channel, Segment
from capture.store import StreamReader, StreamWriter
from capture.store.blocks import BlockBuilder
from capture.store.stream_store import Batch, integrity
from simulated_devices.machine import Hand, Manner
from simulated_devices.scenarios import gauge_of, load_scenario, set_up
from simulated_devices.scenarios.scenario_build import setup_of
from simulated_devices.traces import Trace, record

HERE = Path(__file__).parent
CALLS = (
    "write,pwrite64,pwritev,openat,rename,renameat,renameat2,link,linkat,unlink,unlinkat,mkdir,mkdirat,rmdir,"
    "ftruncate,fsync,fdatasync,sendfile,copy_file_range,fcntl,fallocate"
)
LATER_NS, YEARS_NS = 10**9, 11 * 365 * 86_400 * 10**9
CRANK = Channel("crank", "crank", "deg", counts_per_turn=3600)
GAUGE = Channel("dial_a", "gauge", "mm")


def can_trace() -> bool:
    """Whether strace is here and may trace."""
    found = shutil.which("strace")
    return (
        found is not None and subprocess.run([found, "-o", "/dev/null", "true"], check=False).returncode == 0
    )


# -- a shop


@functools.cache
def _trace() -> Trace:
    chance = np.random.default_rng(1804)
    motion = Hand(-140.0, Manner(40.0, 0.1), chance).rock(0.0, 45.0, 2, (60.0, 50.0)).done()
    scenario = load_scenario("hollin_lane_twin_cam")
    setup = setup_of(scenario, motion)
    mounting = {"dial_a": set_up(gauge_of(scenario.gauge[0]), "piston_1", setup.engine)}
    return record(type(setup)(setup.engine, motion, setup.encoder, mounting), chance)


def _store_run(data: Path, trace: Trace, wall_ns: int) -> int:
    writer = StreamWriter(data)
    boot = f"boot{wall_ns}"
    run_id = writer.begin_run([CRANK, GAUGE], mono_ns=0, wall_ns=wall_ns, pid=1, boot_id=boot, bench="")
    batch = Batch()
    counts = np.floor(trace.crank_deg * 10.0).astype(int)
    for channel, time_s, raw, decimals in (
        (CRANK, trace.crank_time_s, counts, 0),
        (GAUGE, trace.gauge_time_s, np.round(trace.gauge_mm * 100.0).astype(int), 2),
    ):
        segment, builder = Segment(0, "start", 0, decimals), BlockBuilder(channel)
        stamps = [LATER_NS + round(float(one) * 1e9) for one in time_s]
        batch.segments.append((channel, segment, 0, stamps[0]))
        blocks = {}
        for number, (t_ns, value) in enumerate(zip(stamps, raw.tolist(), strict=True)):
            if (touched := builder.add(segment, number, t_ns, value)) is not None:
                blocks[id(touched)] = touched
        if (last := builder.close()) is not None:
            blocks[id(last)] = last
        batch.blocks += blocks.values()
    writer.write(batch)
    writer.end_run(100 * 10**9, wall_ns + 100 * 10**9)
    writer.close()
    return run_id


def _row(run_id: int, **more: Any) -> dict[str, Any]:
    plain = {
        "what": "tdc",
        "touches": "piston_1",
        "gauge": "dial_a",
        "settings": json.dumps({"encoder_error_deg": 0.05}),
        "facts": json.dumps({"error_mm": 0.01, "retrace_mm": 0.003}),
        "started_at": "2026-11-20T08:00:00.000+00:00",
        "run_id": run_id,
        "start_ns": LATER_NS,
    }
    return plain | more


def make_shop(data: Path, reference: str = "HL-1", runs: int = 2) -> None:
    """An old run, of which a signed job holds a part, a run of today with a measurement that goes on, a stray file."""
    data.mkdir()
    trace, shop = _trace(), ShopStore(data)
    began_ns = [time.time_ns() - YEARS_NS, time.time_ns()][:runs]
    stored = [_store_run(data, trace, wall_ns) for wall_ns in began_ns]
    at = "2026-11-20T08:00:00.000+00:00"
    job = {
        "reference": reference,
        "body": "{}",
        "at": at,
        "by": "Ida Thorne",
        "changed_at": at,
        "signed_at": at,
    }
    rows = [_row(stored[0], state="finished", end_ns=LATER_NS + 2 * 10**9, job_id=1)]
    rows += [_row(one, state="running") for one in stored[1:]]
    shop.write(lambda db: db.table("jobs").insert(job))
    for row in rows:
        shop.write(lambda db, row=row: db.table("measurements").insert(row))
    shop.close()
    (data / "imported").mkdir()
    (data / "imported" / "of-nothing.csv").write_text("time_s,channel,value\n")


def make_job_file(path: Path) -> None:
    """A job from elsewhere with two traces, of the engine and card of one that was kept."""
    kept = HERE.parent / "api" / "jobs" / "recorded" / "before" / "job.zip"
    traces = [told_of(1, "traces/one.csv"), told_of(2, "traces/two.csv", touches="piston_4")]
    path.write_bytes(
        job_file(kept.read_bytes(), traces, facts=[], adoptions=[], at="2026-11-20T08:00:01+00:00")
    )


# -- killing


@dataclass(frozen=True)
class Call:
    """A system call: its name, and which one of that name in its thread."""

    name: str
    number: int


class Doer:
    """Does things to data folders in processes of their own, traced or not."""

    def __init__(self) -> None:
        self._process = subprocess.Popen(
            [sys.executable, str(HERE / "killable.py")],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        self._told()

    def _told(self) -> dict[str, Any]:
        assert self._process.stdout is not None
        told: dict[str, Any] = json.loads(self._process.stdout.readline())
        return told

    def close(self) -> None:
        assert self._process.stdin is not None
        self._process.stdin.close()
        self._process.wait(20)
        assert self._process.stdout is not None
        self._process.stdout.close()

    def do(self, what: str, data: Path, file: Path, *options: str) -> int:
        """Do it, under strace with these options if there are any; gives the exit code, negative for a signal."""
        assert self._process.stdin is not None
        print(
            json.dumps({"do": what, "data": str(data), "file": str(file)}),
            file=self._process.stdin,
            flush=True,
        )
        pid = self._told()["pid"]
        tracer = None
        if options:
            tracer = subprocess.Popen(
                ["strace", "-f", "-qq", "-p", str(pid), *options], stderr=subprocess.DEVNULL
            )
            until(lambda: "TracerPid:\t0" not in Path(f"/proc/{pid}/status").read_text(), "it is traced")
        os.kill(pid, signal.SIGCONT)
        ended = int(self._told()["ended"])
        if tracer is not None:
            tracer.wait(20)
        return ended

    def calls(self, what: str, data: Path, file: Path, log: Path) -> list[Call]:
        """Do it whole, and give its calls in their order: each by name, and how many of that name its thread had made."""
        ended = self.do(what, data, file, "-o", str(log), "-e", f"trace={CALLS}")
        assert ended == 0, what
        made: collections.Counter[tuple[str, str]] = collections.Counter()
        calls = []
        for thread, name in re.findall(r"^(\d+) +([a-z0-9_]+)\(", log.read_text(), re.MULTILINE):
            made[thread, name] += 1
            calls.append(Call(name, made[thread, name]))
        return calls

    def kill_at(self, what: str, data: Path, file: Path, call: Call) -> int:
        inject = f"inject={call.name}:signal=KILL:when={call.number}"
        return self.do(what, data, file, "-o", "/dev/null", "-e", f"trace={call.name}", "-e", inject)


# -- what must hold


@dataclass(frozen=True)
class Trial:
    """One thing that is done: what is done it with, and what must hold after a kill, and done again."""

    what: str
    file: Path
    holds: Callable[[Path], bool]
    """Fails where it is neither whole nor not at all; tells whether it is whole."""
    refused_again: int = 0
    """How it ends when it is done once more on a folder where it is whole."""


def _rows(data: Path, sql: str) -> list[tuple[Any, ...]]:
    with closing(sqlite3.connect(f"{(data / 'shop.db').as_uri()}?mode=ro", uri=True)) as db:
        return db.execute(sql).fetchall()


def _nothing_lost(data: Path) -> None:
    """What was there before is there: the signed job, its readings to the last digit, whole databases."""
    assert _rows(data, "SELECT signed_at FROM jobs WHERE id = 1")[0][0]
    assert integrity(data / "streams.db") == "ok"
    assert _rows(data, "PRAGMA integrity_check") == [("ok",)]
    assert look_for_left(data, ShopReader(data)).without_trace == ()
    _is_computed(data, 1, LATER_NS + 2 * 10**9)


def _is_computed(data: Path, number: int, end_ns: int) -> None:
    one = MeasurementReader(ShopReader(data)).get(number)
    trace, interval = _trace(), StoredStreams(data).of(one)
    wanted = int(np.sum(np.round(trace.gauge_time_s * 1e9) + LATER_NS <= end_ns))
    assert len(interval.gauge_t_ns) == wanted
    assert len(interval.crank_t_ns) > wanted


def job_taken(data: Path) -> bool:
    _nothing_lost(data)
    jobs = _rows(data, "SELECT id FROM jobs WHERE id > 1")
    files = _rows(data, "SELECT imported_file FROM measurements WHERE imported_file IS NOT NULL")
    assert (len(jobs), len(files)) in {(0, 0), (1, 2)}
    assert all((data / "imported" / name).read_text() == still_trace() for (name,) in files)
    for (number,) in jobs:
        show_job(ShopReader(data), number)
    return bool(jobs)


def trace_taken(data: Path) -> bool:
    _nothing_lost(data)
    files = _rows(data, "SELECT imported_file FROM measurements WHERE imported_file IS NOT NULL")
    assert len(files) <= 1
    assert all((data / "imported" / name).read_text() == still_trace() for (name,) in files)
    return bool(files)


def finished(data: Path) -> bool:
    _nothing_lost(data)
    ((state, result, end_ns),) = _rows(data, "SELECT state, result, end_ns FROM measurements WHERE id = 2")
    assert (state, result is None, end_ns is None) in {("running", True, True), ("finished", False, False)}
    if state == "finished":
        _is_computed(data, 2, end_ns)
    return bool(state == "finished")


def tidied(data: Path) -> bool:
    _nothing_lost(data)
    with closing(sqlite3.connect(data / "streams.db")) as db:
        (gone,) = db.execute("SELECT coalesce(sum(lines), 0) FROM gaps WHERE reason = 'tidied'").fetchone()
        (lines,) = db.execute("SELECT sum(lines) FROM blocks").fetchone()
    trace = _trace()
    assert gone + lines == 2 * (len(trace.crank_time_s) + len(trace.gauge_time_s)), (
        "every line is kept or listed"
    )
    return bool(gone) and not (data / "imported" / "of-nothing.csv").exists()


def restored(data: Path) -> bool:
    """What is there after the next start is the one shop or the other, never a mixture and never an empty one."""
    ShopStore(data).close()
    ((reference,),) = _rows(data, "SELECT reference FROM jobs")
    runs = len(StreamReader(data).runs())
    assert (reference, runs) in {("HL-1", 2), ("HL-BACKED-UP", 1)}
    assert (data / "imported" / "of-nothing.csv").exists()
    assert integrity(data / "streams.db") == "ok"
    assert not list(data.glob(".restore.*"))
    return bool(reference == "HL-BACKED-UP")


@contextmanager
def trials() -> Iterator[tuple[Path, list[Trial]]]:
    """A shop to copy, and all that is done to it."""
    with tempfile.TemporaryDirectory(prefix="lw-killed-") as name:
        folder = Path(name)
        make_shop(folder / "shop")
        make_shop(folder / "other", "HL-BACKED-UP", runs=1)
        back_up(folder / "other", folder / "other.lwbackup")
        make_job_file(folder / "job.zip")
        (folder / "trace.csv").write_text(still_trace())
        nothing = folder / "nothing"
        yield (
            folder,
            [
                Trial("import of a job", folder / "job.zip", job_taken, refused_again=1),
                Trial("import of a trace", folder / "trace.csv", trace_taken, refused_again=1),
                Trial("finish", nothing, finished),
                Trial("tidy", nothing, tidied),
                Trial("restore", folder / "other.lwbackup", restored),
            ],
        )


@dataclass
class Outcome:
    """How often one thing was killed, and what was found then."""

    what: str
    calls: int
    killed: int = 0
    whole: int = 0


def kill_all_along(doer: Doer, folder: Path, trial: Trial, every: int, most: int) -> Outcome:
    """Kill at every so many-th call, at most so often, and at every renaming; look, do it again, and look again."""
    data = folder / "data"
    shutil.copytree(folder / "shop", data)
    calls = doer.calls(trial.what, data, trial.file, folder / "calls.log")
    outcome = Outcome(trial.what, len(calls))
    assert trial.holds(data), "done whole"
    step = max(every, -(-len(calls) // most))
    chosen = calls[step - 1 :: step] + [one for one in calls if one.name.startswith("rename")]
    for call in dict.fromkeys(chosen):
        shutil.rmtree(data)
        shutil.copytree(folder / "shop", data)
        if doer.kill_at(trial.what, data, trial.file, call) != -signal.SIGKILL:
            continue  # threads share their work a little otherwise each time
        outcome.killed += 1
        is_whole = trial.holds(data)
        outcome.whole += is_whole
        again = doer.do(trial.what, data, trial.file)
        assert again == (trial.refused_again if is_whole else 0), (trial.what, call, again)
        assert trial.holds(data), (trial.what, call)
    shutil.rmtree(data)
    return outcome
