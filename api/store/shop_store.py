"""``shop.db``: one writing connection on a thread of its own, readers that can only read.

Two connections that both write and checkpoint can spoil a WAL in older SQLite libraries, so a lock file
lets one service only open the file for writing, and everything else opens it ``mode=ro``.
"""

from __future__ import annotations

import asyncio
import sqlite3
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import closing, contextmanager
from functools import cache
from pathlib import Path
from threading import Lock
from typing import Any, Protocol, TypeVar

from sqlite_utils import Database

from api.base import MisuseError, StoreError
from api.store.half_restored import finish_restore_at_start
from api.store.names import FILE_NAME
from api.store.request_keys import Answered, noting
from api.store.shop_schema import SCHEMA
from api.store.trouble import damaged, store_error
from capture.base import DataFolderBusy, FolderLock, StoreUnusable
from capture.store import keep_copy, reading_uri

T = TypeVar("T")
Row = dict[str, Any]
Values = tuple[Any, ...] | dict[str, Any]
LOCK_NAME = "shop.lock"
BUSY_S = 5.0


class Asking(Protocol):
    """Answers questions about the shop: a reader, or a change from within."""

    def rows(self, sql: str, values: Values = ()) -> list[Row]:
        """Ask, and give every row as a dict."""

    def row(self, sql: str, values: Values = ()) -> Row | None:
        """Ask for one row."""
        found = self.rows(sql, values)
        return found[0] if found else None


class WithinChange(Asking):
    """Asks from within a change, so that nothing can come between the question and the change."""

    def __init__(self, db: Database) -> None:
        self._db = db

    def rows(self, sql: str, values: Values = ()) -> list[Row]:
        """Ask, and give every row as a dict."""
        return [dict(row) for row in self._db.execute(sql, values).fetchall()]


class ShopReader(Asking):
    """The reading half; makes a connection for each question and closes it at once.

    A reader that keeps a cursor open lets the WAL grow without end.
    """

    def __init__(self, data_dir: Path) -> None:
        self.path = data_dir / FILE_NAME

    def rows(self, sql: str, values: Values = ()) -> list[Row]:
        """Ask, and give every row as a dict."""
        with self._open() as connection:
            return [dict(row) for row in connection.execute(sql, values)]

    def answered(self, name: str) -> Answered | None:
        """Give what a request of that name was answered, where it changed something."""
        row = self.row("SELECT * FROM request_keys WHERE name = ?", (name,))
        if row is None:
            return None
        return Answered(row["body_sha256"], row["status"], row["media_type"] or "", row["answer"] or b"")

    @contextmanager
    def _open(self) -> Iterator[sqlite3.Connection]:
        self._file()
        with blaming(self.path), closing(_connected(self.path)) as connection:
            yield connection

    def _file(self) -> tuple[int, int]:
        """Give which file the path names now."""
        try:
            found = self.path.stat()
        except (FileNotFoundError, NotADirectoryError):
            raise StoreError(
                "no_shop_file", f"there is no {self.path}; start the service once, or check --data."
            ) from None
        return found.st_dev, found.st_ino


class ServiceReader(ShopReader):
    """The reading half of a service, which asks many times a second: keeps a connection for the next question.

    No cursor stays open between questions, so the WAL is not held.
    """

    def __init__(self, data_dir: Path) -> None:
        super().__init__(data_dir)
        self._kept: list[tuple[tuple[int, int], sqlite3.Connection]] = []
        self._lock = Lock()
        self._closed = False

    @contextmanager
    def _open(self) -> Iterator[sqlite3.Connection]:
        file = self._file()
        with blaming(self.path):
            connection = self._taken(file) or _connected(self.path)
            try:
                yield connection
            except BaseException:
                connection.close()
                raise
        with self._lock:
            if not self._closed:
                self._kept.append((file, connection))
                return
        connection.close()

    def _taken(self, file: tuple[int, int]) -> sqlite3.Connection | None:
        """Take a connection that was kept, if the file is still the one it was made for."""
        with self._lock:
            if not self._kept:
                return None
            made_for, connection = self._kept.pop()
        if made_for == file:
            return connection
        connection.close()
        return None

    def close(self) -> None:
        """Let go of the file; who still asks makes a connection for that question."""
        with self._lock:
            self._closed = True
            kept, self._kept = self._kept, []
        for _, connection in kept:
            connection.close()


def _connected(path: Path) -> sqlite3.Connection:
    """Connect for reading; one thread at a time may ask, and not always the same."""
    connection = sqlite3.connect(reading_uri(path), uri=True, timeout=BUSY_S, check_same_thread=False)
    try:
        connection.execute("PRAGMA trusted_schema=OFF")
        connection.row_factory = sqlite3.Row
        _refuse_newer(connection, path)
    except BaseException:
        connection.close()
        raise
    return connection


@contextmanager
def blaming(path: Path, *, writing: bool = False) -> Iterator[None]:
    """Turn what SQLite says of a damaged, full or read-only file into a `StoreError`."""
    try:
        yield
    except sqlite3.Error as error:
        told = store_error(error, path, writing=writing)
        if told is None:
            raise
        raise told from None


def make_data_folder(data_dir: Path) -> None:
    """Make a data folder where there is none; raises `MisuseError`."""
    try:
        data_dir.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise MisuseError(
            "bad_data_folder",
            f"the folder {data_dir} cannot be made ({error.strerror}); choose another --data.",
        ) from None


def hold_shop(data_dir: Path) -> FolderLock:
    """Hold the shop of a data folder; raises `StoreError` where another process has it."""
    try:
        return FolderLock(data_dir, LOCK_NAME)
    except DataFolderBusy as error:
        raise StoreError("folder_in_use", f"{error}.") from None


class ShopStore:
    """The writing half: opens, migrates, and writes one change after another.

    Raises
    ------
    MisuseError
        The folder cannot be made.
    StoreError
        Another service holds the file, it is damaged, or a newer program wrote it.
    """

    def __init__(self, data_dir: Path) -> None:
        make_data_folder(data_dir)
        self.read = ServiceReader(data_dir)
        self.importing = Lock()
        """Held while something from elsewhere is taken in: one at a time."""
        self._lock = hold_shop(data_dir)
        try:
            finish_restore_at_start(data_dir)
        except BaseException:
            self._lock.release()
            raise
        self._thread = ThreadPoolExecutor(max_workers=1, thread_name_prefix="shop-writer")
        try:
            self._connection = self._thread.submit(_open_for_writing, self.read.path).result()
        except BaseException:
            self._thread.shutdown()
            self._lock.release()
            raise

    def submit(self, change: Callable[[Database], T]) -> Future[T]:
        """Queue one change; it is committed, and on the disk, before the future is done."""
        return self._thread.submit(_in_one_piece, self._connection, self.read.path, noting(change))

    def write(self, change: Callable[[Database], T]) -> T:
        """Make one change and wait for it."""
        return self.submit(change).result()

    async def change(self, change: Callable[[Database], T]) -> T:
        """Make one change without holding up the event loop."""
        return await asyncio.wrap_future(self.submit(change))

    def close(self) -> None:
        """Finish what is queued, close the file and let another service have it."""
        self.read.close()
        self._thread.submit(self._connection.close).result()
        self._thread.shutdown()
        self._lock.release()


def _open_for_writing(path: Path) -> sqlite3.Connection:
    """Refuse a file of a newer program before anything is written, then bring an older one up."""
    try:
        connection = sqlite3.connect(path, isolation_level=None, timeout=BUSY_S)
    except sqlite3.Error as error:
        raise store_error(error, path, writing=True) or damaged(path, error) from None
    try:
        connection.row_factory = sqlite3.Row
        _refuse_newer(connection, path)
        connection.execute("PRAGMA trusted_schema=OFF")
        connection.execute("PRAGMA journal_mode=WAL")
        connection.execute("PRAGMA synchronous=FULL")
        connection.execute("PRAGMA foreign_keys=ON")
        _migrate(connection)
    except sqlite3.DatabaseError as error:
        connection.close()
        raise store_error(error, path, writing=True) or damaged(path, error) from None
    except BaseException:
        connection.close()
        raise
    return connection


def _migrate(connection: sqlite3.Connection) -> None:
    """Bring the tables up to date; a file that holds anything is copied first."""
    db = Database(connection)
    applied = SCHEMA.applied(db)
    if applied and SCHEMA.pending(db):
        try:
            keep_copy(connection, applied[-1].name.partition("_")[0])
        except StoreUnusable as error:
            raise StoreError("no_room_to_upgrade", f"{error}.") from None
    SCHEMA.apply(db)


def _refuse_newer(connection: sqlite3.Connection, path: Path) -> None:
    """Refuse a file that holds changes this program does not know."""
    table = "SELECT 1 FROM sqlite_master WHERE name = ?"
    if connection.execute(table, (SCHEMA.migrations_table,)).fetchone() is None:
        return
    mine = f"SELECT name FROM {SCHEMA.migrations_table} WHERE migration_set = ?"
    newer = sorted({row[0] for row in connection.execute(mine, (SCHEMA.name,))} - _known_changes())
    if newer:
        raise StoreError(
            "newer_shop_file",
            f"{path} was written by a newer Lobewright (it holds the change {newer[-1]}); "
            "update this program.",
        )


@cache
def _known_changes() -> frozenset[str]:
    """Name every change that this program can make to an empty file."""
    with closing(sqlite3.connect(":memory:")) as empty:
        return frozenset(step.name for step in SCHEMA.pending(Database(empty)))


def _in_one_piece(connection: sqlite3.Connection, path: Path, change: Callable[[Database], T]) -> T:
    with blaming(path, writing=True):
        connection.execute("BEGIN IMMEDIATE")
        try:
            outcome = change(Database(connection))
            connection.execute("COMMIT")
        except BaseException:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            raise
        return outcome
