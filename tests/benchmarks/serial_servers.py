"""Whole measurements through serial servers: true TDC and two lobes, each held to its own interval.

    python tests/benchmarks/serial_servers.py [--count 10] [--kind "ser2net telnet"]... [--busy 4] [--speeds 35 60]

A simulated bench, a real ser2net (RFC 2217) or socat in front of each of its ports, `lobewright run` as a process.
Each round rocks the piston over its top and then turns the engine twice, at another speed. The bench speaks in the
machine's own time: on a machine that has other things to do it is paced unevenly, and "no server", the same bench on its
terminals, tells how much of it is that. With ``--busy`` so many processes that only count run beside it. At the end of each
kind: how many intervals held, of how many numbers, against 95 of 100.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import math
import random
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx

sys.path.insert(0, str(Path(__file__).parents[1] / "shared"))

from serial_server import Server
from waiting import LOBEWRIGHT, until

Fields = dict[str, Any]
NO_SERVER = "no server"
KINDS = ("ser2net telnet", "socat", NO_SERVER)
SCENARIO = "hollin_lane_twin_cam"
CHANNELS = ("crank", "dial_a", "dial_b")
ENGINE = {"stroke_mm": 80.0, "rod_mm": 135.0, "pin_offset_mm": 0.8}
"""As every job states it. Unsaid, TDC of this engine lies 0.01 deg to one side: its pin offset is large."""
PISTON, LOBES = {"dial_a": "piston_1"}, {"dial_a": "inlet_1", "dial_b": "exhaust_1"}


class Bench:
    """The running bench: the pages' address and the simulator's."""

    def __init__(self, web: str, control: str) -> None:
        self.web, self.control = web, control

    def ask(self, url: str, body: Fields | None = None) -> Fields:
        answer = httpx.get(url, timeout=60) if body is None else httpx.post(url, json=body, timeout=120)
        answer.raise_for_status()
        fields: Fields = answer.json()
        return fields

    def alive(self) -> bool:
        channels = self.ask(f"{self.web}/api/bench")["health"]["channels"]
        return bool(channels) and all(one["state"] == "online" for one in channels)

    def measure(self, touches: dict[str, str], move: Fields) -> dict[str, Fields]:
        for gauge, onto in touches.items():
            self.ask(f"{self.control}/gauge", {"gauge": gauge, "onto": onto})
        self._hand({"do": "hold", "seconds": 1.0})
        begun = {
            gauge: self.ask(f"{self.web}/api/measurements", _asked(gauge, onto))["id"]
            for gauge, onto in touches.items()
        }
        self._hand(move)
        self._hand({"do": "hold", "seconds": 0.5})
        return {
            gauge: self.ask(f"{self.web}/api/measurements/{number}/finish", {})
            for gauge, number in begun.items()
        }

    def _hand(self, move: Fields) -> None:
        self.ask(f"{self.control}/hand", {"moves": [move], "wait_s": 110})


@contextlib.contextmanager
def running(kind: str, folder: Path) -> Iterator[Bench]:
    """Simulator, servers, service."""
    folder.mkdir(parents=True, exist_ok=True)
    links, bench_file, data = folder / "links", folder / "bench.toml", folder / "data"
    simulator = [
        sys.executable,
        "-m",
        "simulated_devices",
        "--scenario",
        SCENARIO,
        "--control",
        "127.0.0.1:0",
    ]
    with contextlib.ExitStack() as stack:
        more = ["--links", str(links), "--bench-file", str(bench_file), "--no-journals"]
        bench = subprocess.Popen([*simulator, *more], stdout=subprocess.PIPE)
        stack.callback(ended, bench)
        assert bench.stdout is not None
        control = bench.stdout.readline().decode().rsplit(" ", 1)[1].strip()
        text = bench_file.read_text()
        for name in CHANNELS if kind != NO_SERVER else ():
            server = Server(kind, links / name, folder)
            server.start()
            stack.callback(server.kill)
            assert f'"{links / name}"' in text
            text = text.replace(f'"{links / name}"', f'"{server.url}"')
        bench_file.write_text(text)
        run = ["run", "--bench", str(bench_file), "--data", str(data), "--port", "0"]
        service = subprocess.Popen([*LOBEWRIGHT, *run], stdout=subprocess.DEVNULL)
        stack.callback(ended, service)
        web = until(lambda: json.loads((data / "web.json").read_text())["url"], "the pages are served")
        made = Bench(str(web), control)
        until(made.alive, "every port is read")
        yield made


def _asked(gauge: str, onto: str) -> Fields:
    asked: Fields = {"touches": onto, "gauge": gauge}
    return asked | {"tdc": ENGINE} if onto.startswith("piston") else asked


def ended(process: subprocess.Popen[bytes]) -> None:
    process.terminate()
    process.wait(30)
    if process.stdout:
        process.stdout.close()


def whole_measurement(bench: Bench, speed_deg_s: float) -> list[tuple[str, float, float] | tuple[str, str]]:
    """What was measured: name, error, interval; or name and why not."""
    rock = {"do": "rock", "crank_deg": 0.0, "half_width_deg": 45.0, "times": 2, "speed_deg_s": speed_deg_s}
    found = {"TDC": bench.measure(PISTON, rock)["dial_a"]}
    turns = {"do": "turns", "count": 2.0, "speed_deg_s": speed_deg_s}
    for gauge, one in bench.measure(LOBES, turns).items():
        found[LOBES[gauge]] = one
    truth = bench.ask(f"{bench.control}/truth")
    true_deg = {"TDC": truth["tdc_encoder_deg"]}
    true_deg |= {valve: truth["lobes"][valve]["centre_atdc_deg"] for valve in LOBES.values()}
    told: list[tuple[str, float, float] | tuple[str, str]] = []
    for name, one in found.items():
        if one["result"] is None:
            told.append((name, one["sentence"]))
        else:
            error_deg = math.remainder(one["result"]["centre_deg"] - true_deg[name], 360.0)
            told.append((name, error_deg, one["result"]["u95_deg"]))
    return told


class Tally:
    """What was told of one kind of part, by how it stands to the truth."""

    def __init__(self) -> None:
        self.refused = 0
        self.shares: list[float] = []

    def take(self, told: tuple[str, float, float] | tuple[str, str]) -> None:
        if len(told) == 3:
            self.shares.append(abs(told[1]) / told[2])
        else:
            self.refused += 1

    def __str__(self) -> str:
        held, beyond = (sum(test) for test in zip(*((s <= 1.0, s > 1.5) for s in self.shares), strict=True))
        return (
            f"{held} of {len(self.shares)} within ({held / len(self.shares):.1%} against 95 %), {beyond} beyond 1.5 of it, "
            f"furthest {max(self.shares):.2f}, {self.refused} refused"
        )


@contextlib.contextmanager
def busy(count: int) -> Iterator[None]:
    """So many processes that leave the machine no rest."""
    with contextlib.ExitStack() as stack:
        for _ in range(count):
            stack.callback(ended, subprocess.Popen([sys.executable, "-c", "while True: pass"]))
        yield


def rounds(kind: str, count: int, speeds_deg_s: tuple[float, float], kept: Path | None) -> int:
    """Measure again and again; gives in how many all three were within their intervals."""
    chance, good = random.Random(2217), 0
    tallies = {"TDCs": Tally(), "lobes": Tally()}
    folder = (
        tempfile.TemporaryDirectory()
        if kept is None
        else contextlib.nullcontext(kept / kind.replace(" ", "_"))
    )
    with folder as where, running(kind, Path(where)) as bench:
        for number in range(1, count + 1):
            began_s, speed_deg_s = time.monotonic(), chance.uniform(*speeds_deg_s)
            told = whole_measurement(bench, speed_deg_s)
            within = all(len(one) == 3 and abs(one[1]) <= one[2] for one in told)
            good += within
            for one in told:
                tallies["TDCs" if one[0] == "TDC" else "lobes"].take(one)
            words = [
                f"{one[0]} {one[1]:+.3f} (±{one[2]:.3f})" if len(one) == 3 else f"{one[0]} refused: {one[1]}"
                for one in told
            ]
            mark = "within" if within else "NOT ALL WITHIN"
            seconds = time.monotonic() - began_s
            print(
                f"{kind} {number} at {speed_deg_s:.0f} deg/s, {seconds:.0f} s: {', '.join(words)}: {mark}",
                flush=True,
            )
    print(f"{kind}: {good} of {count} whole measurements within their intervals", flush=True)
    for part, tally in tallies.items():
        print(f"{kind}: {part} {tally}", flush=True)
    return good


def main() -> int:
    parser = argparse.ArgumentParser(description="Whole measurements through serial servers.")
    parser.add_argument("--count", type=int, default=10)
    parser.add_argument("--kind", choices=KINDS, action="append", help="all, where left out")
    parser.add_argument(
        "--busy", type=int, default=0, help="so many processes that only count, beside the bench"
    )
    parser.add_argument("--keep", type=Path, metavar="FOLDER", help="leave every kind's data in this folder")
    parser.add_argument("--speeds", type=float, nargs=2, default=(35.0, 60.0), metavar="DEG_S")
    asked = parser.parse_args()
    with busy(asked.busy):
        good = [rounds(kind, asked.count, tuple(asked.speeds), asked.keep) for kind in asked.kind or KINDS]
    return 0 if min(good) == asked.count else 1


if __name__ == "__main__":
    sys.exit(main())
