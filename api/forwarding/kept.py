"""What a bench keeps, as it goes to the archive: documents and blocks, each with the hash of what is in it.

All of it is read from the two databases, on connections that can only read; nothing is asked of whoever measures.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from api.forwarding.blocks import BLOCK_COLUMNS, BLOCKS_A_PIECE, KeptBlock
from api.store import FILE_NAME, IMPORTED_FOLDER, ROW_KEYS, ShopReader, key_of
from capture.store import STORE_NAME, open_for_reading

RUN, IMPORTED, SIGNED = "runs", "imported", "signed_off"
RUN_TABLES = ("anchors", "channels", "segments", "gaps", "events")
Row = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Document:
    """One row of the shop, one run, or one imported trace; a later version of it has a higher number."""

    kind: str
    key: str
    version: int
    body: bytes

    @property
    def sha256(self) -> bytes:
        """Hash of what is in it."""
        return hashlib.sha256(self.body).digest()


@dataclass(frozen=True, slots=True)
class SignedOff:
    """A sign-off as it was noted in the shop."""

    change: int
    job_id: int
    fact: str
    number: int


class KeptHere:
    """Reads a data folder for the archive."""

    def __init__(self, data_dir: Path) -> None:
        self._data_dir = data_dir
        self._shop = ShopReader(data_dir)

    # -- the shop's rows

    def last_change(self) -> int:
        """Give the number of the newest change there ever was."""
        row = self._shop.row("SELECT seq FROM sqlite_sequence WHERE name = 'changes'")
        return int(row["seq"]) if row else 0

    def waiting(self, after: int) -> int:
        """Count the rows that changed after a change."""
        row = self._shop.row("SELECT count(*) AS n FROM changes WHERE number > ?", (after,))
        return int(row["n"]) if row else 0

    def changed(self, after: int, upto: int, most: int) -> tuple[list[Document], int]:
        """Give what changed after a change and up to another, in order, and the last change that is in it.

        A measurement that is running is passed over: its end is a change of its own.
        """
        found: list[Document] = []
        numbers = [
            row["number"]
            for row in self._shop.rows(
                "SELECT number FROM changes WHERE number > ? AND number <= ? ORDER BY number LIMIT ?",
                (after, upto, most),
            )
        ]
        if not numbers:
            return found, after
        for table in ROW_KEYS:
            found += self._rows(table, "c.number > ? AND c.number <= ?", (after, numbers[-1]))
        return [*sorted(found, key=lambda one: one.version), *self._imported(found)], numbers[-1]

    def signed_off(self, after: int) -> SignedOff | None:
        """Give the first sign-off noted after a change."""
        row = self._shop.row(
            "SELECT c.number AS change, f.job_id, f.number, c.key FROM changes c"
            f" JOIN job_facts f ON c.key = {key_of('job_facts', 'f.')}"
            " WHERE c.kind = 'job_facts' AND f.kind = ? AND c.number > ? ORDER BY c.number LIMIT 1",
            (SIGNED, after),
        )
        return None if row is None else SignedOff(row["change"], row["job_id"], row["key"], row["number"])

    def of_job(self, signed: SignedOff) -> tuple[list[Document], list[KeptBlock]]:
        """Give all that a sign-off speaks of: the job, what was done up to there, its measurements, their traces."""
        job = (signed.job_id,)
        own = "(t.job_id = ? OR t.id IN (SELECT measurement_id FROM job_adoptions WHERE job_id = ?))"
        found = self._rows("jobs", "t.id = ?", job)
        found += self._rows("job_facts", "t.job_id = ? AND t.number <= ?", (*job, signed.number))
        found += self._rows("job_adoptions", "t.job_id = ?", job)
        found += (measured := self._rows("measurements", own, job * 2))
        found += (parts := self._rows("parts", "t.job_id = ? AND t.fact <= ?", (*job, signed.number)))
        rows = [json.loads(one.body) for one in (*measured, *parts)]
        runs = sorted({row["run_id"] for row in rows if row["run_id"] is not None})
        found += self._imported(measured)
        with self._streams() as streams:
            if streams is None:
                return found, []
            found += [_run_document(streams, run) for run in runs]
            blocks = {b.key: b for row in rows if row["run_id"] is not None for b in _blocks_of(streams, row)}
        return found, list(blocks.values())

    def _rows(self, table: str, where: str, values: tuple[Any, ...]) -> list[Document]:
        ended = " AND t.state != 'running'" if table == "measurements" else ""
        rows = self._shop.rows(
            f"SELECT c.number AS change_number, c.key AS change_key, t.* FROM changes c"
            f" JOIN {table} t ON c.kind = '{table}' AND c.key = {key_of(table, 't.')}"
            f" WHERE {where}{ended} ORDER BY c.number",
            values,
        )
        return [Document(table, row.pop("change_key"), row.pop("change_number"), _json(row)) for row in rows]

    def _imported(self, found: list[Document]) -> Iterator[Document]:
        """Give the trace files that measurements brought with them."""
        for one in found:
            name = json.loads(one.body)["imported_file"] if one.kind == "measurements" else None
            path = self._data_dir / IMPORTED_FOLDER / Path(name or "").name
            if name and path.is_file():
                yield Document(IMPORTED, path.name, 0, path.read_bytes())

    # -- the streams

    def runs(self, after: int) -> list[tuple[int, bool]]:
        """Give the runs after one, the oldest first, and whether each has ended."""
        with self._streams() as streams:
            if streams is None:
                return []
            sql = "SELECT id, ending IS NOT NULL FROM runs WHERE id > ? ORDER BY id"
            return [(int(run), bool(ended)) for run, ended in streams.execute(sql, (after,))]

    def run(self, run_id: int) -> tuple[Document, list[int]]:
        """Give a run with all but its readings, and its channels by number."""
        with self._streams() as streams:
            assert streams is not None
            return _run_document(streams, run_id), _channels(streams, run_id)

    def blocks(self, run_id: int, after: Mapping[int, int], *, settled: bool) -> Iterator[KeptBlock]:
        """Give the blocks of channels of a run, each channel behind the block that begins with a reading.

        They are read a piece at a time, each of one moment: whoever takes them may be slow, and a store from which one
        question is read for long cannot shorten its log.

        Parameters
        ----------
        settled
            Leave out the newest of each channel, which may still grow while its value stands.
        """
        where = "channel_id = :channel AND first > :after"
        where += " AND first < (SELECT max(first) FROM blocks WHERE channel_id = :channel)" if settled else ""
        where += f" ORDER BY first LIMIT {BLOCKS_A_PIECE}"
        with closing(open_for_reading(self._data_dir / STORE_NAME)) as streams:
            for channel, first in after.items():
                wanted = {"channel": channel, "after": first}
                while piece := list(_blocks(streams, run_id, where, wanted)):
                    yield from piece
                    wanted["after"] = piece[-1].first

    def growing(self, run_id: int, after: Mapping[int, int]) -> list[KeptBlock]:
        """Give the newest block of each channel of a run, unless it is the one that begins with a reading."""
        where = "channel_id = :channel AND first > :after ORDER BY first DESC LIMIT 1"
        with self._streams() as streams:
            assert streams is not None
            return [
                block
                for channel in _channels(streams, run_id)
                for block in _blocks(
                    streams, run_id, where, {"channel": channel, "after": after.get(channel, -1)}
                )
            ]

    def blocks_waiting(self, after: dict[int, int]) -> int:
        """Count the settled blocks of channels behind those that begin with a reading."""
        sql = "SELECT max(count(*) - 1, 0) FROM blocks WHERE channel_id = ? AND first > ?"
        with self._streams() as streams:
            if streams is None:
                return 0
            return sum(int(streams.execute(sql, one).fetchone()[0]) for one in after.items())

    @contextmanager
    def _streams(self) -> Iterator[sqlite3.Connection | None]:
        path = self._data_dir / STORE_NAME
        if not path.exists():
            yield None
            return
        with closing(open_for_reading(path)) as connection:
            connection.execute("BEGIN")  # all that is asked is of one moment
            yield connection


def is_there(data_dir: Path) -> bool:
    """Tell whether a folder holds a shop."""
    return (data_dir / FILE_NAME).exists()


def _run_document(streams: sqlite3.Connection, run_id: int) -> Document:
    """Pack a run; it only ever grows, so the number of its rows tells its versions apart."""
    body = {"runs": _dicts(streams, "SELECT * FROM runs WHERE id = ?", run_id)}
    for table in RUN_TABLES:
        own = (
            "channel_id IN (SELECT id FROM channels WHERE run_id = ?)"
            if table == "segments"
            else "run_id = ?"
        )
        body[table] = _dicts(streams, f"SELECT * FROM {table} WHERE {own} ORDER BY 1, 2", run_id)
    version = sum(len(rows) for rows in body.values()) + sum(bool(row["device"]) for row in body["channels"])
    return Document(RUN, str(run_id), version + (body["runs"][0]["ending"] is not None), _json(body))


def _dicts(streams: sqlite3.Connection, sql: str, run_id: int) -> list[Row]:
    cursor = streams.execute(sql, (run_id,))
    names = [column[0] for column in cursor.description]
    return [dict(zip(names, row, strict=True)) for row in cursor]


def _channels(streams: sqlite3.Connection, run_id: int) -> list[int]:
    rows = streams.execute("SELECT id FROM channels WHERE run_id = ? ORDER BY id", (run_id,))
    return [int(row[0]) for row in rows]


def _blocks_of(streams: sqlite3.Connection, measurement: Row) -> Iterator[KeptBlock]:
    """Give the blocks a measurement stands on, and the neighbours, in which a stand may have begun or ended."""
    wanted = {"run": measurement["run_id"], "gauge": measurement["gauge"]}
    wanted |= {"start": measurement["start_ns"], "end": measurement["end_ns"]}
    channels = (
        "SELECT id FROM channels WHERE run_id = :run AND (name = :gauge OR quantity = 'crank') ORDER BY id"
    )
    where = (
        "channel_id = :channel"
        " AND first >= coalesce((SELECT max(first) FROM blocks WHERE channel_id = :channel AND start_ns < :start), 0)"
        " AND first <= coalesce((SELECT min(first) FROM blocks WHERE channel_id = :channel AND end_ns > :end),"
        f" {2**63 - 1}) ORDER BY first"
    )
    for (channel,) in streams.execute(channels, wanted).fetchall():
        yield from _blocks(streams, measurement["run_id"], where, wanted | {"channel": channel})


def _blocks(streams: sqlite3.Connection, run_id: int, where: str, values: Row) -> Iterator[KeptBlock]:
    sql = f"SELECT :run, {', '.join(BLOCK_COLUMNS)}, data FROM blocks WHERE {where}"
    return map(KeptBlock._make, streams.execute(sql, {**values, "run": run_id}))


def _json(value: object) -> bytes:
    return json.dumps(value, ensure_ascii=False, separators=(",", ":"), sort_keys=True).encode()
