"""All benches of an archive: a copy of each kept up to date, its service to look at, and what it says of itself now."""

from __future__ import annotations

import asyncio
import logging
import sqlite3
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fastapi import FastAPI
from pydantic import BaseModel, ValidationError

from api.base import MisuseError, ServiceConfig, ServiceError, StoreError
from api.forwarding import NAME, BenchCopy, LiveWord, first_line, open_for_reading
from api.records import StoredInterval, StoredStreams
from api.service import Service
from api.shop.index import ShopIndex
from api.store import hold_shop
from api.web import create_copy_app

if TYPE_CHECKING:
    from psycopg import Connection

log = logging.getLogger("lobewright.shop")
EVERY_S = 1.0
LONGEST_WAIT_S = 15.0
ENDING_S = 5.0
STALE_S = 5.0
UNREADABLE = "The archive has something from the bench {bench} that this program cannot read: update the one that is older."
AT_MOST_S = 1.0
"""So long one bench is copied from before the others are looked at again."""


class BenchLine(BaseModel):
    """One bench of the shop as it is now.

    Attributes
    ----------
    word, heard_s
        What it said of itself last, and how many seconds ago; `None` where it never did.
    stale
        It has not been heard for so long that nothing of it may be taken for now.
    copied, waiting
        Documents that are here, and those that are still to be copied.
    trouble
        Why its copy goes no further, where it does not.
    """

    name: str
    word: LiveWord | None = None
    heard_s: float | None = None
    stale: bool = True
    copied: int = 0
    waiting: int = 0
    trouble: str = ""


class FetchedStreams(StoredStreams):
    """Readings of a copy, fetched from the archive when they are first asked for."""

    def __init__(self, copy: BenchCopy, fetching: Fetching) -> None:
        super().__init__(copy.folder)
        self._copy, self._fetching = copy, fetching
        self._here: set[tuple[int, str, int, int]] = set()

    def of_run(self, run_id: int, gauge: str, start_ns: int, end_ns: int | None) -> StoredInterval:
        """Read crank and gauge of an interval; raises `ServiceError`."""
        span = (start_ns, 2**63 - 1 if end_ns is None else end_ns)
        if (run_id, gauge, *span) not in self._here:
            with self._fetching.connected() as connection:
                self._copy.fetch(connection, run_id, gauge, span)
            self._here.add((run_id, gauge, *span))
        return super().of_run(run_id, gauge, start_ns, end_ns)


class Fetching:
    """A connection of its own for what pages ask for, one at a time."""

    def __init__(self, url: str) -> None:
        self._url = url
        self._lock = threading.Lock()
        self._connection: Connection[tuple[Any, ...]] | None = None

    @contextmanager
    def connected(self) -> Iterator[Connection[tuple[Any, ...]]]:
        """Give the connection, as the archive is at this moment; raises `StoreError`."""
        import psycopg

        with self._lock:
            try:
                if self._connection is None or self._connection.closed:
                    self._connection = open_for_reading(self._url)
                yield self._connection
                self._connection.rollback()
            except psycopg.Error as error:
                self.close()
                raise StoreError(
                    "archive_unreachable", f"The archive broke off: {first_line(error)}."
                ) from None
            except BaseException:
                self.close()
                raise

    def close(self) -> None:
        """Let go of the archive."""
        if self._connection is not None:
            self._connection.close()
            self._connection = None


@dataclass(frozen=True, slots=True)
class Shown:
    """A bench that is shown: its copy, and its pages."""

    copy: BenchCopy
    service: Service
    app: FastAPI


class Benches:
    """Follows one archive; `open` looks at it once, so that what is wrong with it is told before a port is opened."""

    def __init__(self, url: str, data_dir: Path) -> None:
        self._url, self._data_dir = url, data_dir
        self._held = hold_shop(data_dir)
        self.index = ShopIndex(data_dir)
        self._fetching = Fetching(url)
        self._shown: dict[str, Shown] = {}
        self._lines: list[BenchLine] = []
        self._connection: Connection[tuple[Any, ...]] | None = None
        self._looked_at: Connection[tuple[Any, ...]] | None = None
        """The connection over which the copies were last held against the archive: once for each."""
        self._archive = ""
        self._heard_at_s = 0.0
        self.trouble = ""
        """Why the archive is not followed at the moment, in a sentence; empty where it is."""
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run, name="shop", daemon=True)
        self._changed: Callable[[str, frozenset[int]], None] = lambda _bench, _jobs: None

    @classmethod
    def open(cls, url: str, data_dir: Path) -> Benches:
        """Look whether the archive can be read; raises `ServiceError`."""
        open_for_all(url)[0].close()
        return cls(url, data_dir)

    def start(self) -> None:
        """Begin to follow; called from the event loop."""
        loop = asyncio.get_running_loop()
        self._changed = lambda bench, jobs: _in_loop(loop, self._forget, bench, jobs)
        self._thread.start()

    def stop(self) -> None:
        """End, and let go of every file."""
        self._ending.set()
        if self._thread.is_alive():
            self._thread.join(ENDING_S)
        self._let_go()
        self._fetching.close()
        for one in self._shown.values():
            one.service.imports.close()
            one.copy.close()
        self.index.close()
        self._held.release()

    # -- asked by pages

    def app(self, bench: str) -> FastAPI | None:
        """Give the pages of a bench."""
        shown = self._shown.get(bench)
        return shown.app if shown else None

    def service(self, bench: str) -> Service | None:
        """Give the service of a bench's copy."""
        shown = self._shown.get(bench)
        return shown.service if shown else None

    def names(self) -> list[str]:
        """Name the benches that are shown."""
        return sorted(self._shown)

    def lines(self) -> list[BenchLine]:
        """Give every bench as it is now: what was heard of it grows old here, too."""
        since_s = time.monotonic() - self._heard_at_s
        return [_aged(line, since_s) for line in self._lines]

    # -- the thread

    def step(self) -> None:
        """Take one round: every bench as far as its documents have arrived; raises `ServiceError`."""
        connection = self._connected()
        benches = connection.execute(
            "SELECT b.name, l.told, extract(epoch FROM clock_timestamp() - l.at)::float8 FROM lobewright.benches b"
            " LEFT JOIN lobewright.live l ON l.bench = b.name ORDER BY b.name"
        ).fetchall()
        heard_at_s = time.monotonic()
        connection.rollback()
        lines = []
        for name, told, heard_s in benches:
            if not NAME.fullmatch(name):  # it is to be a folder's name; `prepare` lets in no other
                continue
            shown = self._fitting(name, connection) or self._show(name, connection)
            lines.append(_line(name, told, heard_s, shown))
        self._looked_at = connection
        self._lines, self._heard_at_s = lines, heard_at_s
        for line in lines:
            self._follow(self._shown[line.name], connection, line)

    def _connected(self) -> Connection[tuple[Any, ...]]:
        if self._connection is None or self._connection.closed:
            connection, archive = open_for_all(self._url)
            if self._archive not in {"", archive}:
                connection.close()
                raise StoreError(
                    "other_archive", "There is another archive at that address now; start the shop again."
                )
            self._connection, self._archive = connection, archive
        return self._connection

    def _fitting(self, bench: str, connection: Connection[tuple[Any, ...]]) -> Shown | None:
        """Give a bench that is shown, unless the archive came back with less than had been copied of it."""
        shown = self._shown.get(bench)
        if shown is None or self._looked_at is connection or shown.copy.fits(connection):
            return shown
        del self._shown[bench]
        shown.service.imports.close()
        shown.copy.close()
        return None

    def _show(self, bench: str, connection: Connection[tuple[Any, ...]]) -> Shown:
        """Bring up a bench's copy and its pages; a copy that fits the archive no more is made anew."""
        copy = BenchCopy(self._data_dir, self._archive, bench)
        if not copy.fits(connection):
            copy.close()
            copy = copy.anew()
        connection.rollback()
        if self.index.upto(bench) != copy.note.arrived:
            self.index.forget(bench)
            if copy.note.arrived:
                self.index.read(bench, copy.shop.read, None, copy.note.arrived)
        config = ServiceConfig(data_dir=copy.folder, copy_of=bench)
        service = Service(config, shop=copy.shop, stored=FetchedStreams(copy, self._fetching))
        shown = self._shown[bench] = Shown(copy, service, create_copy_app(service))
        return shown

    def _follow(self, shown: Shown, connection: Connection[tuple[Any, ...]], line: BenchLine) -> None:
        """Take in what has arrived of one bench, for a while; its trouble is its own line's."""
        copy, until_s = shown.copy, time.monotonic() + AT_MOST_S
        try:
            while not self._ending.is_set():
                came = copy.step(connection)
                connection.rollback()
                line.copied = copy.note.documents
                if not came.documents:
                    return
                self.index.read(copy.bench, copy.shop.read, came.jobs, copy.note.arrived)
                self._changed(copy.bench, came.jobs)
                if not came.more or time.monotonic() > until_s:
                    line.waiting = copy.waiting(connection) if came.more else 0
                    return
        except ServiceError as error:
            connection.rollback()
            line.trouble = error.message
        except (ValueError, TypeError, AttributeError, KeyError, sqlite3.Error):  # the other benches go on
            connection.rollback()
            line.trouble = UNREADABLE.format(bench=copy.bench)

    def _forget(self, bench: str, jobs: frozenset[int]) -> None:
        for number in jobs:
            self._shown[bench].service.job_service.jobs.forget(number)

    def _run(self) -> None:
        wait_s = 0.0
        while not self._ending.wait(wait_s):
            try:
                self.step()
                behind = any(line.waiting for line in self._lines)
                self.trouble, wait_s = "", 0.0 if behind else EVERY_S
            except Exception as error:  # noqa: BLE001, whatever it is, the pages show what is here and it is tried again
                wait_s = min(max(wait_s, EVERY_S) * 2, LONGEST_WAIT_S)
                self._hear_of(error)

    def _let_go(self) -> None:
        if self._connection is not None:
            self._connection.close()
            self._connection = None

    def _hear_of(self, error: Exception) -> None:
        from psycopg import Error

        self._let_go()
        known = isinstance(error, (ServiceError, Error))
        told = (
            error.message
            if isinstance(error, ServiceError)
            else f"The archive broke off: {first_line(error)}."
        )
        if told != self.trouble:
            log.warning("%s", told, exc_info=None if known else error)
        self.trouble = told


def open_for_all(url: str) -> tuple[Connection[tuple[Any, ...]], str]:
    """Open an archive for who may read all of it, and give its identity with it.

    Raises
    ------
    MisuseError
        This role may not read every bench.
    StoreError
        Nobody answers there, that is no archive, or one of another version.
    """
    connection = open_for_reading(url)  # which says so where there is no psycopg
    from psycopg.errors import InsufficientPrivilege

    try:
        connection.execute("SELECT 1 FROM lobewright.documents, lobewright.blocks, lobewright.live LIMIT 0")
        row = connection.execute("SELECT identity::text FROM lobewright.archive").fetchone()
        connection.rollback()
    except InsufficientPrivilege:
        user = connection.info.user
        connection.close()
        raise MisuseError(
            "wrong_role",
            f"The role {user} may not read all benches of this archive; a shop signs in as lobewright_reader.",
        ) from None
    except BaseException:
        connection.close()
        raise
    return connection, str(row[0]) if row else ""


def _line(name: str, told: object, heard_s: float | None, shown: Shown) -> BenchLine:
    try:
        word = None if told is None else LiveWord.model_validate(told)
    except ValidationError:
        word = None
    return BenchLine(name=name, word=word, heard_s=heard_s, copied=shown.copy.note.documents)


def _aged(line: BenchLine, since_s: float) -> BenchLine:
    if line.heard_s is None:
        return line
    heard_s = round(max(0.0, line.heard_s + since_s), 1)
    return line.model_copy(update={"heard_s": heard_s, "stale": line.word is None or heard_s > STALE_S})


def _in_loop(
    loop: asyncio.AbstractEventLoop,
    work: Callable[[str, frozenset[int]], None],
    bench: str,
    jobs: frozenset[int],
) -> None:
    if not loop.is_closed():
        loop.call_soon_threadsafe(work, bench, jobs)
