"""A shop over archives of three sizes: what its list, a search, opening a job and opening a trace take.

    python tests/benchmarks/shop_sizes.py [--jobs 1000 10000 100000] [--measured-every 20] [--asks 40]

The archive is made by COPY out of one whole job, its numbers, names and days varied; of every twentieth job the
measurements and all their readings are there, too. Then a real `lobewright shop` copies it and is asked over HTTP.
"Opening a job" is its page and what the page shows first; "opening a trace" its page, its measurement and its drawing,
one never opened before: readings fetched from the archive, proved, fitted; beside it stands the fit alone. Nothing here
is asserted.
"""

from __future__ import annotations

import argparse
import random
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import httpx
import psycopg

sys.path.insert(0, str(Path(__file__).parents[1] / "shared"))

from postgres import Server
from running_pages import RunningPages
from sized_archive import BENCHES, SYLLABLES, Maker, Whole, make_archive, measured_jobs, whole_job
from waiting import until

from api.forwarding import prepare
from api.live import estimate
from api.records import MeasurementReader, StoredStreams
from api.store import ShopReader

GOALS_MS = {"list": 100, "search": 300, "engine": 300, "job": 1000, "trace": 1000}


def median_ms(asks: int, ask: Callable[[int], object]) -> tuple[float, float]:
    """Ask so often; gives the median and the worst but one in twenty."""
    taken = []
    for at in range(asks):
        begun = time.perf_counter()
        ask(at)
        taken.append((time.perf_counter() - begun) * 1e3)
    taken.sort()
    return statistics.median(taken), taken[min(len(taken) - 1, round(len(taken) * 0.95))]


def ask_all(
    shop: RunningPages, jobs: int, measured_every: int, asks: int, many: int
) -> dict[str, tuple[float, float]]:
    rng = random.Random(3)
    web = httpx.Client(base_url=shop.url, timeout=120)

    def get(path: str, **query: Any) -> Any:
        answer = web.get(path, params=query).raise_for_status()
        return answer.json() if "json" in answer.headers["content-type"] else answer.text

    known = [
        one for _ in range(3) for one in get("/api/shop/jobs", limit=500, words=rng.choice(SYLLABLES))["jobs"]
    ]

    def words() -> str:
        one = rng.choice(known)
        return rng.choice(
            [one["reference"][2:], one["engine"][:6], f"{one['customer'][:5]} {one['engine'][-6:]}", "inlet"]
        )

    measured = [(bench, number) for bench, number in measured_jobs(jobs, measured_every)]

    def open_job(_: int) -> None:
        one = rng.choice(known)
        for path in (f"/of/{one['bench']}/jobs/{one['id']}", f"/of/{one['bench']}/api/jobs/{one['id']}"):
            get(path)

    traces = [(bench, number * many + at) for bench, number in measured for at in range(1, many + 1)]
    rng.shuffle(traces)
    fresh = min(asks, len(traces))

    def open_trace(at: int) -> None:
        bench, number = traces[at % fresh]
        for path in (f"traces/{number}", f"api/measurements/{number}", f"api/measurements/{number}/trace"):
            get(f"/of/{bench}/{path}")

    return {
        "list": median_ms(asks, lambda _: get("/api/shop/jobs", limit=100)),
        "search": median_ms(asks, lambda _: get("/api/shop/jobs", words=words(), limit=100)),
        "engine": median_ms(
            asks, lambda _: get("/api/shop/jobs", engine=rng.choice(known)["engine"], limit=100)
        ),
        "job": median_ms(asks, open_job),
        "trace": median_ms(fresh, open_trace),
        "trace again": median_ms(fresh, open_trace),
    }


def fit_alone(data: Path, asks: int) -> tuple[float, float]:
    """What opening a trace has to take in any case: its readings lie ready, and are fitted."""
    stored = StoredStreams(data)
    listed = MeasurementReader(ShopReader(data)).listed(limit=100)
    ready = [(stored.of(one).streams(), one.analysis_settings(), one.gauge_facts()) for one in listed]
    return median_ms(asks, lambda at: estimate(*ready[at % len(ready)]))


def run_one(server: Server, whole: Whole, jobs: int, asked: argparse.Namespace) -> None:
    maker = Maker(whole, 1)
    url = server.new_database("sizes")
    prepare(url, BENCHES)
    begun = time.perf_counter()
    readings = make_archive(url, maker, jobs, asked.measured_every)
    with psycopg.connect(url) as owner:
        row = owner.execute("SELECT count(*), pg_database_size('sizes') FROM lobewright.documents").fetchone()
    assert row is not None
    print(
        f"\n{jobs:,} jobs, {row[0]:,} documents, {readings:,} readings, {row[1] / 1e9:.2f} GB;"
        f" made in {time.perf_counter() - begun:.0f} s",
        flush=True,
    )
    with tempfile.TemporaryDirectory(prefix="lw-sizes-") as folder:
        begun = time.perf_counter()
        shop = RunningPages(server.url("sizes", "lobewright_reader"), Path(folder))
        try:
            until(lambda: shop.get("/api/shop/benches")["jobs"] == jobs, "all is copied", 3600)
            print(f"copied for the first time in {time.perf_counter() - begun:.0f} s", flush=True)
            for name, (middle, most) in ask_all(
                shop, jobs, asked.measured_every, asked.asks, maker.many
            ).items():
                goal = GOALS_MS.get(name)
                told = "" if goal is None else f"   goal {goal}: {'within' if most <= goal else 'OVER'}"
                print(
                    f"  {name:<12} median {middle:>8.1f} ms   95 % within {most:>8.1f} ms{told}", flush=True
                )
        finally:
            shop.stop()


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--jobs", type=int, nargs="+", default=[1_000, 10_000, 100_000])
    parser.add_argument("--measured-every", type=int, default=20)
    parser.add_argument("--asks", type=int, default=40)
    asked = parser.parse_args()
    server = Server()
    try:
        with tempfile.TemporaryDirectory(prefix="lw-template-") as folder:
            whole = whole_job(Path(folder))
            middle, most = fit_alone(Path(folder) / "template", asked.asks)
            print(f"the fit of a trace alone: median {middle:.1f} ms, 95 % within {most:.1f} ms")
        for jobs in asked.jobs:
            run_one(server, whole, jobs, asked)
    finally:
        server.close()


if __name__ == "__main__":
    main()
