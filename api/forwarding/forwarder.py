"""Store and forward: a thread that carries what was kept to the archive, whenever that can be reached.

What waits is what lies in the two databases, and on the disk beside them only how far it has got (`ARCHIVE_FILE`). A
step is noted there after the archive has committed it: cut short between the two, it is sent again, and the archive
takes nothing twice. Nothing of this is on the way of a measurement.
"""

from __future__ import annotations

import logging
import os
import sqlite3
import time
import uuid
from collections.abc import Callable
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pydantic import BaseModel, ConfigDict, ValidationError

from api.base import ServiceError, StoreError
from api.forwarding.adding import add_blocks, add_documents, add_sign_off, has_less
from api.forwarding.blocks import CopiedBlocks
from api.forwarding.connecting import BenchName, first_line, open_as
from api.forwarding.errand import Errand
from api.forwarding.kept import KeptHere
from api.forwarding.sharing import Sharer
from api.forwarding.telling import Teller
from api.store import ARCHIVE_FILE, ShopStore
from capture.base import BenchFileError, CaptureError
from capture.bench import load_bench

if TYPE_CHECKING:
    from psycopg import Connection

log = logging.getLogger(__name__)
EVERY_S = 0.5
LONGEST_WAIT_S = 60.0
DOCUMENTS_AT_ONCE = 500
BLOCKS_AT_ONCE = 5000


class Progress(BaseModel):
    """How far the archive has what is here.

    Attributes
    ----------
    identity
        As what the archive knows this folder.
    documents, signed
        Last change of the shop that was dealt with, and the last that was a sign-off.
    arrived
        Highest version of a row that was sent.
    runs_done
        The last run of which, and of all before it, everything was sent.
    runs
        Version of each later run's document that was sent.
    channels
        First reading of the last block that was sent, by channel of those runs.
    """

    model_config = ConfigDict(extra="forbid")
    identity: str
    documents: int = 0
    arrived: int = 0
    signed: int = 0
    runs_done: int = 0
    runs: dict[int, int] = {}
    channels: dict[int, int] = {}


class ArchiveStanding(BaseModel):
    """How far behind the archive is."""

    bench: str
    state: str
    changes_waiting: int
    blocks_waiting: int
    behind_s: float
    sentence: str


NO_ARCHIVE = ArchiveStanding(
    bench="", state="none", changes_waiting=0, blocks_waiting=0, behind_s=0.0, sentence=""
)


def read_progress(data_dir: Path) -> Progress:
    """Give how far it has got, from the beginning where nothing is noted; raises `StoreError`."""
    path = data_dir / ARCHIVE_FILE
    try:
        return Progress.model_validate_json(path.read_bytes())
    except FileNotFoundError:
        progress = Progress(identity=str(uuid.uuid4()))
        write_progress(data_dir, progress)
        return progress
    except (OSError, ValidationError):
        raise StoreError(
            "bad_archive_file", f"{path} cannot be read; nothing goes to the archive until it is mended."
        ) from None


def write_progress(data_dir: Path, progress: Progress) -> None:
    """Note how far it has got, whole or not at all."""
    path = data_dir / ARCHIVE_FILE
    part = path.with_name(f"{path.name}.part")
    with part.open("w", encoding="utf-8") as file:
        file.write(progress.model_dump_json())
        file.flush()
        os.fsync(file.fileno())
    part.replace(path)  # should the folder's entry be lost, the older note only has some sent again


def forwarder_of(data_dir: Path, bench_file: Path | None) -> Forwarder | None:
    """Give what carries to the archive that a bench file names, if it names one."""
    if bench_file is None:
        return None
    try:
        archive = load_bench(bench_file).archive
    except BenchFileError:  # which capture tells
        return None
    return None if archive is None else Forwarder(data_dir, archive.url, archive.name)


class Forwarder(Errand):
    """Carries one data folder to one archive; `start` begins a thread, `step` does one round in this one."""

    def __init__(
        self, data_dir: Path, url: str, name: str, *, clock_s: Callable[[], float] = time.monotonic
    ) -> None:
        super().__init__(url, name)
        self._data_dir, self._clock_s = data_dir, clock_s
        self._here = KeptHere(data_dir)
        self._progress: Progress | None = None
        self._sent_upto = -1
        """The last change at which nothing was left to send of the shop: while there is no other, it is not looked at."""
        self._whole_at_s = clock_s()
        self._trouble = ""
        self._standing = NO_ARCHIVE.model_copy(update={"bench": name, "state": "starting"})

    def teller(self) -> Teller:
        """Give what tells the same archive what the bench says of itself now."""
        return Teller(lambda: self._progress.identity if self._progress else "", self.url, self.name)

    def sharer(self, shop: ShopStore) -> Sharer:
        """Give what fetches from the same archive what other benches share."""
        return Sharer(shop, lambda: self._progress.identity if self._progress else "", self.url, self.name)

    def standing(self) -> ArchiveStanding:
        """Give how far behind it is."""
        return self._standing

    def step(self) -> bool:
        """Send what waits, up to a fair piece; tells whether more may be waiting.

        Raises
        ------
        ServiceError
            Nothing was sent beyond what is noted.
        """
        progress = self._noted()
        connection = self._connected(progress)
        bench = BenchName(self.name, progress.identity)
        upto = self._here.last_change()  # a sign-off noted from here on waits: none arrives without its seal
        if upto != self._sent_upto and (
            self._send_signed(connection, bench, progress)
            or self._send_documents(connection, bench, progress, upto)
        ):
            return True
        self._sent_upto = upto
        return self._send_streams(connection, bench, progress)

    # -- the thread

    def _run(self) -> None:
        wait_s = EVERY_S
        while not self._ending.wait(0.0):
            try:
                more = self.step()
                self._trouble, wait_s = "", EVERY_S
                if not more:
                    self._whole_at_s = self._clock_s()
            except Exception as error:  # noqa: BLE001, whatever it is, the bench measures on and it is tried again
                more, wait_s = False, min(wait_s * 2, LONGEST_WAIT_S)
                self._hear_of(error)
            self._look()
            if not more:
                self._ending.wait(wait_s)
        self.close()

    def _hear_of(self, error: Exception) -> None:
        self.close()
        known = isinstance(error, ServiceError)
        told = str(error) if known else f"The archive broke off: {first_line(error)}."
        level = logging.DEBUG if told == self._trouble else logging.WARNING
        log.log(level, "%s", told, exc_info=None if known or _is_usual(error) else error)
        self._trouble = told

    def _look(self) -> None:
        """See how much waits, whether or not the archive can be reached."""
        progress = self._progress
        if progress is None:
            changes = blocks = 0
        else:
            try:
                changes = self._here.waiting(progress.documents)
                blocks = self._here.blocks_waiting(progress.channels)
            except (ServiceError, CaptureError, sqlite3.Error):
                return
        behind_s = self._clock_s() - self._whole_at_s if self._trouble or changes or blocks else 0.0
        self._standing = ArchiveStanding(
            bench=self.name,
            state="waiting" if self._trouble else "sending" if changes or blocks else "up to date",
            changes_waiting=changes,
            blocks_waiting=blocks,
            behind_s=round(behind_s, 1),
            sentence=_sentence(self._trouble, changes, blocks),
        )

    # -- one round

    def _noted(self) -> Progress:
        if self._progress is None:
            progress = read_progress(self._data_dir)
            if self._here.last_change() < progress.documents:
                raise StoreError(
                    "older_shop",
                    "This shop is older than what the archive has of it: it was put back from a copy. Fetch it from "
                    "the archive instead: lobewright restore --archive.",
                )
            self._progress = progress
        return self._progress

    def _connected(self, progress: Progress) -> Connection[tuple[Any, ...]]:
        if self._connection is None or self._connection.closed:
            bench = BenchName(self.name, progress.identity)
            self._connection = open_as(bench, self.url)
            if has_less(self._connection, bench, progress.arrived, progress.channels):
                log.warning(
                    "The archive has less than had arrived there; it gets all again that is kept here."
                )
                progress.documents = progress.arrived = progress.signed = progress.runs_done = 0
                progress.runs, progress.channels, self._sent_upto = {}, {}, -1
        return self._connection

    def _send_signed(
        self, connection: Connection[tuple[Any, ...]], bench: BenchName, progress: Progress
    ) -> bool:
        """Send the next signed job before all else, with all that it stands on, in one piece."""
        signed = self._here.signed_off(progress.signed)
        if signed is None:
            return False
        documents, blocks = self._here.of_job(signed)
        with connection.transaction():
            add_documents(connection, bench, documents)
            add_blocks(connection, bench, CopiedBlocks(bench.name, blocks))
            add_sign_off(connection, bench, signed, documents, blocks)
        progress.signed = signed.change
        write_progress(self._data_dir, progress)
        return True

    def _send_documents(
        self, connection: Connection[tuple[Any, ...]], bench: BenchName, progress: Progress, upto: int
    ) -> bool:
        """Send what has changed, with the blocks it may stand on."""
        documents, last = self._here.changed(progress.documents, upto, DOCUMENTS_AT_ONCE)
        if last == progress.documents:
            return False
        measured = any(one.kind == "measurements" for one in documents)
        with connection.transaction():
            add_documents(connection, bench, documents)
            if measured:  # what they stand on may lie in blocks that still grow
                for run, _ in self._here.runs(progress.runs_done)[-1:]:
                    growing = self._here.growing(run, progress.channels)
                    add_blocks(connection, bench, CopiedBlocks(bench.name, growing))
        progress.documents = last
        progress.arrived = max([progress.arrived, *(one.version for one in documents)])
        write_progress(self._data_dir, progress)
        return True

    def _send_streams(
        self, connection: Connection[tuple[Any, ...]], bench: BenchName, progress: Progress
    ) -> bool:
        """Send blocks of one run after another, the oldest first; one that has ended and gone whole is done with."""
        more = changed = False
        for run, ended in self._here.runs(progress.runs_done):
            document, channels = self._here.run(run)
            progress.channels |= {channel: progress.channels.get(channel, -1) for channel in channels}
            after = {channel: progress.channels[channel] for channel in channels}
            waiting = self._here.blocks(run, after, settled=not ended)
            blocks = CopiedBlocks(bench.name, islice(waiting, BLOCKS_AT_ONCE))
            fresh = progress.runs.get(run) != document.version
            if fresh or blocks:
                with connection.transaction():
                    add_documents(connection, bench, [document] if fresh else [])
                    add_blocks(connection, bench, blocks)
                changed = True
            progress.runs[run] = document.version
            progress.channels |= blocks.upto
            more = len(blocks) >= BLOCKS_AT_ONCE
            if more:
                break
            if ended and min(progress.runs) == run:
                progress.runs_done = run
                del progress.runs[run]
                for channel in channels:
                    del progress.channels[channel]
                changed = True
        if changed:
            write_progress(self._data_dir, progress)
        return more


def _is_usual(error: Exception) -> bool:
    from psycopg import Error

    return isinstance(error, (Error, OSError, CaptureError, sqlite3.Error))


def _sentence(trouble: str, changes: int, blocks: int) -> str:
    waiting = f"{changes:,} changes and {blocks:,} blocks of readings wait"
    if trouble:
        return f"{trouble} {waiting[0].upper()}{waiting[1:]} on this machine; the bench measures on."
    return (
        f"{waiting[0].upper()}{waiting[1:]}."
        if changes or blocks
        else "The archive has all that is kept here."
    )
