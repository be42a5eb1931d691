"""The two processes of a bench that may be killed at any moment.

    python archive_bench.py keep DATA SEED
    python archive_bench.py send DATA URL NAME STANDING

The first notes in ``DATA/kept``, after each commit, what is kept now.
"""

from __future__ import annotations

import json
import logging
import os
import random
import signal
import sys
import time
from pathlib import Path

from kept_shop import CRANK, DIAL, add_job, measured, signed_off
from sqlite_utils import Database

from api.forwarding import Forwarder
from api.store import ShopStore
from capture.base import Segment
from capture.store import StreamWriter
from capture.store.blocks import Block
from capture.store.stream_store import Batch

EVERY_S = 0.25
READINGS = 250


class Keeper:
    """Keeps runs, engines, measurements and sign-offs until it is told to end."""

    def __init__(self, data: Path, seed: int) -> None:
        self._rng = random.Random(seed)
        if not (data / "kept").exists():
            add_job(data)
        self._shop = ShopStore(data)
        self._writer = StreamWriter(data)
        self._notes = (data / "kept").open("a", buffering=1)
        self._job = 1
        self._run = self._writer.begin_run(
            [CRANK, DIAL],
            mono_ns=0,
            wall_ns=time.time_ns(),
            pid=os.getpid(),
            boot_id=f"boot{seed}",
            bench="",
        )
        self._number = 0
        self._notes.write(f"begun {os.getpid()}\n")

    def blocks(self) -> None:
        """Keep the next block of each channel."""
        batch = Batch()
        for channel in (CRANK, DIAL):
            segment = Segment(0, "fresh", 0, 2)
            if not self._number:
                batch.segments.append((channel, segment, 0, 1))
            block = Block(channel, segment, self._number * READINGS)
            block.t_ns = [self._number * 10**9 + place * 4_000_000 + 1 for place in range(READINGS)]
            block.raw = [self._rng.randrange(10**4) for _ in range(READINGS)]
            block.folded = [0] * READINGS
            batch.blocks.append(block)
        self._writer.write(batch)
        self._number += 1
        self._notes.write("block\nblock\n")

    def engine(self) -> None:
        """Keep an engine."""
        name = f"engine {self._rng.random()}"
        row = {"name": name, "body": "{}", "at": "t", "by": "Ida Thorne"}
        self._shop.write(lambda db: db.table("engines").insert(row))
        self._notes.write("engine\n")

    def measure(self, job: int | None) -> None:
        """Keep a measurement on what was read last."""
        end_ns = self._number * 10**9
        row = measured(self._run, job) | {"start_ns": max(0, end_ns - 4 * 10**9), "end_ns": end_ns}
        self._shop.write(lambda db: db.table("measurements").insert(row))
        self._notes.write("measurement\n")

    def sign(self) -> None:
        """Measure for the job, and sign it."""
        self.measure(self._job)
        last = "SELECT max(number) FROM job_facts WHERE job_id = ?"

        def put(db: Database) -> None:
            number = db.execute(last, (self._job,)).fetchone()[0]
            db.table("job_facts").insert(signed_off(self._job, number + 1))

        self._shop.write(put)
        self._notes.write("signed\n")

    def work(self) -> None:
        """Do a quarter of a second's work."""
        self.blocks()
        chance = self._rng.random()
        if chance < 0.04:
            self.sign()
        elif chance < 0.15:
            self.measure(None)
        elif chance < 0.4:
            self.engine()

    def end(self) -> None:
        """End the run in good order."""
        self._writer.end_run(self._number * 10**9, time.time_ns())
        self._writer.close()
        self._shop.close()


def keep(data: Path, seed: int) -> None:
    ending = []
    signal.signal(signal.SIGTERM, lambda *_: ending.append(True))
    keeper = Keeper(data, seed)
    while not ending:
        keeper.work()
        time.sleep(EVERY_S)
    keeper.end()


def send(data: Path, url: str, name: str, standing: Path) -> None:
    forwarder = Forwarder(data, url, name)
    forwarder.start()
    while True:
        told = forwarder.standing().model_dump() | {"at_s": time.time()}
        part = standing.with_suffix(".part")
        part.write_text(json.dumps(told))
        part.replace(standing)
        time.sleep(0.2)


if __name__ == "__main__":
    logging.basicConfig(format="%(asctime)s %(message)s")
    what, folder, *words = sys.argv[1:]
    if what == "keep":
        keep(Path(folder), int(words[0]))
    else:
        send(Path(folder), words[0], words[1], Path(words[2]))
