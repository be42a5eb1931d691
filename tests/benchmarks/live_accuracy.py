"""Whether what the service tells at a bench holds: lobes and true TDC over real ports, with real capture and service processes.

    python tests/benchmarks/live_accuracy.py --shops 50 --side-by-side 6 --into FOLDER     300 lobes, 50 TDCs: half an hour
    python tests/benchmarks/live_accuracy.py --told FOLDER                                 the figures of what is there so far

Each shop has an engine, an encoder and a gauge at random, a service of its own on two pseudo-terminals, one TDC and six
lobes, turned in real time at 30 to 110 deg/s. Their instruments say what was computed before, each line in its time. The
lag and the zero of the lobes are those that the service itself found at the TDC; where it was refused, the true zero is
given, 0.02 deg unsure. Every second handful of shops is beside four processes that never rest.

Each number is held against the simulator's truth, which is its geometry: the piston's highest point, the middle of equal
lifts of the lobe as made. Printed: how many intervals hold (goal 93 to 97 %), how many are missed by half or more (goal
none), how many are refused (goal 1 % at most), the same of the last number that was shown while the crank was turned.
Each result is a line of FOLDER/told.jsonl as it comes; traces of what was refused or missed are kept beside it.
"""

from __future__ import annotations

import argparse
import contextlib
import gc
import json
import math
import multiprocessing
import os
import signal
import subprocess
import sys
import tempfile
import time
import tty
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "shared"))
from burners import burning
from drawn_shop import Part, Shop
from running import running
from waiting import until

Fields = dict[str, Any]
BURNERS, LONG_MISS = 4, 1.5
LOOK_AT_THE_NUMBER_S = 0.7
MUCH_LOAD = 6.0 * (os.cpu_count() or 1)


class Instruments:
    """Encoder and gauge on pseudo-terminals, in a process of their own; between parts they say that everything stands."""

    def __init__(self, shop: Shop, folder: Path) -> None:
        ends = {name: _plugged(folder / name) for name in ("crank", "dial_a")}
        context = multiprocessing.get_context("fork")
        self._ours, theirs = context.Pipe()
        self._process = context.Process(target=_Speaking(shop, ends, theirs).go_on, daemon=True)
        self._process.start()
        for end in ends.values():
            os.close(end)

    def stop(self) -> None:
        self._process.terminate()
        self._process.join()

    def put_on(self, number: int) -> None:
        """Set the gauge on another part; the crank stands where the part before left it."""
        self._ours.send(("put_on", number))

    def turn(self) -> tuple[float, int]:
        """Turn the crank as the part says; tells how late a line was said at most, and how many nobody took, at the end."""
        self._ours.send(("turn", 0))
        late_s, lost = self._ours.recv()
        return late_s, lost


class _Speaking:
    """What the instruments' process does."""

    def __init__(self, shop: Shop, ends: dict[str, int], told: Any) -> None:
        self._shop, self._ends, self._told = shop, ends, told
        self._trace, self._row, self._lost = shop.parts[0].trace, 0, 0

    def go_on(self) -> None:
        _ask_for_priority()
        gc.disable()
        while True:
            if self._told.poll(0.08):
                what, number = self._told.recv()
                if what == "turn":
                    self._told.send(self._play())
                else:
                    self._trace, self._row = self._shop.parts[number].trace, 0
            self._say("crank_deg", float(self._trace.crank_deg[self._row]))
            self._say("mm", float(self._trace.gauge_mm[self._row]) / self._shop.gauge.mm_per_unit)

    def _play(self) -> tuple[float, int]:
        rows, late_s, self._lost = self._trace.rows(), 0.0, 0
        began_s = time.monotonic() + 0.01
        for at_s, channel, value in rows:
            early_s = began_s + at_s - time.monotonic()
            if early_s > 0:
                time.sleep(early_s)
            late_s = max(late_s, time.monotonic() - began_s - at_s)
            self._say(channel, value)
        self._row = -1
        return late_s, self._lost

    def _say(self, channel: str, value: float) -> None:
        if channel == "crank_deg":
            counts = self._shop.encoder.counts_per_turn
            name, line = "crank", f"{math.floor(value * counts / 360.0)}\r\n"
        else:
            name, line = "dial_a", f"{value:+.4f}\r\n"
        try:
            os.write(self._ends[name], line.encode())
        except BlockingIOError:  # a port that nobody empties keeps four thousand bytes
            self._lost += 1


def _ask_for_priority() -> None:
    """A real instrument waits for no computer; where the system gives no leave, this one does at times."""
    with contextlib.suppress(OSError):
        os.nice(-15)
    with contextlib.suppress(OSError):
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(10))


def _plugged(link: Path) -> int:
    ours, theirs = os.openpty()
    tty.setraw(theirs)
    link.symlink_to(os.ttyname(theirs))
    os.close(theirs)
    os.set_blocking(ours, False)
    return ours


def measure_shop(seed: int, busy: bool, into: Path) -> None:
    """Measure all parts of one shop; each result is written down as it comes."""
    signal.signal(signal.SIGTERM, lambda *_: sys.exit("stopped"))  # the service is not left behind
    shop = Shop(seed)
    with tempfile.TemporaryDirectory(prefix="lobewright_accuracy_") as name:
        folder = Path(name)
        bench = folder / "bench.toml"
        bench.write_text(shop.bench_text(folder))
        instruments = Instruments(shop, folder)
        try:
            with running(folder, bench=bench) as service, service.client() as client:
                until(lambda: _reads(client), "the bench reads", 120)
                for number in range(len(shop.parts)):
                    told = _measured(client, instruments, shop, number)
                    told |= {"shop": seed, "busy": busy, "own_clock": bool(shop.faults)}
                    told |= {"rate_hz": round(shop.gauge.rate_hz, 1), "step_mm": shop.gauge.step_mm}
                    _keep(client, told, into)
        finally:
            instruments.stop()


def _reads(client: Any) -> bool:
    channels = client.get("/api/numbers").json()["bench"]["channels"]
    return len(channels) == 2 and set(channels.values()) == {"online"}


def _measured(client: Any, instruments: Instruments, shop: Shop, number_of_part: int) -> Fields:
    part = shop.parts[number_of_part]
    instruments.put_on(number_of_part)
    time.sleep(1.0)
    asked: Fields = {"touches": part.touches, "gauge": "dial_a"}
    if (
        part.touches != "piston_1" and not shop.tdc_told
    ):  # a builder would turn again; here all lobes are wanted
        zero_deg = shop.parts[0].truth_deg
        asked["lobe"] = {"tdc_deg": zero_deg, "tdc_u_deg": 0.02}
    begun = client.post("/api/measurements", json=asked)
    begun.raise_for_status()
    number = begun.json()["id"]
    late_s, lost = instruments.turn()
    time.sleep(LOOK_AT_THE_NUMBER_S)
    shown = client.get("/api/numbers").json()["number"]
    client.post(f"/api/measurements/{number}/finish")
    view: Fields = client.get(f"/api/measurements/{number}").json()
    told: Fields = {
        "touches": part.touches,
        "number": number,
        "pattern": part.pattern,
        "speed_deg_s": round(part.speed_deg_s, 1),
        "state": view["state"],
        "code": view["error"]["code"] if view["error"] else "",
        "instruments_late_ms": round(1e3 * late_s, 1),
        "lines_lost": lost,
        "load": os.getloadavg()[0],
        "truth_deg": part.truth_deg,
        "facts": view["facts"],
        "warnings": [one["code"] for one in (view["result"] or {}).get("warnings", [])],
    }
    if part.touches == "piston_1":
        shop.tdc_told = bool(view["result"])
    if view["result"]:
        told |= _off("", view["result"]["centre_deg"], view["result"]["u95_deg"], part)
    if shown["settling"] and shown["number"] is not None:
        told |= _off("live_", shown["number"], shown["interval"], part)
    return told


def _off(prefix: str, centre_deg: float, u95_deg: float, part: Part) -> Fields:
    return {
        f"{prefix}off_deg": math.remainder(centre_deg - part.truth_deg, 360.0),
        f"{prefix}u95_deg": u95_deg,
    }


def _keep(client: Any, told: Fields, into: Path) -> None:
    wrong = told["state"] != "finished" or abs(told["off_deg"]) > told["u95_deg"]
    if wrong:
        name = f"shop_{told['shop']}_{told['touches']}.csv"
        (into / name).write_bytes(client.get(f"/api/measurements/{told['number']}/trace.csv").content)
    with (into / "told.jsonl").open("a") as file:
        file.write(json.dumps(told) + "\n")


def measure_all(first: int, shops: int, side_by_side: int, into: Path) -> None:
    """Measure handfuls of shops side by side, every second one beside burners."""
    into.mkdir(parents=True, exist_ok=True)
    for begin in range(first, first + shops, side_by_side):
        busy = (begin - first) // side_by_side % 2 == 1
        seeds = range(begin, min(begin + side_by_side, first + shops))
        with burning(BURNERS if busy else 0), ThreadPoolExecutor(side_by_side) as pool:
            list(pool.map(lambda seed: _own_process(seed, busy, into), seeds))
        print(figures(into), flush=True)


def _own_process(seed: int, busy: bool, into: Path) -> None:
    words = [sys.executable, __file__, "--one", str(seed), "--into", str(into), *(["--busy"] if busy else [])]
    with (into / f"shop_{seed}.log").open("wb") as log:
        subprocess.run(words, check=False, stdout=log, stderr=log, timeout=1800)


def figures(into: Path) -> str:
    """The figures of all that was told so far."""
    rows = [json.loads(line) for line in (into / "told.jsonl").read_text().splitlines()]
    groups = {
        "TDC": [row for row in rows if row["touches"] == "piston_1"],
        "TDC beside burners": [row for row in rows if row["touches"] == "piston_1" and row["busy"]],
        "lobes": [row for row in rows if row["touches"] != "piston_1"],
        "lobes beside burners": [row for row in rows if row["touches"] != "piston_1" and row["busy"]],
        "gauges with a clock": [row for row in rows if row["own_clock"]],
        "all others": [row for row in rows if not row["own_clock"]],
        f"load to {MUCH_LOAD:.0f}": [row for row in rows if row["load"] <= MUCH_LOAD],
    }
    lines = [
        f"{'':24s}{'of':>5s}{'held':>9s}{'beyond 1.5':>12s}{'refused':>9s}{'median':>8s}   live: {'told':>5s}{'held':>9s}{'beyond 1.5':>12s}{'median':>8s}"
    ]
    lines += [f"{name:24s}{_line(own)}" for name, own in groups.items() if own]
    return "\n".join(lines)


def _line(rows: list[Fields]) -> str:
    refused = Counter(row["code"] for row in rows if row["state"] != "finished")
    final, live = _shares(rows, ""), _shares(rows, "live_")
    return (
        f"{len(rows):5d}{final[1]}{100 * refused.total() / len(rows):7.1f} %{final[2]:8.3f}"
        f"         {live[0]:5d}{live[1]}{live[2]:8.3f}  {dict(refused) or ''}"
    )


def _shares(rows: list[Fields], prefix: str) -> tuple[int, str, float]:
    told = [row for row in rows if f"{prefix}off_deg" in row]
    if not told:
        return 0, f"{'-':>9s}{'-':>12s}", math.nan
    off = np.array([abs(row[f"{prefix}off_deg"]) / row[f"{prefix}u95_deg"] for row in told])
    median = float(np.median([row[f"{prefix}u95_deg"] for row in told]))
    return len(told), f"{100 * np.mean(off <= 1.0):7.1f} %{int(np.sum(off > LONG_MISS)):12d}", median


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--shops", type=int, default=50)
    parser.add_argument("--first", type=int, default=0, help="the first shop's number, which is its seed")
    parser.add_argument("--side-by-side", type=int, default=6)
    parser.add_argument("--into", type=Path, default=Path(tempfile.gettempdir()) / "live_accuracy")
    parser.add_argument("--told", type=Path, help="only print the figures of a folder")
    parser.add_argument("--one", type=int, help="one shop alone, in this process")
    parser.add_argument("--busy", action="store_true", help="with --one: burners run beside it")
    asked = parser.parse_args()
    if asked.told:
        print(figures(asked.told))
    elif asked.one is not None:
        asked.into.mkdir(parents=True, exist_ok=True)
        measure_shop(asked.one, asked.busy, asked.into)
    else:
        measure_all(asked.first, asked.shops, asked.side_by_side, asked.into)


if __name__ == "__main__":
    main()
