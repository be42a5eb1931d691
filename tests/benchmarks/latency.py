"""From the wire to the screen: how old is a line when a WebSocket client has it?

    python tests/benchmarks/latency.py [--seconds 20] [--screens 1]
    python tests/benchmarks/latency.py --share 0.1 --lines 200 --screens 2   as on a small computer; wants root, for a cgroup

One encoder (500 lines/s) and three gauges (20 lines/s) on real pseudo-terminals, `lobewright run` as
processes, the screens in this process. Every encoder line carries a number of its own, so each is found again
in the first message that shows it or a later one. Limit: p99 of 100 ms, also while a measurement is fitted. With
`--share` the service and capture together get that part of this machine's processor time and no more; printed is
how many of the encoder's lines were kept all the same.
"""

from __future__ import annotations

import argparse
import json
import os
import pty
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
import tty
import urllib.request
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from websockets.sync.client import connect

LIMIT_MS = 100.0
GAUGE_HZ = 20
GAUGES = ("dial_a", "dial_b", "dial_c")
COUNTS_PER_TURN = 3600
PERIOD_US = 100_000
WARM_UP_S = 2.0
LOBEWRIGHT = [sys.executable, "-m", "api"]

PUMP = """
import os, sys, time
import numpy as np
crank, gauges = int(sys.argv[1]), [int(n) for n in sys.argv[2].split(",")]
stamps = np.load(sys.argv[3], mmap_mode="r+")
crank_hz, each = int(sys.argv[4]), int(sys.argv[4]) // int(sys.argv[5])
began = time.monotonic()
for k in range(stamps.size):
    late = began + k / crank_hz - time.monotonic()
    if late > 0:
        time.sleep(late)
    stamps[k] = time.monotonic_ns()
    os.write(crank, b"%d\\r\\n" % k)
    if k % each == 0:
        for gauge in gauges:
            os.write(gauge, b"%+.3f\\r\\n" % (5.0 + 4.0 * np.cos(k / 1800 * np.pi)))
"""


@dataclass
class Wires:
    """Pseudo-terminals: what the pump writes to, and the bench file that names them."""

    masters: dict[str, int] = field(default_factory=dict)
    names: dict[str, str] = field(default_factory=dict)
    more: str = ""

    def add(self, name: str) -> None:
        master, slave = pty.openpty()
        tty.setraw(slave)
        self.masters[name], self.names[name] = master, os.ttyname(slave)

    def bench(self) -> str:
        crank = (
            f'[crank]\nport = "{self.names["crank"]}"\nframe = "count"\ncounts_per_turn = {COUNTS_PER_TURN}\n'
        )
        gauges = [
            f'[[gauge]]\nname = "{name}"\nport = "{self.names[name]}"\nframe = "decimal"\nstep_mm = 0.001\n'
            for name in GAUGES
        ]
        return crank + "".join(gauges) + self.more


class Screen(threading.Thread):
    """Notes when each encoder line, or a later one, was first seen."""

    def __init__(self, url: str, lines: int) -> None:
        super().__init__(daemon=True)
        self.seen_ns = np.zeros(lines, np.int64)
        self.messages = 0
        self._upto = -1
        self._socket = connect(url.replace("http", "ws") + "/live", compression=None, max_size=None)

    def run(self) -> None:
        for text in self._socket:
            now_ns = time.monotonic_ns()
            message = json.loads(text)
            latest = message.get("latest", {}).get("crank")
            if message["kind"] == "readings" and latest is not None:
                self.messages += 1
                number = round(latest["value"] * COUNTS_PER_TURN / 360.0 - 0.5)
                self.seen_ns[self._upto + 1 : number + 1] = now_ns
                self._upto = max(self._upto, number)

    def close(self) -> None:
        self._socket.close()


@contextmanager
def held_to(share: float) -> Iterator[list[str]]:
    """Words before a command that hold it, and what it starts, to a share of this machine's processor time."""
    if share >= 1.0:
        yield []
        return
    old = Path("/sys/fs/cgroup/cpu")
    group = (old if old.is_dir() else Path("/sys/fs/cgroup")) / f"lobewright-{os.getpid()}"
    try:
        group.mkdir()
        allowed_us = round(share * (os.cpu_count() or 1) * PERIOD_US)
        if old.is_dir():
            (group / "cpu.cfs_period_us").write_text(f"{PERIOD_US}")
            (group / "cpu.cfs_quota_us").write_text(f"{allowed_us}")
        else:
            (group / "cpu.max").write_text(f"{allowed_us} {PERIOD_US}")
    except OSError as error:
        sys.exit(f"no share of the processors can be set here ({error}); run as root, or without --share")
    try:
        yield ["sh", "-c", f'echo $$ > {group}/cgroup.procs; exec "$@"', "held"]
    finally:
        until_s = time.monotonic() + 20.0
        while time.monotonic() < until_s and (group / "cgroup.procs").read_text():
            time.sleep(0.1)
        group.rmdir()


@contextmanager
def service(wires: Wires, folder: Path, before: list[str]) -> Iterator[str]:
    bench, data = folder / "bench.toml", folder / "data"
    bench.write_text(wires.bench())
    process = subprocess.Popen(
        [*before, *LOBEWRIGHT, "run", "--bench", str(bench), "--data", str(data), "--port", "0"],
        stderr=subprocess.DEVNULL,
    )
    try:
        while True:
            try:
                url = str(json.loads((data / "web.json").read_text())["url"])
                if len(ask(f"{url}/api/bench")["health"]["channels"]) == 1 + len(GAUGES):
                    break
            except (OSError, ValueError):
                time.sleep(0.1)
        yield url
    finally:
        process.terminate()
        process.wait()


def ask(url: str, body: dict[str, str | bool] | None = None) -> dict:
    data = None if body is None else json.dumps(body).encode()
    request = urllib.request.Request(url, data, {"Content-Type": "application/json"})
    with urllib.request.urlopen(request, timeout=30) as answer:
        return json.loads(answer.read())


@dataclass
class Given:
    """What the command asks for."""

    seconds: float
    screens: int
    crank_hz: int
    share: float
    more: str = ""
    """Further lines of the bench file."""


def kept_of(data: Path) -> int:
    """Encoder lines in the stored streams."""
    with closing(sqlite3.connect(data / "streams.db")) as db:
        (count,) = db.execute(
            "SELECT SUM(lines) FROM blocks JOIN channels ON channels.id = blocks.channel_id WHERE channels.name = 'crank'"
        ).fetchone()
    return int(count or 0)


def measured_ms(given: Given, *, measuring: bool) -> tuple[np.ndarray, float, float]:
    """Latency of every line at every screen, messages a second and screen, and the share of lines kept."""
    seconds, crank_hz = given.seconds, given.crank_hz
    with tempfile.TemporaryDirectory() as name, held_to(given.share) as before:
        folder, wires = Path(name), Wires(more=given.more)
        for wire in ("crank", *GAUGES):
            wires.add(wire)
        stamps = folder / "stamps.npy"
        lines = int((seconds + WARM_UP_S) * crank_hz)
        np.save(stamps, np.zeros(lines, np.int64))
        with service(wires, folder, before) as url:
            watching = [Screen(url, lines) for _ in range(given.screens)]
            for screen in watching:
                screen.start()
            ask(f"{url}/api/bench/hands_free", {"on": False})
            if measuring:
                ask(f"{url}/api/measurements", {"touches": "piston_1", "gauge": GAUGES[0]})
            masters = [wires.masters[wire] for wire in ("crank", *GAUGES)]
            words = [
                str(masters[0]),
                ",".join(map(str, masters[1:])),
                str(stamps),
                str(crank_hz),
                str(GAUGE_HZ),
            ]
            subprocess.run([sys.executable, "-c", PUMP, *words], pass_fds=masters, check=True)
            time.sleep(1.0)
            sent_ns = np.load(stamps)
            for screen in watching:
                screen.close()
        kept = slice(int(WARM_UP_S * crank_hz), None)
        late = [(screen.seen_ns - sent_ns)[kept][screen.seen_ns[kept] > 0] / 1e6 for screen in watching]
        rate = float(np.mean([screen.messages for screen in watching])) / (seconds + WARM_UP_S)
        return np.concatenate(late), rate, kept_of(folder / "data") / lines


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--seconds", type=float, default=20.0)
    parser.add_argument("--screens", type=int, default=1)
    parser.add_argument("--lines", type=int, default=500, help="of the encoder, a second")
    parser.add_argument("--share", type=float, default=1.0, help="of this machine's processor time")
    asked = parser.parse_args()
    given = Given(asked.seconds, asked.screens, asked.lines, asked.share)
    print(
        f"encoder {given.crank_hz} lines/s, {len(GAUGES)} gauges at {GAUGE_HZ} lines/s, {given.screens} screens"
    )
    print(f"load of the machine at the start: {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors")
    for what, measuring in (("watching only", False), ("while measuring", True)):
        late_ms, rate, kept = measured_ms(given, measuring=measuring)
        p50, p99 = np.percentile(late_ms, [50, 99])
        verdict = "within" if p99 < LIMIT_MS else "OVER"
        print(
            f"{what:16} {late_ms.size:7} lines  {rate:5.1f} messages/s  p50 {p50:6.1f} ms  p99 {p99:6.1f} ms  "
            f"largest {late_ms.max():6.1f} ms  p99/limit {p99 / LIMIT_MS:.2f} ({verdict})  kept {100.0 * kept:.2f} %"
        )


if __name__ == "__main__":
    main()
