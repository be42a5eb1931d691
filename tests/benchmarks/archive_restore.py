"""A bench of so many traces is lost and made anew from the archive: every sheet and every number again, to the last digit.

    python tests/benchmarks/archive_restore.py [--traces 2000] [--every 1]

Jobs are taken in from a job file until there are so many traces; all of it is sent, the folder is made anew from the
archive alone, and of every job the sheet, of every trace (with `--every N` of each Nth) the readings and the number
computed from them are held against those of the lost folder. Exit code 1 where anything differs.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import sys
import tempfile
import time
import zipfile
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "shared"))

import numpy as np
from kept_shop import JOB_FILE
from postgres import Server

from api.archive import read_job
from api.base import ServiceConfig
from api.forwarding import Forwarder, prepare, prove, restore_from_archive
from api.live import estimate
from api.records import Measurement, MeasurementReader, StoredStreams, contents_of
from api.service import Service
from api.sheet import job_sheet, show_job
from api.store import ShopReader, ShopStore

PROCESSES = 2


def fill(data: Path, most: int, file: Path) -> int:
    """Take in the job under one reference after another, until there are so many traces."""
    data.mkdir()
    shop = ShopStore(data)
    traces = number = 0
    while traces < most:
        number += 1
        with zipfile.ZipFile(JOB_FILE) as old, zipfile.ZipFile(file, "w") as new:
            for name in old.namelist():
                content = old.read(name)
                if name == "job.json":
                    told = json.loads(content)
                    told["job"]["reference"] += f"/{number}"
                    content = json.dumps(told).encode()
                new.writestr(name, content)
        read_job(file, shop, data, show_job)
        traces = len(list((data / "imported").iterdir()))
    shop.close()
    return traces


def sheets(data: Path, jobs: list[int]) -> dict[int, dict[str, object]]:
    """Each job's sheet as it is made now, but for when."""

    async def made() -> dict[int, dict[str, object]]:
        service, found = Service(ServiceConfig(data)), {}
        try:
            for job in jobs:
                found[job] = json.loads((await job_sheet(service, job)).model_dump_json())
                found[job].pop("made_at", None)
        finally:
            service.shop.close()
        return found

    return asyncio.run(made())


def measured(data: Path) -> list[Measurement]:
    reader, found = MeasurementReader(ShopReader(data)), []
    for row in ShopReader(data).rows("SELECT id FROM jobs ORDER BY id"):
        found += reader.listed(job_id=row["id"], limit=1000)
    return found


def computed(here: Path, there: Path, at: int) -> str:
    """What differs of one measurement; empty where nothing does, `-` where it has no number."""
    one, other = measured_at(here, at), measured_at(there, at)
    first, second = StoredStreams(here).of(one).streams(), StoredStreams(there).of(other).streams()
    if not (
        np.array_equal(first.gauge_mm, second.gauge_mm) and np.array_equal(first.crank_deg, second.crank_deg)
    ):
        return f"measurement {at}: other readings"
    results = [
        estimate(s, m.analysis_settings(), m.gauge_facts()).result for s, m in ((first, one), (second, other))
    ]
    if repr(results[0]) != repr(results[1]):
        return f"measurement {at}: another number"
    return "" if results[0] is not None else "-"


def measured_at(data: Path, number: int) -> Measurement:
    return MeasurementReader(ShopReader(data)).get(number)


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--traces", type=int, default=2000)
    parser.add_argument("--every", type=int, default=1)
    asked = parser.parse_args()
    server = Server()
    try:
        with tempfile.TemporaryDirectory() as folder:
            here, there = Path(folder) / "lost", Path(folder) / "new"
            traces = fill(here, asked.traces, Path(folder) / "job.zip")
            prepare(server.new_database("shop"), ["east"])
            forwarder, begun_s = (
                Forwarder(here, server.url("shop", "lobewright_east"), "east"),
                time.monotonic(),
            )
            while forwarder.step():
                pass
            forwarder.close()
            print(f"{traces:,} traces sent in {time.monotonic() - begun_s:.1f} s", flush=True)
            reader, begun_s = server.url("shop", "lobewright_reader"), time.monotonic()
            wrong = list(prove(reader).trouble)
            print(f"proved in {time.monotonic() - begun_s:.1f} s", flush=True)
            begun_s = time.monotonic()
            restore_from_archive(reader, "east", there)
            print(f"made anew in {time.monotonic() - begun_s:.1f} s", flush=True)
            if contents_of(here) != contents_of(there):
                wrong.append("other contents")
            jobs = [row["id"] for row in ShopReader(here).rows("SELECT id FROM jobs ORDER BY id")]
            first, second = sheets(here, jobs), sheets(there, jobs)
            wrong += [f"job {job}: another sheet" for job in jobs if first[job] != second[job]]
            print(f"{len(jobs)} sheets held against each other", flush=True)
            numbers = [one.id for one in measured(here)][:: asked.every]
            with ProcessPoolExecutor(PROCESSES) as workers:
                told = list(workers.map(partial(computed, here, there), numbers, chunksize=8))
            wrong += [one for one in told if one not in {"", "-"}]
            print(
                f"{len(numbers):,} measurements held against each other, {told.count('')} with a number computed again"
            )
    finally:
        server.close()
    for line in wrong[:20]:
        print(f"WRONG: {line}")
    print("every sheet and number is the same to the last digit" if not wrong else f"{len(wrong)} differ")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
