"""The job file: one zip with a job, what happened in it, its sheet, and its traces as trace files.

    job.json        engine, card, facts, measurements; the SHA-256 of every other file
    sheet.json      the sheet as it stood when the file was written, for other programs
    traces/*.csv    a trace file for each measurement

Everything is text. Nothing of it is believed before all of it was checked.
"""

from __future__ import annotations

import hashlib
import zipfile
import zlib
from collections.abc import Iterable
from pathlib import Path
from typing import IO, Any

from pydantic import ValidationError

from api.archive.job_file_models import VERSION, JobInFile
from api.base import JobFileError, StoreError, in_one_sentence
from api.files import NoRoom, OverBudget, ZipBudget, foreign_json, open_within

MANIFEST = "job.json"
SHEET = "sheet.json"
LARGEST_MANIFEST = 1 << 26
LARGEST_TRACE = 1 << 30
BUDGET = ZipBudget(files=5_000, bytes=1 << 32, ratio=100.0)
PIECE = 1 << 20


class JobFileWriter:
    """Writes one job file; the traces first, then the sheet, then the manifest that names them."""

    def __init__(self, file: IO[bytes]) -> None:
        self._zip = zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED)
        self._sums: dict[str, str] = {}

    def add(self, name: str, pieces: Iterable[str]) -> None:
        """Write one file of text."""
        own = hashlib.sha256()
        with self._zip.open(name, "w", force_zip64=True) as file:
            for piece in pieces:
                content = piece.encode()
                own.update(content)
                file.write(content)
        self._sums[name] = own.hexdigest()

    def finish(self, job: JobInFile) -> None:
        """Write the manifest and close the file."""
        whole = job.model_copy(update={"sha256": self._sums})
        self._zip.writestr(MANIFEST, whole.model_dump_json(indent=1))
        self._zip.close()


class JobFileReader:
    """Reads one job file; made, it has checked that everything in it is whole.

    Raises
    ------
    JobFileError
        It is no job file, a newer program wrote it, it holds more than may be unpacked into the folder
        `onto`, or it is damaged: which part, and what to do.
    StoreError
        The disk has no room for it.
    """

    def __init__(self, path: Path, onto: Path) -> None:
        try:
            self._zip = open_within(path, BUDGET, onto)
        except NoRoom as error:
            raise StoreError("no_room", f"Nothing was taken: {error}.") from None
        except OverBudget as error:
            raise _damaged(str(error)) from None
        except (zipfile.BadZipFile, NotImplementedError, ValueError):
            raise _damaged("it is no zip file, or its end is missing") from None
        except OSError as error:
            raise JobFileError("unreadable_file", f"the file cannot be opened ({error.strerror}).") from None
        try:
            self.job = self._manifest()
            self._check()
        except BaseException:
            self._zip.close()
            raise

    def __enter__(self) -> JobFileReader:
        return self

    def __exit__(self, *_: object) -> None:
        self._zip.close()

    def unpack(self, name: str, onto: Path) -> str:
        """Write one checked file to a path and give its SHA-256."""
        with onto.open("wb") as file:
            for piece in self._pieces(name):
                file.write(piece)
        return self.job.sha256[name]

    def _manifest(self) -> JobInFile:
        sizes = {one.filename: one.file_size for one in self._zip.infolist()}
        if MANIFEST not in sizes:
            raise JobFileError("not_a_job_file", f"this is no job file: it holds no {MANIFEST}.")
        if sizes[MANIFEST] > LARGEST_MANIFEST:
            raise _damaged(f"{MANIFEST} is longer than any")
        try:
            plain = foreign_json(b"".join(self._pieces(MANIFEST)))
        except ValueError as error:
            raise _damaged(f"{MANIFEST} {error}") from None
        return _read(plain)

    def _check(self) -> None:
        named = {one.trace for one in self.job.measurements}
        if not named <= self.job.sha256.keys():
            raise _damaged("a measurement names a trace that the file does not list")
        for name, told in self.job.sha256.items():
            own = hashlib.sha256()
            for piece in self._pieces(name):
                own.update(piece)
            if own.hexdigest() != told:
                raise _damaged(f"{name} is not as it was written")

    def _pieces(self, name: str) -> Iterable[bytes]:
        try:
            if self._zip.getinfo(name).file_size > LARGEST_TRACE:
                raise _damaged(f"{name} is longer than any trace")
            with self._zip.open(name) as file:
                while piece := file.read(PIECE):
                    yield piece
        except KeyError:
            raise _damaged(f"{name} is missing") from None
        except (zipfile.BadZipFile, zlib.error, EOFError, OSError, NotImplementedError, RuntimeError):
            raise _damaged(f"{name} cannot be unpacked") from None


def looks_like_job_file(path: Path) -> bool:
    """Tell by its first bytes whether a file is a zip, and so not a trace file."""
    try:
        with path.open("rb") as file:
            return file.read(2) == b"PK"
    except OSError:
        return False


def _read(plain: Any) -> JobInFile:
    if not isinstance(plain, dict) or plain.get("file") != "lobewright job":
        raise JobFileError("not_a_job_file", f"this is no job file: {MANIFEST} does not say that it is one.")
    version = plain.get("version")
    if isinstance(version, int) and version > VERSION:
        raise JobFileError(
            "newer_job_file",
            f"a newer Lobewright ({str(plain.get('program'))[:40]}) wrote this job file; update this program.",
        )
    try:
        return JobInFile.model_validate(plain)
    except ValidationError as error:
        why = in_one_sentence(error.errors()[:1]).rstrip(".")
        raise _damaged(f"{MANIFEST} does not hold what it should, {why[:300]}") from None


def _damaged(why: str) -> JobFileError:
    return JobFileError(
        "damaged_job_file", f"the job file is damaged: {why}. Nothing was taken; export the job again."
    )
