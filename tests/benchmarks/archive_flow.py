"""Readings a second into an archive, beside bare COPY of the very same blocks, on a server of its own.

    python tests/benchmarks/archive_flow.py [--blocks 20000] [--rounds 7]

What the forwarder does besides COPY: it reads the blocks out of the stream store, hashes each, and notes on the disk how
far it has got. Goal: at least half of what bare COPY brings.
"""

from __future__ import annotations

import argparse
import sqlite3
import sys
import tempfile
import time
from pathlib import Path

import psycopg

sys.path.insert(0, str(Path(__file__).parents[1] / "shared"))

from kept_shop import add_run, change
from postgres import Server

from api.forwarding import Forwarder, prepare, prove

GOAL = 0.5


def bare_copy(url: str, rows: list[tuple[object, ...]]) -> float:
    """Seconds for COPY alone of rows that lie ready, a table of the archive's own kind."""
    with psycopg.connect(url) as owner:
        owner.execute("DROP TABLE IF EXISTS public.bare")
        owner.execute("CREATE TABLE public.bare (LIKE lobewright.blocks INCLUDING ALL)")
    begun = time.perf_counter()
    with psycopg.connect(url) as owner, owner.cursor() as cursor:
        for start in range(0, len(rows), 2000):
            with cursor.copy("COPY public.bare FROM STDIN (FORMAT BINARY)") as copy:
                copy.set_types(["text", *["int8"] * 10, "bytea", "bytea"])
                for row in rows[start : start + 2000]:
                    copy.write_row(row)
            owner.commit()
    return time.perf_counter() - begun


def ready(data: Path) -> list[tuple[object, ...]]:
    with sqlite3.connect(data / "streams.db") as streams:
        sql = "SELECT channel_id, first, lines, segment, kept, start_ns, end_ns, tail_ns, tail_lines, data FROM blocks"
        return [("east", 1, *row[:-1], b"x" * 32, row[-1]) for row in streams.execute(sql)]


def forwarded(data: Path, url: str) -> float:
    (data / "archive.json").unlink(missing_ok=True)
    forwarder = Forwarder(data, url, "east")
    begun = time.perf_counter()
    while forwarder.step():
        pass
    taken = time.perf_counter() - begun
    forwarder.close()
    return taken


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
            ratios = []
            for _ in range(asked.rounds):
                url = server.new_database("flow")
                prepare(url, ["east"])
                bare_s = bare_copy(url, rows)
                ours_s = forwarded(data, server.url("flow", "lobewright_east"))
                ratios.append(bare_s / ours_s)
                print(
                    f"bare COPY {readings / bare_s:>12,.0f} readings/s   archive {readings / ours_s:>12,.0f} readings/s"
                    f"   ratio {ratios[-1]:.2f}"
                )
            begun = time.perf_counter()
            assert not prove(url).trouble
            print(f"verify {readings / (time.perf_counter() - begun):,.0f} readings/s")
            middle = sorted(ratios)[len(ratios) // 2]
            print(f"ratio {middle:.2f}, goal {GOAL}: {'within' if middle >= GOAL else 'UNDER'}")
    finally:
        server.close()


if __name__ == "__main__":
    main()
