"""A bench whose archive is unreachable, slow or full measures as one without: wire to screen, and every line kept.

    python tests/benchmarks/archive_trouble.py [--seconds 15] [--rounds 1]

`latency.py` with further lines in the bench file, one after another in one run: no archive, nobody at its address, one
whose every answer takes two seconds, and one whose disk is full (the server refuses each block of readings with its own
code for that, 53100). Printed is each p99 as a ratio to that without an archive.
"""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[1] / "shared"), str(Path(__file__).parent)]

import numpy as np
import psycopg
from archive_chaos import Network
from latency import Given, measured_ms
from postgres import Server

from api.forwarding import prepare

SLOW_S = 2.0
FULL = """
CREATE FUNCTION public.full_disk() RETURNS trigger LANGUAGE plpgsql AS
 $$ BEGIN RAISE EXCEPTION 'could not extend file: No space left on device' USING ERRCODE = 'disk_full'; END $$;
CREATE TRIGGER full_disk BEFORE INSERT ON lobewright.blocks_{name} FOR EACH ROW EXECUTE FUNCTION public.full_disk();
"""


def named(url: str, name: str) -> str:
    return f'[archive]\nurl = "{url}"\nname = "{name}"\n'


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seconds", type=float, default=15.0)
    parser.add_argument("--rounds", type=int, default=1)
    asked = parser.parse_args()
    print(f"load of the machine at the start: {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors")
    server = Server()
    network = Network(server)
    network.late_s = SLOW_S
    try:
        for _ in range(asked.rounds):
            prepare(server.new_database("shop"), ["well", "slow", "brim"])
            with psycopg.connect(server.url("shop")) as owner:
                owner.execute(FULL.format(name="brim").encode())
            states = {
                "none": "",
                "well": named(server.url("shop", "lobewright_well"), "well"),
                "unreachable": named("postgresql://lobewright_away@127.0.0.1:9/shop", "away"),
                "slow": named(network.url("shop", "lobewright_slow"), "slow"),
                "full": named(server.url("shop", "lobewright_brim"), "brim"),
            }
            without_ms = 0.0
            for state, more in states.items():
                given = Given(asked.seconds, 1, 500, 1.0, more)
                late_ms, _, kept = measured_ms(given, measuring=True)
                p50, p99 = np.percentile(late_ms, [50, 99])
                without_ms = without_ms or p99
                print(
                    f"archive {state:12} p50 {p50:6.1f} ms  p99 {p99:6.1f} ms  ratio {p99 / without_ms:.2f}"
                    f"  lines kept {100.0 * kept:.2f} %",
                    flush=True,
                )
    finally:
        network.close()
        server.close()


if __name__ == "__main__":
    main()
