"""Readings a second into an archive, beside bare COPY of the very same blocks, on a server of its own.

    python tests/benchmarks/archive_flow.py [--blocks 20000] [--rounds 7]

What the forwarder does besides COPY: it reads the blocks out of the stream store, hashes each, and notes on the disk how
far it has got. Goal: at least half of what bare COPY brings, by the middle of the rounds' times. Processor time, of this
program and of the server together, is told beside it: on a busy machine that is the steadier of both.
"""

from __future__ import annotations

import argparse
import os
import sqlite3
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import psycopg

sys.path.insert(0, str(Path(__file__).parents[1] / "shared"))

from kept_shop import add_run, change
from postgres import Server

from api.forwarding import Forwarder, prepare, prove

GOAL = 0.5


@dataclass(frozen=True)
class Spent:
    """Seconds by the clock, and of processors: here, and of the server for the connection."""

    wall_s: float
    here_s: float
    server_s: float

    @property
    def processor_s(self) -> float:
        return self.here_s + self.server_s


def server_s(server: Server) -> float:
    """Give the processor seconds of all connections of a server that have ended."""
    fields = Path(f"/proc/{server.pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
    return (int(fields[13]) + int(fields[14])) / os.sysconf("SC_CLK_TCK")


def spent(server: Server, work: Callable[[], None]) -> Spent:
    time.sleep(0.3)  # what was closed just now is not counted before the server has seen it go
    served, here, begun = server_s(server), time.process_time(), time.perf_counter()
    work()
    wall, here = time.perf_counter() - begun, time.process_time() - here
    time.sleep(0.3)
    return Spent(wall, here, server_s(server) - served)


def bare_table(url: str) -> None:
    """Make a table of the archive's own kind."""
    with psycopg.connect(url) as owner:
        owner.execute("DROP TABLE IF EXISTS public.bare")
        owner.execute("CREATE TABLE public.bare (LIKE lobewright.blocks INCLUDING ALL)")


def bare_copy(url: str, rows: list[tuple[object, ...]]) -> None:
    """Bring rows that lie ready by COPY alone."""
    with psycopg.connect(url) as owner, owner.cursor() as cursor:
        for start in range(0, len(rows), 2000):
            with cursor.copy("COPY public.bare FROM STDIN (FORMAT BINARY)") as copy:
                copy.set_types(["text", *["int8"] * 10, "bytea", "bytea"])
                for row in rows[start : start + 2000]:
                    copy.write_row(row)
            owner.commit()


def ready(data: Path) -> list[tuple[object, ...]]:
    with sqlite3.connect(data / "streams.db") as streams:
        sql = "SELECT channel_id, first, lines, segment, kept, start_ns, end_ns, tail_ns, tail_lines, data FROM blocks"
        return [("east", 1, *row[:-1], b"x" * 32, row[-1]) for row in streams.execute(sql)]


def forwarded(data: Path, url: str) -> None:
    forwarder = Forwarder(data, url, "east")
    while forwarder.step():
        pass
    forwarder.close()


def told(one: Spent, readings: int) -> str:
    return (
        f"{readings / one.wall_s:>12,.0f} readings/s, processor {one.here_s:.3f} s and {one.server_s:.2f} s"
    )


def middle(rounds: list[Spent], what: str) -> float:
    return statistics.median(getattr(one, what) for one in rounds)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--blocks", type=int, default=20_000)
    parser.add_argument("--rounds", type=int, default=7)
    asked = parser.parse_args()
    server = Server()
    try:
        with tempfile.TemporaryDirectory() as folder:
            data = Path(folder) / "data"
            change(data, "engines", {"name": "A", "body": "{}", "at": "t", "by": "Ida Thorne"})
            add_run(data, asked.blocks // 2)
            rows = ready(data)
            readings = sum(int(str(row[4])) for row in rows)
            print(
                f"{len(rows):,} blocks, {readings:,} readings, {sum(len(row[-1]) for row in rows):,} bytes packed"
            )
            bare, ours = [], []
            for _ in range(asked.rounds):
                url = server.new_database("flow")
                prepare(url, ["east"])
                bare_table(url)
                (data / "archive.json").unlink(missing_ok=True)
                bare.append(spent(server, lambda: bare_copy(server.url("flow"), rows)))
                ours.append(spent(server, lambda: forwarded(data, server.url("flow", "lobewright_east"))))
                print(f"bare COPY {told(bare[-1], readings)}   archive {told(ours[-1], readings)}")
            begun = time.perf_counter()
            assert not prove(url).trouble
            print(f"verify {readings / (time.perf_counter() - begun):,.0f} readings/s")
            by_clock = middle(bare, "wall_s") / middle(ours, "wall_s")
            by_processor = middle(bare, "processor_s") / middle(ours, "processor_s")
            print(f"ratio of processor time {by_processor:.2f}")
            print(f"ratio {by_clock:.2f}, goal {GOAL}: {'within' if by_clock >= GOAL else 'UNDER'}")
    finally:
        server.close()


if __name__ == "__main__":
    main()
