"""The stream store's schema, by sqlite-utils and its migrations, and how a connection is opened.

Each file has exactly one writing connection, which alone checkpoints; all others are read-only. The
process that writes never opens the file outside SQLite: a plain open and close drops SQLite's locks.
"""

from __future__ import annotations

import os
import sqlite3
import sys
from contextlib import closing
from pathlib import Path

from sqlite_utils import Database
from sqlite_utils.migrations import Migrations

from capture.base import StoreNewer, StoreUnusable

STORE_NAME = "streams.db"
SCHEMA_VERSION = 1
APPLICATION_ID = 0x4C575354  # "LWST"
WAL_LIMIT_BYTES = 4 * 1024 * 1024

migrations = Migrations("streams")


@migrations()
def m001_first_tables(db: Database) -> None:
    """Runs, channels, segments, blocks of readings, gaps, events."""
    _create_runs(db)
    _create_readings(db)
    _create_gaps_and_events(db)


def _create_runs(db: Database) -> None:
    db.table("runs").create(
        {
            "id": int,
            "started_mono_ns": int,
            "started_wall_ns": int,
            "boot_id": str,
            "pid": int,
            "bench": str,
            "ended_mono_ns": int,
            "ended_wall_ns": int,
            "ending": str,
        },
        pk="id",
    )
    db.table("anchors").create({"id": int, "run_id": int, "mono_ns": int, "wall_ns": int}, pk="id")
    db.table("channels").create(
        {
            "id": int,
            "run_id": int,
            "name": str,
            "quantity": str,
            "unit": str,
            "sign": int,
            "counts_per_turn": int,
            "device": str,
        },
        pk="id",
    )


def _create_readings(db: Database) -> None:
    """Segments and blocks; a block is looked for by its first number or by its end."""
    db.table("segments").create(
        {
            "channel_id": int,
            "number": int,
            "reason": str,
            "shift": int,
            "decimals": int,
            "first": int,
            "start_ns": int,
        },
        pk=("channel_id", "number"),
    )
    db.table("blocks").create(
        {
            "id": int,
            "channel_id": int,
            "segment": int,
            "first": int,
            "kept": int,
            "lines": int,
            "start_ns": int,
            "end_ns": int,
            "tail_ns": int,
            "tail_lines": int,
            "data": bytes,
        },
        pk="id",
    )
    db.table("blocks").create_index(["channel_id", "first"], unique=True)
    db.table("blocks").create_index(["channel_id", "end_ns"])


def _create_gaps_and_events(db: Database) -> None:
    db.table("gaps").create(
        {
            "id": int,
            "run_id": int,
            "channel": str,
            "reason": str,
            "start_ns": int,
            "end_ns": int,
            "lines": int,
        },
        pk="id",
    )
    db.table("gaps").create_index(["run_id", "channel"])
    db.table("events").create(
        {"id": int, "run_id": int, "t_ns": int, "channel": str, "code": str, "sentence": str}, pk="id"
    )
    db.table("events").create_index(["run_id", "t_ns"])


def open_for_writing(path: Path) -> sqlite3.Connection:
    """Open the store as its one writing connection, bringing its schema up to date.

    Raises
    ------
    StoreNewer, StoreUnusable
    """
    if "pysqlite3" in sys.modules:
        raise StoreUnusable(
            "a second SQLite library (pysqlite3) is installed beside Python's own, and two in one process "
            "can damage a database; uninstall pysqlite3"
        )
    try:
        connection = sqlite3.connect(path, timeout=5.0, isolation_level=None, check_same_thread=False)
        try:
            _refuse_what_is_not_ours(connection, path)
            _prepare(connection)
            migrate(connection)
        except BaseException:
            connection.close()
            raise
    except sqlite3.DatabaseError as error:
        raise StoreUnusable(f"{path}: cannot be used as a stream store: {error}") from error
    return connection


def open_for_reading(path: Path) -> sqlite3.Connection:
    """Open the store read-only; raises `StoreNewer` or `StoreUnusable`."""
    if not path.exists():
        raise StoreUnusable(f"{path}: there is no stream store here; start capture with this data folder")
    try:
        connection = sqlite3.connect(reading_uri(path), uri=True, timeout=5.0, check_same_thread=False)
        try:
            _refuse_what_is_not_ours(connection, path)
        except BaseException:
            connection.close()
            raise
    except sqlite3.DatabaseError as error:
        raise StoreUnusable(f"{path}: cannot be read as a stream store: {error}") from error
    return connection


def reading_uri(path: Path) -> str:
    """Give what to open a database with that is only read.

    On a read-only medium SQLite cannot make the files that go with a log; where there is no log, none is needed.
    """
    log = path.with_name(f"{path.name}-wal")
    at_rest = lies_read_only(path) and not (log.exists() and log.stat().st_size)
    return f"{path.absolute().as_uri()}?mode=ro{'&immutable=1' if at_rest else ''}"


def lies_read_only(path: Path) -> bool:
    """Tell whether a file lies on a medium that can only be read at the moment."""
    if sys.platform == "win32":  # which does not tell it of a folder
        return False
    try:
        return bool(os.statvfs(path.parent).f_flag & os.ST_RDONLY)
    except OSError:
        return False


def stream_migrations() -> Migrations:
    """Give the changes that make a stream store."""
    return migrations


def migrate(connection: sqlite3.Connection) -> None:
    """Apply all pending migrations in one transaction: all of them hold, or none."""
    db = Database(connection, execute_plugins=False)
    version = _pragma(connection, "user_version")
    if version == SCHEMA_VERSION:
        return
    if version:
        keep_copy(connection, f"v{version}")
    connection.execute("BEGIN IMMEDIATE")
    try:
        migrations.apply(db)
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        connection.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise


def keep_copy(connection: sqlite3.Connection, mark: str) -> Path:
    """Copy the open database beside itself before it is changed for good; gives the copy.

    Parameters
    ----------
    connection : sqlite3.Connection
        To a file, not inside a transaction.
    mark : str
        Says in the copy's name which state of the file it is.

    Raises
    ------
    StoreUnusable
        The copy could not be made; nothing may be changed then.
    """
    path = Path(connection.execute("PRAGMA database_list").fetchone()[2])
    copy = path.with_name(f"{path.stem}-before-upgrade-{mark}{path.suffix}")
    part = copy.with_suffix(".part")
    try:
        part.unlink(missing_ok=True)
        with closing(sqlite3.connect(part)) as target:
            connection.backup(target, pages=-1)
            target.execute("PRAGMA journal_mode = DELETE")
        part.replace(copy)
    except (sqlite3.Error, OSError) as error:
        raise StoreUnusable(
            f"{path} has to be upgraded, but no copy of it could be kept first ({error}); "
            "make room on the disk and start again"
        ) from error
    return copy


def _prepare(connection: sqlite3.Connection) -> None:
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("PRAGMA synchronous = FULL")
    connection.execute(f"PRAGMA journal_size_limit = {WAL_LIMIT_BYTES}")


def _refuse_what_is_not_ours(connection: sqlite3.Connection, path: Path) -> None:
    version = _pragma(connection, "user_version")
    if version > SCHEMA_VERSION:
        raise StoreNewer(
            f"{path} was written by a newer version of Lobewright (schema {version}, this one knows "
            f"{SCHEMA_VERSION}); update the program, or choose another --data folder"
        )
    if version and _pragma(connection, "application_id") != APPLICATION_ID:
        raise StoreUnusable(f"{path} is a database of another program; choose another --data folder")


def _pragma(connection: sqlite3.Connection, name: str) -> int:
    return int(connection.execute(f"PRAGMA {name}").fetchone()[0])
