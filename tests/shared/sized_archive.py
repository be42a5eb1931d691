"""An archive of many jobs, made by COPY out of one whole job: its numbers, names and days varied."""

from __future__ import annotations

import hashlib
import json
import random
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import psycopg
from kept_shop import CRANK, DIAL, add_job

from api.forwarding.adding import add_blocks
from api.forwarding.blocks import CopiedBlocks, KeptBlock
from api.forwarding.connecting import BenchName
from api.forwarding.kept import RUN, Document, KeptHere
from api.records import MeasurementReader, StoredStreams
from api.store import ShopReader
from capture.base import Segment
from capture.store import StreamWriter
from capture.store.blocks import BlockBuilder
from capture.store.stream_store import Batch

BENCHES = ("east", "west")
ENGINES, CUSTOMERS = 400, 2000
SYLLABLES = [
    "tar",
    "sal",
    "whin",
    "gar",
    "dun",
    "skel",
    "mer",
    "quil",
    "bra",
    "fen",
    "lor",
    "hol",
    "ves",
    "pim",
]
BEGINS_NS = 1_000_000_000


@dataclass(frozen=True)
class Whole:
    """One whole job as the archive has it, with marks where its numbers and names go."""

    rows: list[tuple[str, str, bytes]]
    measurements: list[tuple[str, bytes]]
    runs: list[tuple[dict[str, Any], list[KeptBlock]]]


def whole_job(folder: Path) -> Whole:
    """Take the recorded job, its traces stored as runs of a bench."""
    data = folder / "template"
    add_job(data)
    documents, _ = KeptHere(data).changed(0, 10**9, 10**9)
    stored, reader = StoredStreams(data), MeasurementReader(ShopReader(data))
    spans = {}
    with_runs = folder / "runs"
    with_runs.mkdir()
    writer = StreamWriter(with_runs)
    numbers = sorted(int(one.key) for one in documents if one.kind == "measurements")
    for number in numbers:
        spans[number] = store_run(writer, stored.of(reader.get(number)))
    writer.close()
    here = KeptHere(with_runs)
    runs = []
    for run, _ in here.runs(0):
        document, channels = here.run(run)
        blocks = list(here.blocks(run, dict.fromkeys(channels, -1), settled=False))
        runs.append((json.loads(document.body), blocks))
    rows, measurements = [], []
    for one in documents:
        if one.kind in {"jobs", "job_facts", "job_adoptions"}:
            target = measurements if one.kind == "job_adoptions" else rows
            entry = (
                (one.kind, one.key, marked(one, spans)) if target is rows else (one.kind, marked(one, spans))
            )
            target.append(entry)
        elif one.kind == "measurements":
            measurements.append((one.kind, marked(one, spans)))
    return Whole(rows, measurements, runs)


def store_run(writer: StreamWriter, interval: Any) -> int:
    """Store a trace as a run of its own; gives how long it is."""
    writer.begin_run([CRANK, DIAL], mono_ns=0, wall_ns=time.time_ns(), pid=1, boot_id="made", bench="")
    first = min(interval.crank_t_ns[0], interval.gauge_t_ns[0])
    streams = (
        (
            CRANK,
            Segment(0, "fresh", 0, 0),
            interval.crank_t_ns,
            interval.crank_deg * CRANK.counts_per_turn / 360.0,
        ),
        (DIAL, Segment(0, "fresh", 0, 3), interval.gauge_t_ns, interval.gauge_mm * 1000.0),
    )
    for channel, segment, t_ns, value in streams:
        batch, builder = Batch(), BlockBuilder(channel)
        batch.segments.append((channel, segment, 0, 1))
        for sequence, (at, raw) in enumerate(zip(t_ns, value, strict=True)):
            done = builder.add(segment, sequence, int(at - first) + BEGINS_NS, round(float(raw)))
            if done is not None and done not in batch.blocks:
                batch.blocks.append(done)
        last = builder.close()
        if last is not None and last not in batch.blocks:
            batch.blocks.append(last)
        writer.write(batch)
    span = int(max(interval.crank_t_ns[-1], interval.gauge_t_ns[-1]) - first)
    writer.end_run(BEGINS_NS + span, time.time_ns())
    return span


def marked(one: Document, spans: dict[int, int]) -> bytes:
    """Put a mark wherever a number, a name or a day goes."""
    row = json.loads(one.body)
    for name in ("job_id", "measurement_id"):
        if name in row:
            row[name] = f"@{'J' if name == 'job_id' else 'M' + str(row[name])}@"
    if one.kind == "jobs":
        body = json.loads(row["body"]) | {"reference": "@R@", "customer": "@C@", "note": "@N@"}
        body["engine"]["name"] = "@E@"
        row |= {"id": "@J@", "reference": "@R@", "customer": "@C@", "changed_at": "@D@", "at": "@D@"}
        row |= {"body": json.dumps(body), "engine_id": None, "card_id": None}
    elif one.kind == "job_facts":
        what = json.loads(row["what"])
        if what.get("measurement_id"):
            what["measurement_id"] = f"@M{what['measurement_id']}@"
        row["what"] = json.dumps(what)
    elif one.kind == "measurements":
        row |= {"run_id": f"@U{row['id']}@", "imported_file": None, "gauge": DIAL.name, "start_ns": BEGINS_NS}
        row |= {"end_ns": BEGINS_NS + spans[row["id"]], "id": f"@M{row['id']}@"}
    text = json.dumps(row, separators=(",", ":"), sort_keys=True)
    for mark in ["J", *(f"{kind}{number}" for number in spans for kind in "MU")]:
        text = text.replace(f'"@{mark}@"', f"@{mark}@")  # numbers stand without quotes, but inside a text
    return text.encode()


class Maker:
    """Varies one whole job."""

    def __init__(self, whole: Whole, seed: int) -> None:
        self.whole, self._rng = whole, random.Random(seed)
        self._engines = [self._name() for _ in range(ENGINES)]
        self._customers = [self._name() for _ in range(CUSTOMERS)]
        self.many = len(whole.runs)

    def _name(self) -> str:
        words = ("".join(self._rng.choices(SYLLABLES, k=2)).capitalize() for _ in range(2))
        return f"{' '.join(words)} {self._rng.randrange(10, 99)}"

    def job(self, number: int, of: int) -> dict[bytes, bytes]:
        """Give what stands at the marks of one job; the lower its number, the longer ago it was."""
        days = 3650 * (of - number) // max(of, 1)
        day = time.strftime("%Y-%m-%d", time.gmtime(1_795_000_000 - days * 86_400))
        told = {
            "@J@": str(number),
            "@R@": f"HL-{self._rng.randrange(10**6):06}",
            "@C@": self._rng.choice(self._customers),
            "@E@": self._rng.choice(self._engines),
            "@N@": f"serial {self._rng.randrange(16**8):08X}, {self._name()}",
            "@D@": f"{day}T{number % 24:02}:{number % 60:02}:00.{number % 1000:03}+00:00",
        }
        for at in range(1, self.many + 1):
            told[f"@M{at}@"] = told[f"@U{at}@"] = str(number * self.many + at)
        return {mark.encode(): value.encode() for mark, value in told.items()}


def filled(body: bytes, told: dict[bytes, bytes]) -> bytes:
    for mark, value in told.items():
        body = body.replace(mark, value)
    return body


def documents_of(maker: Maker, number: int, of: int, *, measured: bool) -> Iterator[tuple[str, str, bytes]]:
    told = maker.job(number, of)
    for kind, key, body in maker.whole.rows:
        yield kind, str(number) if kind == "jobs" else f"{number}/{key.partition('/')[2]}", filled(body, told)
    if not measured:
        return
    for kind, body in maker.whole.measurements:
        row = filled(body, told)
        yield kind, str(json.loads(row)["id" if kind == "measurements" else "measurement_id"]), row
    for at, (run, _) in enumerate(maker.whole.runs, 1):
        yield (
            RUN,
            str(number * maker.many + at),
            json.dumps(renumbered(run, number * maker.many + at)).encode(),
        )


def renumbered(run: dict[str, Any], number: int) -> dict[str, Any]:
    """Give a run under another number: its channels are twice that, and one more."""
    first = run["channels"][0]["id"]
    new: dict[str, Any] = {"runs": [run["runs"][0] | {"id": number}]}
    for table in ("anchors", "channels", "segments", "gaps", "events"):
        rows = []
        for place, row in enumerate(run[table]):
            more = {"run_id": number} if "run_id" in row else {}
            if table == "channels":
                more["id"] = 2 * number + row["id"] - first
            elif table == "segments":
                more["channel_id"] = 2 * number + row["channel_id"] - first
            else:
                more["id"] = 10 * number + place
            rows.append(row | more)
        new[table] = rows
    return new


def make_archive(url: str, maker: Maker, jobs: int, measured_every: int) -> int:
    """Fill an archive by COPY; gives how many readings are in it."""
    readings = 0
    with psycopg.connect(url) as owner:
        owner.execute("UPDATE lobewright.benches SET identity = gen_random_uuid()")
        for bench_at, bench in enumerate(BENCHES):
            own = [number for number in range(1, jobs + 1) if number % len(BENCHES) == bench_at]
            version = 0
            sql = "COPY lobewright.documents (bench, kind, key, version, sha256, body) FROM STDIN (FORMAT BINARY)"
            with owner.cursor() as cursor, cursor.copy(sql) as copy:
                copy.set_types(["text", "text", "text", "int8", "bytea", "bytea"])
                for place, number in enumerate(own):
                    measured = is_measured(place, measured_every)
                    for kind, key, body in documents_of(maker, number, jobs, measured=measured):
                        version += 1
                        copy.write_row((bench, kind, key, version, hashlib.sha256(body).digest(), body))
            for place, number in enumerate(own):
                if is_measured(place, measured_every):
                    blocks = list(blocks_of(maker, number))
                    readings += sum(block.lines for block in blocks)
                    add_blocks(owner, BenchName(bench, ""), CopiedBlocks(bench, blocks))
        owner.commit()
    with psycopg.connect(url, autocommit=True) as owner:
        owner.execute("ANALYZE")
    return readings


def is_measured(place: int, every: int) -> bool:
    return place % every == 0


def blocks_of(maker: Maker, number: int) -> Iterator[KeptBlock]:
    for at, (run, blocks) in enumerate(maker.whole.runs, 1):
        new, first = number * maker.many + at, run["channels"][0]["id"]
        for block in blocks:
            yield block._replace(run_id=new, channel_id=2 * new + block.channel_id - first)


def measured_jobs(jobs: int, every: int) -> Iterator[tuple[str, int]]:
    for bench_at, bench in enumerate(BENCHES):
        own = [number for number in range(1, jobs + 1) if number % len(BENCHES) == bench_at]
        yield from ((bench, number) for place, number in enumerate(own) if is_measured(place, every))
