"""A bench as the archive has it, copied into a folder for looking: its documents as they come, readings when asked for.

The folder is made by the very code that restores a lost bench, so all that reads a bench's folder reads this one. It is
nobody's bench: what is noted of it says how far it has got, and of which archive; where that does not fit, it is made anew.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError
from sqlite_utils import Database

from api.base import ConflictError, StoreError
from api.forwarding.blocks import BLOCK_COLUMNS, block_sha256
from api.forwarding.restoring import put_document
from api.store import ShopStore
from capture.store import STORE_NAME, open_for_writing

if TYPE_CHECKING:
    from psycopg import Connection

T = TypeVar("T")
AT_ONCE, AT_A_TIME, MOST_BYTES = 4000, 500, 32 << 20
NOTE = "copy.json"
OURS = "benches"
"""Folder of the copies; what is in it is ours to throw away."""
ONLY_LOOKED_AT = (
    "This is the archive's copy of the bench {bench}, to look at only; change things at that bench."
)


class CopyNote(BaseModel):
    """What a copy is of, and up to which arrival it has everything; `documents` counts them."""

    model_config = ConfigDict(extra="forbid")
    archive: str
    bench: str
    arrived: int = 0
    documents: int = 0


class CopiedShop(ShopStore):
    """The shop of a copy: what comes from the archive is written, and nothing else."""

    def __init__(self, data_dir: Path, bench: str) -> None:
        super().__init__(data_dir)
        self._bench = bench
        self.take(_list_no_changes)

    def submit(self, change: Callable[[Database], T]) -> Future[T]:
        """Refuse: raises `ConflictError`."""
        raise only_looked_at(self._bench)

    def take(self, change: Callable[[Database], T]) -> T:
        """Write what came from the archive."""
        return super().submit(change).result()


def _list_no_changes(db: Database) -> None:
    """Nobody carries a copy's changes further: listing them would cost as much as copying."""
    for row in db.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
        db.execute(f'DROP TRIGGER "{row[0]}"')


def only_looked_at(bench: str) -> ConflictError:
    """Say that nothing can be changed here."""
    return ConflictError("only_looked_at", ONLY_LOOKED_AT.format(bench=bench))


@dataclass(frozen=True, slots=True)
class Came:
    """What one step brought: the jobs that something of was changed, and whether more may be waiting."""

    jobs: frozenset[int] = frozenset()
    documents: int = 0
    more: bool = False


class BenchCopy:
    """The copy of one bench in a folder of its own."""

    def __init__(self, data_dir: Path, archive: str, bench: str) -> None:
        self.bench, self.folder = bench, data_dir / OURS / bench
        self._archive = archive
        noted = _noted(self.folder)
        if noted is None or (noted.archive, noted.bench) != (archive, bench):
            shutil.rmtree(self.folder, ignore_errors=True)
            noted = CopyNote(archive=archive, bench=bench)
        self.note = noted
        self.shop = CopiedShop(self.folder, bench)
        self._streams = open_for_writing(self.folder / STORE_NAME)
        self._lock = threading.Lock()
        """Held by whoever writes to the streams: documents of runs, and readings that a page asked for."""

    def close(self) -> None:
        """Let go of the files."""
        self._streams.close()
        self.shop.close()

    def anew(self) -> BenchCopy:
        """Throw it away, once it is closed, and begin again."""
        shutil.rmtree(self.folder, ignore_errors=True)
        return BenchCopy(self.folder.parents[1], self._archive, self.bench)

    def fits(self, connection: Connection[tuple[Any, ...]]) -> bool:
        """Tell whether the archive still has all that was copied; it may have been put back from an older copy."""
        row = connection.execute(
            "SELECT count(*) FROM lobewright.documents WHERE bench = %s AND arrived <= %s",
            (self.bench, self.note.arrived),
        ).fetchone()
        return row is not None and row[0] == self.note.documents

    def waiting(self, connection: Connection[tuple[Any, ...]]) -> int:
        """Count the documents that are still to be copied."""
        row = connection.execute(
            "SELECT count(*) FROM lobewright.documents WHERE bench = %s AND arrived > %s",
            (self.bench, self.note.arrived),
        ).fetchone()
        return int(row[0]) if row else 0

    def step(self, connection: Connection[tuple[Any, ...]]) -> Came:
        """Copy the documents that arrived since, up to a fair piece; raises `StoreError` where one is not what was sent."""
        rows, more = self._arrived(connection)
        if not rows:
            return Came()
        for _, kind, key, sha256, body in rows:
            if hashlib.sha256(body).digest() != sha256:
                raise spoilt(self.bench, f"{kind} {key}")
        with self._writing("FULL"):
            jobs = self.shop.take(lambda db: self._put(db, rows))
        self.note = self.note.model_copy(
            update={"arrived": rows[-1][0], "documents": self.note.documents + len(rows)}
        )
        _write_note(self.folder, self.note)
        return Came(frozenset(jobs), len(rows), more)

    def _arrived(self, connection: Connection[tuple[Any, ...]]) -> tuple[list[tuple[Any, ...]], bool]:
        """Give the next documents, and whether there may be more; trace files among them are large."""
        rows: list[tuple[Any, ...]] = []
        with connection.cursor("arrived", binary=True) as cursor:
            cursor.itersize = AT_A_TIME
            cursor.execute(
                b"SELECT arrived, kind, key, sha256, body FROM lobewright.documents"
                b" WHERE bench = %s AND arrived > %s ORDER BY arrived LIMIT %s",
                (self.bench, self.note.arrived, AT_ONCE),
            )
            left = MOST_BYTES
            for row in cursor:
                rows.append(row)
                left -= len(row[-1])
                if left <= 0:
                    return rows, True
        return rows, len(rows) == AT_ONCE

    def _put(self, shop: Database, rows: list[tuple[Any, ...]]) -> set[int]:
        streams = Database(self._streams)
        jobs = set()
        for _, kind, key, _, body in rows:
            put_document(shop, streams, self.folder, kind, key, body)
            if kind in {"jobs", "job_facts"}:
                jobs.add(int(key.partition("/")[0]))
        return jobs

    # -- readings

    def fetch(
        self, connection: Connection[tuple[Any, ...]], run_id: int, gauge: str, span: tuple[int, int]
    ) -> None:
        """Fetch the readings of crank and gauge over a span of a run, with their neighbours, where they are not here."""
        channels = self._streams.execute(
            "SELECT id FROM channels WHERE run_id = ? AND (name = ? OR quantity = 'crank')", (run_id, gauge)
        ).fetchall()
        for (channel,) in channels:
            self._fetch_blocks(connection, channel, span)

    def _fetch_blocks(
        self, connection: Connection[tuple[Any, ...]], channel: int, span: tuple[int, int]
    ) -> None:
        """Fetch all blocks a span needs, each proved, or none."""
        first, last = blocks_of_span(connection, self.bench, channel, span)
        names = ", ".join(BLOCK_COLUMNS)
        with connection.cursor(binary=True) as cursor:
            cursor.execute(
                f"SELECT DISTINCT ON (channel_id, first) run_id, {names}, sha256, data FROM lobewright.blocks"
                " WHERE bench = %s AND channel_id = %s AND first BETWEEN %s AND %s"
                " ORDER BY channel_id, first, lines DESC".encode(),
                (self.bench, channel, first, last),
            )
            rows = cursor.fetchall()
        for run_id, *place, sha256, data in rows:
            if block_sha256(run_id, place, data) != sha256:
                raise spoilt(self.bench, f"the readings from {place[1]:,} of channel {place[0]}")
        self._refuse_holes(channel, [tuple(place) for _, *place, _, _ in rows], span)
        marks = ", ".join("?" for _ in (*BLOCK_COLUMNS, "data"))
        with self._writing("NORMAL"):  # what is lost with the power is fetched again
            self._streams.executemany(
                f"INSERT OR REPLACE INTO blocks ({names}, data) VALUES ({marks})",
                [(*place, data) for _, *place, _, data in rows],
            )

    @contextmanager
    def _writing(self, synchronous: str) -> Iterator[None]:
        with self._lock:
            self._streams.execute(f"PRAGMA synchronous = {synchronous}")
            self._streams.execute("BEGIN IMMEDIATE")
            try:
                yield
                self._streams.execute("COMMIT")
            except BaseException:
                if self._streams.in_transaction:
                    self._streams.execute("ROLLBACK")
                raise

    def _refuse_holes(self, channel: int, places: list[tuple[int, ...]], span: tuple[int, int]) -> None:
        """Refuse blocks of which some have not arrived yet: a curve with a hole in it would look like a fault of the gauge.

        What the bench itself could not keep is no hole: it is listed with the run.
        """
        whole = bool(places) and (places[0][1] == 0 or places[0][5] <= span[0])
        for before, after in pairwise(places):
            whole = whole and (
                before[1] + before[2] >= after[1] or self._was_lost(channel, before[6], after[5])
            )
        if not whole:
            raise ConflictError(
                "not_arrived",
                f"Not all readings of this trace have arrived from the bench {self.bench} yet; look again in a moment.",
            )

    def _was_lost(self, channel: int, start_ns: int, end_ns: int) -> bool:
        row = self._streams.execute(
            "SELECT 1 FROM gaps g JOIN channels c ON c.run_id = g.run_id AND c.name = g.channel"
            " WHERE c.id = ? AND g.end_ns >= ? AND g.start_ns <= ?",
            (channel, start_ns, end_ns),
        ).fetchone()
        return row is not None


def blocks_of_span(
    connection: Connection[tuple[Any, ...]], bench: str, channel: int, span: tuple[int, int]
) -> tuple[int, int]:
    """Give the first readings of the first and the last block that a span of time needs, its neighbours with it.

    Blocks of a channel follow one another in time as in number, so the place is found by halving over the number, by
    the key there is: a run of a day is looked at in some twenty blocks, and no index on times is to be kept.
    """
    row = connection.execute(
        "SELECT min(first), max(first) FROM lobewright.blocks WHERE bench = %s AND channel_id = %s",
        (bench, channel),
    ).fetchone()
    if row is None or row[0] is None:
        return 0, -1
    low, high = int(row[0]), int(row[1])

    def last_that(holds: Callable[[int, int], bool]) -> int:
        """Give the last block of which it holds; it holds of the earlier ones, and not of the later."""
        least, most, found = low, high, low
        while least <= most:
            middle = (least + most) // 2
            block = connection.execute(
                "SELECT first, start_ns, end_ns FROM lobewright.blocks WHERE bench = %s AND channel_id = %s"
                " AND first <= %s ORDER BY first DESC, lines DESC LIMIT 1",
                (bench, channel, middle),
            ).fetchone()
            assert block is not None
            if holds(block[1], block[2]):
                found, least = block[0], middle + 1
            else:
                most = block[0] - 1
        return found

    begins = last_that(lambda start_ns, _: start_ns < span[0])
    ends = last_that(lambda _, end_ns: end_ns <= span[1])
    after = connection.execute(
        "SELECT min(first) FROM lobewright.blocks WHERE bench = %s AND channel_id = %s AND first > %s",
        (bench, channel, ends),
    ).fetchone()
    return begins, int(after[0]) if after and after[0] is not None else ends


def spoilt(bench: str, what: str) -> StoreError:
    """Say that something of the archive is not what was sent."""
    return StoreError(
        "spoilt_archive",
        f"{what} of the bench {bench} is not what was sent; lobewright verify --archive names all that does not fit.",
    )


def _noted(folder: Path) -> CopyNote | None:
    try:
        return CopyNote.model_validate_json((folder / NOTE).read_bytes())
    except (OSError, ValidationError):
        return None


def _write_note(folder: Path, note: CopyNote) -> None:
    part = folder / f"{NOTE}.part"
    with part.open("w", encoding="utf-8") as file:
        file.write(note.model_dump_json())
        file.flush()
        os.fsync(file.fileno())
    part.replace(folder / NOTE)
