"""Backup of a shop into one file while everything runs, its proof, and the way back.

The file is a ZIP archive, so that any program can look into it: both databases as single files, the imported
traces, and a manifest with a SHA-256 of each. Paired screens are left out: a copy shall let nobody in.

Each database is copied by SQLite's own backup in one step: in small steps it would begin anew with every
commit of the recorder. The shop is copied before the readings, so that every reading that a measurement of
the copy speaks of is in the copy too.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import hashlib
import os
import shutil
import sqlite3
import tempfile
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import closing
from itertools import pairwise
from pathlib import Path
from typing import Any, BinaryIO

from pydantic import BaseModel, ConfigDict

from api.base import ConflictError, MisuseError, StoreError
from api.files import NoRoom, OverBudget, ZipBudget, foreign_json, open_within, sync
from api.live import PROGRAM
from api.records import Contents, contents_of, trouble_in_shop, trouble_in_streams
from api.store import FILE_NAME as SHOP_NAME
from api.store import (
    IMPORTED_FOLDER,
    ShopReader,
    begin_restore,
    finish_restore,
    hold_shop,
    is_half_restored,
    owned,
    store_error,
)
from capture.base import CaptureError, DataFolderBusy, FolderLock
from capture.store import STORE_NAME, open_for_reading, reading_uri

MANIFEST = "manifest.json"
FORMAT = 1
CHUNK_BYTES = 1 << 20
KEPT = 3
"""Backups of one name that stay unless told otherwise."""
LARGEST_MANIFEST = 1 << 26
BUDGET = ZipBudget(files=200_000, bytes=1 << 40, ratio=500.0)
DATABASES = (SHOP_NAME, STORE_NAME)
UNPACKED = ".restore-"


class Manifest(BaseModel):
    """What a backup says of itself; `sha256` of every other file in it."""

    model_config = ConfigDict(extra="forbid")
    format: int
    program: str
    made_at: dt.datetime
    contents: Contents
    sha256: dict[str, str]


def back_up(data_dir: Path, file: Path, keep: int = KEPT) -> Manifest:
    """Write a backup, prove it, and only then put it in the place of the last one.

    Parameters
    ----------
    keep
        How many backups of that name stay: the newest under the name itself, those before it under the name
        with ``.1``, ``.2`` … behind it.

    Raises
    ------
    MisuseError
        There is nothing to back up, or the file cannot be written.
    StoreError
        A database is damaged, cannot be read, or was written by a newer program; what was backed up before
        stays as it is.
    """
    if is_half_restored(data_dir):
        with folder_at_rest(data_dir):
            pass  # it has been brought to its end
    if not any((data_dir / name).exists() for name in DATABASES):
        raise MisuseError("nothing_there", f"there is no shop in {data_dir}; give its folder with --data.")
    part = file.with_name(file.name + ".part")
    try:
        with tempfile.TemporaryDirectory(prefix=".backup-", dir=file.absolute().parent) as copies:
            folder = Path(copies)
            for name in DATABASES:
                if (data_dir / name).exists():
                    _copy(data_dir / name, folder / name)
            _refuse_damaged(folder)
            manifest = _packed(folder, data_dir / IMPORTED_FOLDER, part)
        _prove_packed(part, manifest)
        _set_aside(file, keep)
        part.replace(file)
        sync(file.absolute().parent)
    except StoreError as error:
        if error.code != "bad_shop_file":
            raise
        raise StoreError(
            error.code, f"no backup was written, and the last one was left as it is: {error.message}"
        ) from None
    except OSError as error:
        raise MisuseError(
            "backup_not_written", f"{file} cannot be written ({error.strerror}); choose another place."
        ) from None
    finally:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
    return manifest


def _refuse_damaged(copies: Path) -> None:
    """Refuse to back up what is not whole; raises `StoreError`."""
    trouble = _trouble_in(copies)
    if trouble:
        raise StoreError(
            "bad_shop_file",
            f"the shop is damaged. {' '.join(trouble)} Stop the service and "
            "restore the last good backup (lobewright restore).",
        )


def _prove_packed(part: Path, manifest: Manifest) -> None:
    """Read back what was written, to the last byte; raises `StoreError`."""
    with zipfile.ZipFile(part) as archive:
        for name, wanted in manifest.sha256.items():
            digest = hashlib.sha256()
            try:
                with archive.open(name) as source:
                    while chunk := source.read(CHUNK_BYTES):
                        digest.update(chunk)
            except (zipfile.BadZipFile, zlib.error, EOFError):
                digest = hashlib.sha256()
            if digest.hexdigest() != wanted:
                raise StoreError(
                    "backup_failed",
                    f"the backup was not written as it should be ({name}), and the last one was left as it is; "
                    "look at the medium, or choose another.",
                )


def _set_aside(file: Path, keep: int) -> None:
    """Give the backups before this one their names, the oldest making room; one is under `file` all the time."""
    older = [file.with_name(f"{file.name}.{place}") for place in range(1, keep)]
    for newer, place in reversed(list(pairwise([file, *older]))):
        if newer == file and file.exists():
            _linked(file, place)
        elif newer.exists():
            newer.replace(place)


def _linked(file: Path, place: Path) -> None:
    """Put a file under a second name, the first one kept; by a copy where the medium knows no links."""
    new = place.with_name(f"{place.name}.new")
    new.unlink(missing_ok=True)
    try:
        os.link(file, new)
    except OSError:
        shutil.copyfile(file, new)
    new.replace(place)


def verify(file: Path) -> Manifest:
    """Prove a backup: every byte against its sum, both databases whole, every block of readings unpacked.

    Raises
    ------
    StoreError
        It is no backup, is damaged, or was written by a newer program.
    """
    with _unpacked(file, file.absolute().parent) as (_, manifest):
        return manifest


def restore(file: Path, data_dir: Path, replace: bool) -> tuple[Manifest, Path | None]:
    """Prove a backup and put it into a data folder that nothing uses.

    Parameters
    ----------
    replace
        Whether what is there may be set aside, into a folder that is given back; nothing is deleted.

    Raises
    ------
    ConflictError
        There is a shop already, and it may not be replaced.
    StoreError
        The backup is not good, or the folder is in use.
    """
    data_dir.mkdir(parents=True, exist_ok=True)
    with folder_at_rest(data_dir), _unpacked(file, data_dir) as (copies, manifest):
        for left in data_dir.glob(f"{UNPACKED}*"):  # by a restore that was killed
            if left != copies:
                shutil.rmtree(left, ignore_errors=True)
        there = owned(data_dir)
        if there and not replace:
            raise ConflictError(
                "shop_there", f"there is a shop in {data_dir} already; --replace sets it aside first."
            )
        aside = data_dir / f"before-restore-{dt.datetime.now(dt.UTC):%Y%m%d-%H%M%S-%f}"
        begin_restore(copies, data_dir, aside)
        finish_restore(data_dir)
        return manifest, aside if there else None


@contextlib.contextmanager
def folder_at_rest(data_dir: Path) -> Iterator[None]:
    """Hold a data folder so that neither capture nor the service can start on it; raises `StoreError`.

    A restore that was cut short there is brought to its end first.
    """
    lock = hold_shop(data_dir)
    try:
        with FolderLock(data_dir):
            finish_restore(data_dir)
            yield
    except DataFolderBusy as error:
        raise StoreError("folder_in_use", f"{error}.") from None
    finally:
        lock.release()


def _copy(source: Path, target: Path) -> None:
    """Copy a database that is being written, in one step, into one file without a log."""
    try:
        if source.name == STORE_NAME:
            reading = open_for_reading(source)
        else:
            ShopReader(source.parent).row("SELECT 1")  # refuses what a newer program wrote
            reading = sqlite3.connect(reading_uri(source), uri=True, timeout=5.0)
        with closing(reading), closing(sqlite3.connect(target)) as writing:
            reading.backup(writing, pages=-1)
            writing.execute("PRAGMA journal_mode = DELETE")
    except CaptureError as error:
        raise StoreError("bad_store", f"{error}.") from None
    except sqlite3.Error as error:
        full = getattr(error, "sqlite_errorcode", 0) == sqlite3.SQLITE_FULL
        told = store_error(error, target if full else source)  # only what is written can fill a disk
        if told is not None:
            raise told from None
        raise StoreError("backup_failed", f"{source} cannot be copied ({error}); check the disk.") from None


def _packed(folder: Path, imported: Path, part: Path) -> Manifest:
    """Pack everything with its sums, and see it onto the disk."""
    files = {path.name: path for path in sorted(folder.iterdir())}
    traces = sorted(imported.iterdir()) if imported.is_dir() else []
    files |= {f"{IMPORTED_FOLDER}/{path.name}": path for path in traces if path.is_file()}
    with part.open("wb") as out:
        with zipfile.ZipFile(out, "w") as archive:
            sums = {name: _add(archive, name, path) for name, path in files.items()}
            manifest = Manifest(
                format=FORMAT,
                program=PROGRAM,
                made_at=dt.datetime.now(dt.UTC),
                contents=contents_of(folder),
                sha256=sums,
            )
            archive.writestr(MANIFEST, manifest.model_dump_json(indent=1))
        out.flush()
        os.fsync(out.fileno())
    return manifest


def _add(archive: zipfile.ZipFile, name: str, path: Path) -> str:
    """Add one file and give its sum; readings are packed already."""
    info = zipfile.ZipInfo.from_file(path, name)
    info.compress_type = zipfile.ZIP_STORED if name == STORE_NAME else zipfile.ZIP_DEFLATED
    with path.open("rb") as source, archive.open(info, "w", force_zip64=True) as target:
        return _copied(source, target)


def _copied(source: Any, target: BinaryIO | Any) -> str:
    digest = hashlib.sha256()
    while chunk := source.read(CHUNK_BYTES):
        digest.update(chunk)
        target.write(chunk)
    return digest.hexdigest()


@contextlib.contextmanager
def _unpacked(file: Path, beside: Path) -> Iterator[tuple[Path, Manifest]]:
    """Unpack a backup beside where it is wanted, proved; what is not taken is removed at the end."""
    try:
        folder = Path(tempfile.mkdtemp(prefix=UNPACKED, dir=beside))
    except OSError:  # a backup on a medium that cannot be written
        folder = Path(tempfile.mkdtemp(prefix="lobewright-restore-"))
    try:
        manifest = _extracted(file, folder)
        _check(folder, manifest)
        yield folder, manifest
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _extracted(file: Path, folder: Path) -> Manifest:
    """Unpack within bounds, proving every file; whatever is wrong becomes one sentence."""
    try:
        with open_within(file, BUDGET, folder) as archive:
            manifest = _manifest(archive, file)
            for name, wanted in manifest.sha256.items():
                target = folder / name
                if not _is_ours(name):
                    raise StoreError("bad_backup", f"{file} holds {name!r}, which is no part of a backup.")
                target.parent.mkdir(exist_ok=True)
                with archive.open(name) as source, target.open("wb") as out:
                    found = _copied(source, out)
                    out.flush()
                    os.fsync(out.fileno())
                if found != wanted:
                    raise StoreError("bad_backup", f"{file} is damaged: {name} is not what was backed up.")
            return manifest
    except NoRoom as error:
        raise StoreError("no_room", f"{file} was not unpacked: {error}.") from None
    except OverBudget as error:
        raise StoreError("bad_backup", f"{file} is no backup, or is damaged: {error}.") from None
    except (zipfile.BadZipFile, KeyError, EOFError, NotImplementedError, ValueError, zlib.error) as error:
        words = str(error).strip("'\"")
        raise StoreError("bad_backup", f"{file} is no backup, or is damaged ({words}).") from None
    except OSError as error:
        raise MisuseError("unreadable_file", f"{file}: {error.strerror or error}.") from None


def _manifest(archive: zipfile.ZipFile, file: Path) -> Manifest:
    if archive.getinfo(MANIFEST).file_size > LARGEST_MANIFEST:
        raise StoreError("bad_backup", f"{file} is no backup: its manifest is longer than any.")
    text = archive.read(MANIFEST)
    try:
        told = foreign_json(text)["format"]
        if isinstance(told, int) and told > FORMAT:
            raise StoreError(
                "newer_backup", f"{file} was written by a newer Lobewright; update this program."
            )
        return Manifest.model_validate_json(text)
    except (ValueError, KeyError, TypeError):
        raise StoreError("bad_backup", f"{file} is no backup: its manifest cannot be read.") from None


def _is_ours(name: str) -> bool:
    folder, _, own = name.rpartition("/")
    return name in DATABASES or (folder == IMPORTED_FOLDER and own not in {"", ".", ".."} and "\\" not in own)


def _check(folder: Path, manifest: Manifest) -> None:
    trouble = _trouble_in(folder)
    if not trouble and (found := contents_of(folder)) != manifest.contents:
        trouble = [f"It should hold {manifest.contents}, but holds {found}."]
    if trouble:
        raise StoreError("bad_backup", f"the backup is not good: {' '.join(trouble)}")


def _trouble_in(folder: Path) -> list[str]:
    trouble = []
    if (folder / STORE_NAME).exists():
        trouble += trouble_in_streams(folder / STORE_NAME, thorough=True)
    if (folder / SHOP_NAME).exists():
        trouble += trouble_in_shop(folder / SHOP_NAME, thorough=True)
    return trouble
