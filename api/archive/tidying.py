"""Retention: old readings go, by age or by size, and never one that belongs to a signed job.

Everything a signed job's measurements stand on is kept for good. Of the rest, first what lies between
measurements goes, and the traces of measurements that no signed job holds only where that was asked for; what
was measured, its number and its sentence always stay. Whole blocks are removed, the oldest first, and what was
removed is listed among the gaps of its run.
"""

from __future__ import annotations

import shutil
import sqlite3
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from api.archive.backup import folder_at_rest
from api.archive.intake import look_for_left, remove_left
from api.base import MisuseError, StoreError
from api.measure import DRAWINGS_FOLDER
from api.store import FILE_NAME as SHOP_NAME
from api.store import IMPORTED_FOLDER, Row, ShopReader
from capture.base import CaptureError
from capture.store import STORE_NAME, open_for_writing

FOREVER_NS = 2**63 - 1
BLOCKS_A_CHANGE = 5000
ROW_BYTES = 80  # of a block besides its data: the other columns and both indexes


@dataclass(frozen=True, slots=True)
class TidyRules:
    """What may go.

    Attributes
    ----------
    before_wall_ns
        Only what was read before this moment.
    down_to_bytes
        Stop once what is left takes no more than this; 0 takes all that may go.
    unsigned_measurements
        Whether traces of measurements that no signed job holds may go too.
    """

    before_wall_ns: int
    down_to_bytes: int = 0
    unsigned_measurements: bool = False


@dataclass(frozen=True, slots=True)
class Tidied:
    """What went, or would go: blocks, the readings in them, bytes; imported trace files; bytes left."""

    blocks: int
    readings: int
    freed_bytes: int
    files: tuple[str, ...]
    left_bytes: int


def tidy(data_dir: Path, rules: TidyRules, dry_run: bool) -> Tidied:
    """Remove, or only count, what the rules let go; the folder must not be in use.

    Raises
    ------
    StoreError
        The folder is in use, or a store cannot be used.
    MisuseError
        There is no shop: nobody could say which readings belong to a signed job.
    """
    if not (data_dir / SHOP_NAME).exists():
        raise MisuseError("no_shop_file", f"there is no shop in {data_dir}; give its folder with --data.")
    if not (data_dir / STORE_NAME).exists():
        raise MisuseError(
            "no_readings", f"{data_dir} keeps no readings of instruments, so there is nothing to tidy."
        )
    with folder_at_rest(data_dir):
        kept = _kept_measurements(data_dir, rules.unsigned_measurements)
        try:
            with closing(open_for_writing(data_dir / STORE_NAME)) as connection:
                _note_needed(connection, kept)
                left = _note_going(connection, rules)
                blocks, readings, freed = connection.execute(_GOING).fetchone()
                if blocks and not dry_run:
                    _remove(connection)
        except (CaptureError, sqlite3.Error) as error:
            raise StoreError("bad_store", f"{error}.") from None
        left_behind = look_for_left(data_dir, ShopReader(data_dir))
        files = _files(data_dir, kept, rules) if rules.unsigned_measurements else []
        freed += sum(path.stat().st_size for path in files)
        if not dry_run:
            for path in files:
                path.unlink(missing_ok=True)
            remove_left(left_behind)
            shutil.rmtree(data_dir / DRAWINGS_FOLDER, ignore_errors=True)
    return Tidied(blocks, readings, freed, tuple(path.name for path in files), left)


_GOING = "SELECT count(*), coalesce(sum(lines), 0), coalesce(sum(bytes), 0) FROM temp.going"


def _kept_measurements(data_dir: Path, unsigned_may_go: bool) -> list[Row]:
    """Give the measurements whose traces stay: of signed jobs, running ones, and the others unless told."""
    where = (
        "state = 'running' OR job_id IN (SELECT id FROM jobs WHERE coalesce(signed_at, '') != '')"
        " OR id IN (SELECT measurement_id FROM job_adoptions WHERE job_id IN"
        " (SELECT id FROM jobs WHERE coalesce(signed_at, '') != ''))"
        if unsigned_may_go
        else "state != 'discarded'"
    )
    shop = ShopReader(data_dir)
    kept = shop.rows(
        f"SELECT id, run_id, gauge, start_ns, end_ns, imported_file FROM measurements WHERE {where}"
    )
    if shop.row("SELECT 1 FROM sqlite_master WHERE name = 'parts'") is None:
        return kept  # an older program's, and not opened by this one yet
    return kept + _kept_parts(shop, unsigned_may_go)


def _kept_parts(shop: ShopReader, unsigned_may_go: bool) -> list[Row]:
    """Give the results of parts whose readings stay; what is on the sheet of a signed job stays whatever else."""
    signed = "fact IS NOT NULL AND job_id IN (SELECT id FROM jobs WHERE coalesce(signed_at, '') != '')"
    where = signed if unsigned_may_go else "coalesce(thrown_at, '') = ''"
    return shop.rows(
        "SELECT id, run_id, gauge, start_ns, end_ns, NULL AS imported_file FROM parts"
        f" WHERE run_id IS NOT NULL AND ({where})"
    )


def _note_needed(connection: sqlite3.Connection, kept: list[Row]) -> None:
    """List the blocks that the kept measurements stand on.

    All channels of the run count, and on either side the neighbouring block too: of a stand that began before
    the interval, or ended after it, the readings lie there.
    """
    connection.execute("CREATE TEMP TABLE needed (id INTEGER PRIMARY KEY)")
    connection.executemany(
        "INSERT OR IGNORE INTO temp.needed SELECT b.id FROM channels c JOIN blocks b ON b.channel_id = c.id"
        " WHERE c.run_id = :run_id AND b.first >= coalesce((SELECT max(first) FROM blocks"
        "  WHERE channel_id = c.id AND start_ns < :start_ns), 0)"
        " AND b.first <= coalesce((SELECT min(first) FROM blocks"
        "  WHERE channel_id = c.id AND end_ns > :until_ns), 9223372036854775807)",
        (
            {**one, "until_ns": FOREVER_NS if one["end_ns"] is None else one["end_ns"]}
            for one in kept
            if one["run_id"] is not None
        ),
    )


def _note_going(connection: sqlite3.Connection, rules: TidyRules) -> int:
    """List the blocks that go, the oldest first; gives the bytes that are left."""
    page_bytes = _pragma(connection, "page_size")
    taken = (_pragma(connection, "page_count") - _pragma(connection, "freelist_count")) * page_bytes
    connection.execute(
        "CREATE TEMP TABLE going AS SELECT * FROM (SELECT b.id, b.lines, length(b.data) + :row_bytes AS bytes,"
        " sum(length(b.data) + :row_bytes) OVER (ORDER BY"
        "  r.started_wall_ns + b.end_ns - r.started_mono_ns, b.id ROWS UNBOUNDED PRECEDING) AS freed"
        " FROM blocks b JOIN channels c ON c.id = b.channel_id JOIN runs r ON r.id = c.run_id"
        " WHERE r.started_wall_ns + b.end_ns - r.started_mono_ns < :before AND r.ending IS NOT NULL"
        " AND b.id NOT IN (SELECT id FROM temp.needed)) WHERE :taken - freed + bytes > :down_to",
        {
            "row_bytes": ROW_BYTES,
            "before": rules.before_wall_ns,
            "taken": taken,
            "down_to": rules.down_to_bytes,
        },
    )
    return int(taken - connection.execute(_GOING).fetchone()[2])


def _remove(connection: sqlite3.Connection) -> None:
    """Remove blocks and list them as gaps, some thousand in one piece; then give the room back."""
    last = int(connection.execute("SELECT max(rowid) FROM temp.going").fetchone()[0])
    for start in range(0, last, BLOCKS_A_CHANGE):
        part = (start, start + BLOCKS_A_CHANGE)
        connection.execute("BEGIN IMMEDIATE")
        try:
            connection.execute(_LIST_GAPS, part)
            connection.execute(
                "DELETE FROM blocks WHERE id IN (SELECT id FROM temp.going WHERE rowid > ? AND rowid <= ?)",
                part,
            )
            connection.execute("COMMIT")
        except BaseException:
            connection.execute("ROLLBACK")
            raise
    connection.execute("VACUUM")
    connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")


_LIST_GAPS = """
    INSERT INTO gaps (run_id, channel, reason, start_ns, end_ns, lines)
    SELECT run_id, name, 'tidied', min(start_ns), max(end_ns), sum(lines) FROM (
        SELECT c.run_id, c.name, b.channel_id, b.start_ns, b.end_ns, b.lines,
            b.first + b.lines - sum(b.lines) OVER (PARTITION BY b.channel_id ORDER BY b.first) AS stretch
        FROM temp.going g JOIN blocks b ON b.id = g.id JOIN channels c ON c.id = b.channel_id
        WHERE g.rowid > ? AND g.rowid <= ?
    ) GROUP BY channel_id, stretch
"""
"""Neighbouring blocks make one gap: along a stretch without holes, numbers and counted lines grow alike."""


def _files(data_dir: Path, kept: list[Row], rules: TidyRules) -> list[Path]:
    """Give imported trace files that are old enough and that no kept measurement stands on."""
    needed = {one["imported_file"] for one in kept}
    folder = data_dir / IMPORTED_FOLDER
    there = sorted(folder.iterdir()) if folder.is_dir() else []
    return [
        path
        for path in there
        if path.is_file() and path.name not in needed and path.stat().st_mtime_ns < rules.before_wall_ns
    ]


def _pragma(connection: sqlite3.Connection, name: str) -> int:
    return int(connection.execute(f"PRAGMA {name}").fetchone()[0])
