"""From the wire to the screen: how old is a line when a WebSocket client has it?

    python tests/benchmarks/latency.py [--seconds 20] [--screens 1]

One encoder (500 lines/s) and three gauges (20 lines/s) on real pseudo-terminals, `lobewright run` as
processes, the screens in this process. Every encoder line carries a number of its own, so each is found again
in the first message that shows it or a later one. Limit: p99 of 100 ms, also while a measurement is fitted.
"""

from __future__ import annotations

import argparse
import json
import os
import pty
import subprocess
import sys
import tempfile
import threading
import time
import tty
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from websockets.sync.client import connect

LIMIT_MS = 100.0
CRANK_HZ = 500
GAUGE_HZ = 20
GAUGES = ("dial_a", "dial_b", "dial_c")
COUNTS_PER_TURN = 3600
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
        return crank + "".join(gauges)


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
def service(wires: Wires, folder: Path) -> Iterator[str]:
    bench, data = folder / "bench.toml", folder / "data"
    bench.write_text(wires.bench())
    process = subprocess.Popen(
        [*LOBEWRIGHT, "run", "--bench", str(bench), "--data", str(data), "--port", "0"],
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


def ask(url: str, body: dict[str, str] | None = None) -> dict:
    data = None if body is None else json.dumps(body).encode()
    request = urllib.request.Request(url, data, {"Content-Type": "application/json"})
    with urllib.request.urlopen(request, timeout=30) as answer:
        return json.loads(answer.read())


def measured_ms(seconds: float, screens: int, *, measuring: bool) -> tuple[np.ndarray, float]:
    """Latency of every line at every screen, and messages a second and screen."""
    with tempfile.TemporaryDirectory() as name:
        folder, wires = Path(name), Wires()
        for wire in ("crank", *GAUGES):
            wires.add(wire)
        stamps = folder / "stamps.npy"
        lines = int((seconds + WARM_UP_S) * CRANK_HZ)
        np.save(stamps, np.zeros(lines, np.int64))
        with service(wires, folder) as url:
            watching = [Screen(url, lines) for _ in range(screens)]
            for screen in watching:
                screen.start()
            if measuring:
                ask(f"{url}/api/measurements", {"touches": "piston_1", "gauge": GAUGES[0]})
            masters = [wires.masters[wire] for wire in ("crank", *GAUGES)]
            words = [
                str(masters[0]),
                ",".join(map(str, masters[1:])),
                str(stamps),
                str(CRANK_HZ),
                str(GAUGE_HZ),
            ]
            subprocess.run([sys.executable, "-c", PUMP, *words], pass_fds=masters, check=True)
            time.sleep(1.0)
            sent_ns = np.load(stamps)
            for screen in watching:
                screen.close()
        kept = slice(int(WARM_UP_S * CRANK_HZ), None)
        late = [(screen.seen_ns - sent_ns)[kept][screen.seen_ns[kept] > 0] / 1e6 for screen in watching]
        rate = float(np.mean([screen.messages for screen in watching])) / (seconds + WARM_UP_S)
        return np.concatenate(late), rate


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--seconds", type=float, default=20.0)
    parser.add_argument("--screens", type=int, default=1)
    given = parser.parse_args()
    print(f"encoder {CRANK_HZ} lines/s, {len(GAUGES)} gauges at {GAUGE_HZ} lines/s, {given.screens} screens")
    print(f"load of the machine at the start: {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors")
    for what, measuring in (("watching only", False), ("while measuring", True)):
        late_ms, rate = measured_ms(given.seconds, given.screens, measuring=measuring)
        p50, p99 = np.percentile(late_ms, [50, 99])
        verdict = "within" if p99 < LIMIT_MS else "OVER"
        print(
            f"{what:16} {late_ms.size:7} lines  {rate:5.1f} messages/s  p50 {p50:6.1f} ms  p99 {p99:6.1f} ms  "
            f"largest {late_ms.max():6.1f} ms  p99/limit {p99 / LIMIT_MS:.2f} ({verdict})"
        )


if __name__ == "__main__":
    main()
