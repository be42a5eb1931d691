"""Faults 12 to 15: others at our ports, devices swapped, no permission."""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest
from waiting import within_s

pytestmark = pytest.mark.faults

THIEF = (
    "import os, sys, time\nfd = os.open(sys.argv[1], os.O_RDWR | os.O_NOCTTY)\nprint('open', flush=True)\n"
)
STEALS = THIEF + "while True:\n    os.read(fd, 1)\n    time.sleep(0.01)\n"
LOCKS = THIEF + "import fcntl\nfcntl.flock(fd, fcntl.LOCK_EX)\nprint('locked', flush=True)\ntime.sleep(60)\n"


def other_program(code: str, device: str) -> subprocess.Popen[str]:
    other = subprocess.Popen([sys.executable, "-c", code, device], stdout=subprocess.PIPE, text=True)
    assert other.stdout and other.stdout.readline() == "open\n"
    return other


def end(other: subprocess.Popen[str]) -> None:
    other.kill()
    other.wait()
    assert other.stdout
    other.stdout.close()


def test_another_program_that_reads_the_port_is_told_by_name(
    make_bench: Any, helpers: Any, measured: Any
) -> None:
    bench = make_bench()
    client = bench.client()
    helpers.wait_for(client, helpers.is_state("crank", "online"), 30)
    device = bench.order("set")["device"]
    began_s = time.monotonic()
    other = other_program(STEALS, device)
    message = helpers.wait_for(client, helpers.is_state("crank", "shared", "garbled"), 5)
    told_s = time.monotonic() - began_s
    sentence = message.get("sentence") or helpers.state_of(message, "crank")["sentence"]
    end(other)
    helpers.wait_for(client, helpers.is_state("crank", "online"), 8)
    bench.stop()
    assert told_s < within_s(2.0)
    assert str(other.pid) in sentence
    bench.check_always("plunger")
    measured(12, "another program reads the port", f"told after {told_s:.2f} s, with its process number")


def test_a_port_locked_by_another_is_busy_with_its_pid_and_opens_when_that_is_killed(
    make_bench: Any, helpers: Any, measured: Any, switches: Any
) -> None:
    """And a slow disk holds up the start: what comes between the run's begin and its readers' is listed too."""
    bench = make_bench(environment=switches.environment)
    client = bench.client()
    helpers.wait_for(client, helpers.is_state("crank", "online"), 30)
    bench.order("unplug")
    helpers.wait_for(client, helpers.is_state("crank", "offline"), 5)
    bench.kill_capture()
    device = bench.order("plug")["device"]
    other = other_program(LOCKS, device)
    assert other.stdout and other.stdout.readline() == "locked\n"
    switches.set(sync_ms=300)
    bench.start_capture()
    client = bench.client()
    switches.set()
    busy = helpers.wait_for(client, helpers.is_state("crank", "busy"), 8)
    sentence = busy.get("sentence") or helpers.state_of(busy, "crank")["sentence"]
    end(other)
    killed_s = time.monotonic()
    helpers.wait_for(client, helpers.is_reading("crank"), 5)
    opened_s = time.monotonic() - killed_s
    bench.stop()
    bench.check_always()
    assert f"process {other.pid}" in sentence
    assert opened_s < within_s(2.0)
    measured(
        13,
        "port locked by another, then killed",
        f"busy, with its process number; read {opened_s:.2f} s later",
    )


def test_swapped_devices_are_not_recorded_until_a_person_accepts_or_swaps_back(
    make_bench: Any, helpers: Any, measured: Any
) -> None:
    bench = make_bench(
        {"crank": {"rate_hz": 200}, "inlet": {"rate_hz": 20}, "plunger": {"rate_hz": 20, "number": 50000}}
    )
    client = bench.client()
    for name in bench.instruments:
        helpers.wait_for(client, helpers.is_state(name, "online"), 30)
    swapped = bench.order("swap", "inlet", lines=["inlet", "plunger"])
    for name in ("inlet", "plunger"):
        client.close()
        client = bench.client()
        helpers.wait_for(client, helpers.is_state(name, "in_doubt"), 5)
    told_s = (time.monotonic_ns() - swapped["at_ns"]) / 1e9
    time.sleep(1.0)
    recorded = {name: len(bench.stored(name)) for name in ("inlet", "plunger")}
    time.sleep(1.0)
    assert recorded == {name: len(bench.stored(name)) for name in ("inlet", "plunger")}, "recording waits"
    bench.order("swap", "inlet", lines=["plunger", "plunger"])
    bench.order("swap", "inlet", lines=["inlet", "inlet"])
    for name in ("inlet", "plunger"):
        client.close()
        client = bench.client()
        helpers.wait_for(client, helpers.is_state(name, "online"), 5)
    bench.order("swap", "inlet", lines=["inlet", "plunger"])
    for name in ("inlet", "plunger"):
        client.close()
        client = bench.client()
        helpers.wait_for(client, helpers.is_state(name, "in_doubt"), 5)
        answer = client.ask("accept_device", channel=name)
        assert answer["ok"], answer
    helpers.wait_for(client, helpers.is_state("plunger", "online"), 5)
    bench.stop()
    bench.check_always("crank")
    inlet = bench.stored("inlet")
    assert max(inlet[: recorded["inlet"]]) < 50000, "nothing of the other gauge was taken for this one's"
    measured(
        14,
        "two device links swapped",
        f"in doubt after {told_s:.1f} s, nothing recorded until accepted or put back",
    )


def test_no_permission_is_named_and_recovers_when_it_is_given(
    make_bench: Any, helpers: Any, measured: Any
) -> None:
    bench = make_bench(obeys_modes=True)
    client = bench.client()
    helpers.wait_for(client, helpers.is_state("crank", "online"), 30)
    bench.kill_capture()
    device = bench.order("set")["device"]
    Path(device).chmod(0o000)
    bench.start_capture()
    client = bench.client()
    denied = helpers.wait_for(client, helpers.is_state("crank", "denied"), 8)
    sentence = denied.get("sentence") or helpers.state_of(denied, "crank")["sentence"]
    Path(device).chmod(0o620)
    allowed_s = time.monotonic()
    helpers.wait_for(client, helpers.is_reading("crank"), 5)
    read_s = time.monotonic() - allowed_s
    bench.stop()
    bench.check_always("crank")
    assert "no permission" in sentence
    assert read_s < within_s(2.0)
    measured(15, "no permission, then restored", f"cause and group named; read {read_s:.2f} s after")
