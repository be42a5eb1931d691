"""Are the two databases of a folder whole? Asked of the living ones by `check`, of a copy by `verify`."""

from __future__ import annotations

import json
import sqlite3
import zlib
from contextlib import closing
from pathlib import Path

from pydantic import BaseModel, ConfigDict

from api.base import StoreError
from api.records.measurement_store import JSON_COLUMNS
from api.records.part_store import JSON_COLUMNS as JSON_OF_PARTS
from api.store import FILE_NAME as SHOP_NAME
from api.store import ShopReader, read_only, store_error, strange_in_shop, strange_in_streams
from capture.base import CaptureError
from capture.store import STORE_NAME, lies_read_only, open_for_reading, reading_uri

BLOCKS_AT_ONCE = 2000
BYTES_A_READING = 3 * 8
"""Stamp, value and folded count, before packing."""
TOLD = 3
JSON_TEXT = {
    "engines": ("body",),
    "cards": ("body",),
    "jobs": ("body",),
    "job_facts": ("what", "source"),
    "job_adoptions": (),
    "measurements": JSON_COLUMNS,
    "parts": JSON_OF_PARTS,
    "versions": ("parents", "body"),
}


class Contents(BaseModel):
    """How much a folder holds."""

    model_config = ConfigDict(extra="forbid", frozen=True)
    runs: int
    readings: int
    measurements: int
    jobs: int

    def __str__(self) -> str:
        return (
            f"{self.runs:,} runs with {self.readings:,} readings, {self.measurements:,} measurements, "
            f"{self.jobs:,} jobs"
        )


def trouble_in_streams(path: Path, thorough: bool) -> list[str]:
    """Say what is wrong with a stream store; nothing where it is whole.

    Parameters
    ----------
    path : Path
        ``streams.db``.
    thorough : bool
        Also read every index and unpack every block, each of which carries a check sum.
    """
    try:
        with closing(open_for_reading(path)) as connection:
            found = _strange(strange_in_streams(connection), path) or _sqlite_trouble(
                connection, path, thorough
            )
            if not found and thorough:
                found = _spoiled_blocks(connection, path)
            return found
    except CaptureError as error:
        return [_read_only_told(path) or f"{error}."]
    except sqlite3.Error as error:
        return [_told(error, path)]


def trouble_in_shop(path: Path, thorough: bool) -> list[str]:
    """Say what is wrong with ``shop.db``; nothing where it is whole."""
    try:
        ShopReader(path.parent).row("SELECT 1")  # refuses what a newer program wrote
        with closing(sqlite3.connect(reading_uri(path), uri=True)) as connection:
            connection.row_factory = sqlite3.Row
            found = _strange(strange_in_shop(connection), path) or _sqlite_trouble(connection, path, thorough)
            return found or _spoiled_rows(connection, path)
    except StoreError as error:
        return [error.message]
    except sqlite3.Error as error:
        return [_told(error, path)]


def _told(error: sqlite3.Error, path: Path) -> str:
    known = store_error(error, path)
    return known.message if known is not None else f"{path.name} cannot be read ({error})."


def _read_only_told(path: Path) -> str:
    return read_only(path).message if lies_read_only(path) else ""


def _strange(names: list[str], path: Path) -> list[str]:
    if not names:
        return []
    return [
        f"{path.name} holds what no Lobewright puts there ({', '.join(names[:TOLD])}); it is not to be used."
    ]


def _spoiled_rows(connection: sqlite3.Connection, path: Path) -> list[str]:
    """Read every row: noise within a text is seen by nobody else."""
    there = {row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    for table, columns in JSON_TEXT.items():
        if table not in there:
            continue  # a copy of an older program's
        for row in connection.execute(f"SELECT rowid, * FROM {table}"):
            for column in columns:
                try:
                    json.loads(row[column] or "null")
                except ValueError:
                    return [f"{path.name} is damaged: row {row[0]} of {table} cannot be read."]
    return []


def contents_of(folder: Path) -> Contents:
    """Count what both databases of a folder hold; a missing one holds nothing."""
    runs = readings = measurements = jobs = 0
    if (folder / STORE_NAME).exists():
        with closing(open_for_reading(folder / STORE_NAME)) as streams:
            runs = _one(streams, "SELECT count(*) FROM runs")
            readings = _one(streams, "SELECT coalesce(sum(lines), 0) FROM blocks")
    if (folder / SHOP_NAME).exists():
        shop = ShopReader(folder)
        measurements = int((shop.row("SELECT count(*) AS n FROM measurements") or {"n": 0})["n"])
        jobs = int((shop.row("SELECT count(*) AS n FROM jobs WHERE deleted_at IS NULL") or {"n": 0})["n"])
    return Contents(runs=runs, readings=readings, measurements=measurements, jobs=jobs)


def _one(connection: sqlite3.Connection, sql: str) -> int:
    return int(connection.execute(sql).fetchone()[0])


def _sqlite_trouble(connection: sqlite3.Connection, path: Path, thorough: bool) -> list[str]:
    pragma = "integrity_check" if thorough else "quick_check"
    told = [str(row[0]) for row in connection.execute(f"PRAGMA {pragma}({TOLD})").fetchall()]
    if told == ["ok"]:
        return []
    words = " / ".join(told).replace("*** in database main ***", "")
    return [f"{path.name} is damaged: {' '.join(words.split()).rstrip('.')}."]


def _spoiled_blocks(connection: sqlite3.Connection, path: Path) -> list[str]:
    """Unpack every block, some at a time: a cursor that stays open would let the log grow."""
    spoiled: list[int] = []
    last = 0
    sql = "SELECT id, kept, data FROM blocks WHERE id > ? ORDER BY id LIMIT ?"
    while rows := connection.execute(sql, (last, BLOCKS_AT_ONCE)).fetchall():
        last = rows[-1][0]
        spoiled += [number for number, kept, data in rows if not _unpacks(data, kept)]
    if not spoiled:
        return []
    first = ", ".join(str(number) for number in spoiled[:TOLD])
    return [f"{path.name}: {len(spoiled)} blocks of readings cannot be unpacked (numbers {first})."]


def _unpacks(data: bytes, kept: int) -> bool:
    """Unpack one block: its check sum is looked at, and it holds as many readings as it says."""
    try:
        return len(zlib.decompress(data)) == BYTES_A_READING * kept
    except (TypeError, zlib.error):
        return False


def with_advice(sentence: str) -> str:
    """Say of trouble what to do, where it does not say so itself."""
    if any(word in sentence for word in ("newer", "read-only", "restore")):
        return sentence
    return f"{sentence} Stop the service and restore the last backup (lobewright restore)."
