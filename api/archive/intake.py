"""Files from elsewhere on their way into the shop: one at a time, in a folder of their own, placed in one commit.

A trace file is placed under a name that no row had before, while the change that names it is being made. So
whatever fails, and whenever the process is killed, either the rows and their files are there, or no row is;
a file that no row names can be dropped, and nothing that a row names is ever removed.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import sqlite3
import tempfile
import uuid
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from hashlib import file_digest
from pathlib import Path

from api.base import ConflictError, ServiceError, StoreError
from api.files import NoRoom, refuse_without_room, sync
from api.store import IMPORTED_FOLDER, Asking, ShopStore

PREFIX = ".import-"
MARK_LETTERS = 20
WAIT_S = 600.0


def mark_of(path: Path) -> str:
    """Give what the name of a trace file begins with, wherever it is kept: by what is in it."""
    with path.open("rb") as file:
        return file_digest(file, "sha256").hexdigest()[:MARK_LETTERS]


class Intake:
    """What one import does with files."""

    def __init__(self, folder: Path, imported: Path, shop: ShopStore) -> None:
        self.folder = folder
        """Its own folder, on the same disk as the shop; gone when the import is over."""
        self._imported, self._shop = imported, shop
        self._placed: list[str] = []

    def new_name(self, mark: str) -> str:
        """Give a name that nothing else has."""
        return f"{mark}-{uuid.uuid4().hex[:12]}.csv"

    def refuse_without_room(self, wanted_bytes: int) -> None:
        """Refuse what the disk has no room for; raises `StoreError`."""
        try:
            refuse_without_room(wanted_bytes, self.folder)
        except NoRoom as error:
            raise StoreError("no_room", f"Nothing was taken: {error}.") from None

    def place(self, parts: Mapping[str, Path]) -> None:
        """Put files where the shop keeps them, by their new names; called from within the change."""
        self._imported.mkdir(exist_ok=True)
        for name, part in parts.items():
            _sync_file(part)
            self._placed.append(name)
            part.rename(self._imported / name)
        sync(self._imported)

    def put_back(self, ask: Asking, mark: str, part: Path) -> None:
        """Give rows their trace file again where an earlier version lost it and this is the very same one."""
        rows = ask.rows(
            "SELECT DISTINCT imported_file AS name FROM measurements"
            " WHERE substr(imported_file, 1, length(:mark)) = :mark",
            {"mark": mark},
        )
        for row in rows:
            path = self._imported / Path(row["name"]).name
            if not path.exists():
                self._imported.mkdir(exist_ok=True)
                copy = self.folder / f"{uuid.uuid4().hex}.again"
                shutil.copyfile(part, copy)
                _sync_file(copy)
                copy.rename(path)
                sync(self._imported)

    def drop_what_no_row_names(self) -> None:
        """After a failure: remove what was placed, unless the change was made all the same."""
        with contextlib.suppress(ServiceError, sqlite3.Error, OSError):
            for name in self._placed:
                sql = "SELECT 1 AS there FROM measurements WHERE imported_file = ? LIMIT 1"
                if self._shop.read.row(sql, (name,)) is None:
                    (self._imported / name).unlink(missing_ok=True)


@contextlib.contextmanager
def taking_in(shop: ShopStore, data_dir: Path) -> Iterator[Intake]:
    """Take one thing in; another one waits meanwhile.

    Raises
    ------
    ConflictError
        Another import takes longer than anyone waits.
    """
    if not shop.importing.acquire(timeout=WAIT_S):
        raise ConflictError("imports_waiting", "Another import is going on; wait until it is done.")
    try:
        remove_leftovers(data_dir)
        folder = Path(tempfile.mkdtemp(prefix=PREFIX, dir=data_dir))
        intake = Intake(folder, data_dir / IMPORTED_FOLDER, shop)
        try:
            yield intake
        except BaseException:
            intake.drop_what_no_row_names()
            raise
        finally:
            shutil.rmtree(folder, ignore_errors=True)
    finally:
        shop.importing.release()


def leftovers(data_dir: Path) -> list[Path]:
    """Give the folders that imports left behind which were killed."""
    return sorted(path for path in data_dir.glob(f"{PREFIX}*") if path.is_dir())


def remove_leftovers(data_dir: Path) -> None:
    """Remove them; only for whoever holds the shop, and with it all imports."""
    for path in leftovers(data_dir):
        shutil.rmtree(path, ignore_errors=True)


def _sync_file(path: Path) -> None:
    with path.open("r+b") as file:
        os.fsync(file.fileno())


@dataclass(frozen=True, slots=True)
class Left:
    """What imports of earlier versions, or killed ones, left in a shop."""

    unnamed: tuple[Path, ...]
    """Trace files that no row names."""
    folders: tuple[Path, ...]
    """Folders of imports that were killed."""
    without_trace: tuple[int, ...]
    """Measurements whose trace file is gone; the same job or trace file taken in again brings it back."""

    @property
    def sentences(self) -> list[str]:
        """Say what there is, and what to do."""
        found = []
        if self.unnamed or self.folders:
            found.append(
                f"{len(self.unnamed)} imported trace files belong to nothing, and {len(self.folders)} imports were "
                "cut short or go on; `lobewright tidy` removes what was left, whatever else it is asked for."
            )
        if self.without_trace:
            numbers = ", ".join(str(number) for number in self.without_trace[:10])
            found.append(
                f"The trace files of {len(self.without_trace)} measurements are not there (numbers {numbers}): "
                "tidied away, or lost. Import the same job or trace file again, and they are put back."
            )
        return found


def look_for_left(data_dir: Path, ask: Asking) -> Left:
    """Compare the imported trace files with the rows that name them."""
    imported = data_dir / IMPORTED_FOLDER
    there = {path.name for path in imported.iterdir() if path.is_file()} if imported.is_dir() else set()
    rows = ask.rows(
        "SELECT id, imported_file AS name, state FROM measurements WHERE imported_file IS NOT NULL"
    )
    named = {row["name"] for row in rows}
    gone = tuple(row["id"] for row in rows if row["name"] not in there and row["state"] == "finished")
    unnamed = tuple(imported / name for name in sorted(there - named))
    return Left(unnamed, tuple(leftovers(data_dir)), gone)


def remove_left(left: Left) -> None:
    """Remove what belongs to nothing; only for whoever holds the shop."""
    for path in left.unnamed:
        path.unlink(missing_ok=True)
    for folder in left.folders:
        shutil.rmtree(folder, ignore_errors=True)
