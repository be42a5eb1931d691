"""Twenty benches at work, one archive: how far behind what they keep is it?

    python tests/benchmarks/archive_lag.py [--benches 20] [--seconds 60] [--day 1800]

A made day's work of each bench (`--day` seconds of readings on two channels, 250 a second, with measurements and
signed jobs) is kept in compressed time, all benches at once. Every tenth of a second the archive is asked what it has of
each bench; behind it is by the age of the oldest settled block that has not arrived. The newest block of a channel may
still grow, and is not expected. Goal: p99 of 2 s, with benches, forwarders and server on the same processors.
"""

from __future__ import annotations

import argparse
import contextlib
import multiprocessing
import os
import sys
import tempfile
import threading
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "shared"))

import numpy as np
import psycopg
from archive_bench import Keeper
from postgres import Server

from api.forwarding import Forwarder, prepare, prove

GOAL_S = 2.0
PROCESSES = 2
JOB_EVERY = 600
ENGINE_EVERY = 60


def keep(data: Path, seed: int, blocks: int, every_s: float, begin: float, committed: Path) -> None:
    """Keep a day's work at an even pace; noted is when each block of the first channel was committed."""
    keeper = Keeper(data, seed)
    times = []
    for number in range(blocks):
        time.sleep(max(0.0, begin + number * every_s - time.monotonic()))
        keeper.blocks()
        times.append(time.monotonic())
        if number % JOB_EVERY == JOB_EVERY - 1:
            keeper.sign()
        elif number % ENGINE_EVERY == ENGINE_EVERY - 1:
            keeper.measure(None)
        if number % 20 == 0 or number == blocks - 1:
            np.save(committed, times)
    keeper.end()


def keep_all(benches: list[tuple[Path, int, int, float, float, Path]]) -> None:
    threads = [threading.Thread(target=keep, args=one) for one in benches]
    for one in threads:
        one.start()
    for one in threads:
        one.join()


def send_all(benches: list[tuple[Path, str, str]]) -> None:
    for data, url, name in benches:
        Forwarder(data, url, name).start()
    threading.Event().wait()


def watch(url: str, names: list[str], over: threading.Event) -> list[tuple[float, dict[str, int]]]:
    """Note again and again the newest first reading that the archive has of each bench."""
    seen = []
    with psycopg.connect(url, autocommit=True) as connection:
        asks = {
            name: f"SELECT coalesce(max(first), -1) FROM lobewright.blocks_{name} WHERE channel_id = 1".encode()
            for name in names
        }
        while not over.wait(0.1):
            now_s = time.monotonic()
            there = {}
            for name, ask in asks.items():
                row = connection.execute(ask).fetchone()
                there[name] = -1 if row is None else int(row[0]) // 250
            seen.append((now_s, there))
    return seen


def behind_s(seen: list[tuple[float, dict[str, int]]], committed: dict[str, np.ndarray]) -> np.ndarray:
    """Age of the oldest settled block that was not there, at every look, of every bench."""
    ages = []
    for now_s, there in seen:
        for name, times in committed.items():
            settled = int(np.searchsorted(times, now_s)) - 1  # a block settles when the next is begun
            if settled <= 0 or now_s > times[-1]:
                continue
            missing = there[name] + 1
            ages.append(now_s - times[missing + 1] if missing < settled else 0.0)
    return np.array(ages)


def told(readings: int, took_s: float, late_s: np.ndarray) -> str:
    p50, p99 = np.percentile(late_s, [50, 99])
    return (
        f"{readings:,} readings in {took_s:.0f} s ({readings / took_s:,.0f} readings/s):"
        f" behind p50 {p50:.2f} s, p99 {p99:.2f} s, largest {late_s.max():.2f} s of {late_s.size:,} looks;"
        f" p99/goal {p99 / GOAL_S:.2f} ({'within' if p99 <= GOAL_S else 'OVER'})"
    )


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--benches", type=int, default=20)
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--day", type=int, default=1800)
    asked = parser.parse_args()
    print(f"load of the machine at the start: {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors")
    server, context = Server(), multiprocessing.get_context("fork")
    names = [f"bench_{number}" for number in range(asked.benches)]
    started: list[multiprocessing.process.BaseProcess] = []
    try:
        with tempfile.TemporaryDirectory() as folder:
            prepare(server.new_database("shop"), names)
            data = {name: Path(folder) / name for name in names}
            notes = {name: Path(folder) / f"{name}.npy" for name in names}
            begin, every_s = time.monotonic() + 15.0, asked.seconds / asked.day
            work = [(data[name], n, asked.day, every_s, begin, notes[name]) for n, name in enumerate(names)]
            sending = [(data[name], server.url("shop", f"lobewright_{name}"), name) for name in names]
            keepers = [
                context.Process(target=keep_all, args=(work[part::PROCESSES],)) for part in range(PROCESSES)
            ]
            for one in keepers:
                one.start()
            started += keepers
            while not all(path.exists() for path in notes.values()):
                time.sleep(0.1)
            for part in range(PROCESSES):
                sender = context.Process(target=send_all, args=(sending[part::PROCESSES],), daemon=True)
                sender.start()
                started.append(sender)
            over, seen = threading.Event(), []
            reader = server.url("shop")
            looking = threading.Thread(target=lambda: seen.extend(watch(reader, names, over)))
            looking.start()
            for one in keepers:
                one.join()
            ended_s = time.monotonic()
            time.sleep(1.0)
            over.set()
            looking.join()
            committed = {name: np.load(path) for name, path in notes.items()}
            readings = 2 * 250 * asked.day * asked.benches
            late_s = behind_s([one for one in seen if one[0] > begin + 5.0], committed)
            print(f"{asked.benches} benches, {told(readings, ended_s - begin, late_s)}")
            with contextlib.suppress(TimeoutError):
                _wait_for_all(reader, readings // 250)
            trouble = prove(reader).trouble
            print("verify: whole" if not trouble else f"verify: {trouble[:3]}")
            for process in started:
                process.kill()
                process.join()
    finally:
        for process in started:
            process.kill()
            process.join()
        server.close()


def _wait_for_all(url: str, blocks: int) -> None:
    until_s = time.monotonic() + 60.0
    with psycopg.connect(url, autocommit=True) as connection:
        while time.monotonic() < until_s:
            row = connection.execute("SELECT count(*) FROM lobewright.blocks").fetchone()
            if row is not None and row[0] >= blocks:
                return
            time.sleep(0.2)
    raise TimeoutError


if __name__ == "__main__":
    main()
