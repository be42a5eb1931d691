"""Fault 35: whose capture is it? Stale facts, copied folders, a bench file changed behind the service's back."""

from __future__ import annotations

import json
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from running import RunningShop, running, write_bench
from waiting import until

from capture.base import FeedAbsent, is_held
from capture.feed import LiveClient
from capture.store import StreamReader

pytestmark = pytest.mark.faults


@pytest.fixture
def foreign(tmp_path: Path) -> Iterator[subprocess.Popen[bytes]]:
    """A process of somebody else that has the word `capture` in its command line."""
    folder = tmp_path / "screen-capture"
    folder.mkdir()
    script = folder / "capture.py"
    script.write_text("import time\ntime.sleep(600)\n")
    other = subprocess.Popen([sys.executable, script])
    yield other
    other.kill()
    other.wait()


def facts(data: Path) -> dict[str, Any]:
    told: dict[str, Any] = json.loads((data / "capture.json").read_text())
    return told


def run_of(shop: RunningShop) -> int:
    """The run that the service hears, once it hears one."""
    with shop.client() as client:
        return int(until(lambda: client.get("/api/bench").json()["run_id"], "a run is heard", 180))


def test_stale_facts_that_name_a_stranger_harm_nobody(
    tmp_path: Path, foreign: subprocess.Popen[bytes], measured: Any
) -> None:
    data = tmp_path / "data"
    data.mkdir()
    for name in ("capture.json", "web.json"):
        told = {
            "pid": foreign.pid,
            "socket": str(tmp_path / "gone"),
            "run_id": 7,
            "url": "http://127.0.0.1:9",
        }
        (data / name).write_text(json.dumps(told))
    (data / "capture.lock").write_text(str(foreign.pid))
    with running(tmp_path) as shop:
        assert run_of(shop) == 1
        assert facts(data)["pid"] != foreign.pid
    assert foreign.poll() is None, "the stranger still runs"
    measured(35, "stale or copied facts of a capture; a bench file changed", "no foreign process was touched")


def test_a_folder_copied_while_it_was_recorded_into_gets_a_capture_of_its_own(tmp_path: Path) -> None:
    (tmp_path / "one").mkdir()
    (tmp_path / "two").mkdir()
    with running(tmp_path / "one") as first:
        run_of(first)
        copy = tmp_path / "two" / "data"
        shutil.copytree(first.data, copy, ignore=shutil.ignore_patterns("*-shm"))
        with pytest.raises(FeedAbsent):
            LiveClient(copy)
        here = facts(first.data)["pid"]
        with running(tmp_path / "two", data=copy) as second:
            until(lambda: facts(copy)["pid"] != here and run_of(second) == 2, "a run of its own", 180)
            second.stop()
        assert is_held(first.data), "the first one's capture was left alone"
        assert facts(first.data)["pid"] == here


def test_a_capture_left_behind_is_taken_over_and_goes_on(tmp_path: Path) -> None:
    with running(tmp_path) as shop:
        run = run_of(shop)
        own = facts(shop.data)["pid"]
        shop.kill()
        shop.start()
        assert (run_of(shop), facts(shop.data)["pid"]) == (run, own)


def test_a_bench_file_changed_while_the_service_was_dead_begins_a_new_run_and_says_so(
    tmp_path: Path, measured: Any
) -> None:
    with running(tmp_path) as shop:
        assert run_of(shop) == 1
        shop.kill()
        write_bench(tmp_path, rpm=2400)
        shop.start()
        until(lambda: run_of(shop) == 2, "a new run", 180)
        assert "a new run begins" in shop.log()
        codes = {event.code for event in StreamReader(shop.data).events(2)}
        until(
            lambda: "bench_changed" in {e.code for e in StreamReader(shop.data).events(2)}, f"said: {codes}"
        )
        first = next(run for run in StreamReader(shop.data).runs() if run.id == 1)
        assert first.ending == "stopped", "the old one stored everything and ended in good order"
    measured(35, "stale or copied facts of a capture; a bench file changed", "a new run, and it says so")


def test_a_capture_that_hangs_is_ended_by_the_lock_it_holds(tmp_path: Path) -> None:
    with running(tmp_path) as shop:
        run_of(shop)
        own = facts(shop.data)["pid"]
        shop.kill()
        subprocess.run(["kill", f"-{signal.SIGSTOP.value}", str(own)], check=True)
        (shop.data / "capture.json").unlink()
        shop.start()
        until(lambda: run_of(shop) == 2, "a new run", 180)
        assert facts(shop.data)["pid"] != own
