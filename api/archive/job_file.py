"""The job file: one zip with a job, what happened in it, its sheet, and its traces as trace files.

    job.json        engine, card, facts, measurements; the SHA-256 of every other file
    sheet.json      the sheet as it stood when the file was written, for other programs
    traces/*.csv    a trace file for each measurement

Everything is text. Nothing of it is believed before all of it was checked.
"""

from __future__ import annotations

import hashlib
import json
import zipfile
import zlib
from collections.abc import Iterable
from pathlib import Path
from typing import IO, Any, Literal

from pydantic import Field, ValidationError

from api.base import Body, JobFileError, in_one_sentence

Fields = dict[str, Any]
MANIFEST = "job.json"
SHEET = "sheet.json"
VERSION = 1
LARGEST_MANIFEST = 1 << 26
LARGEST_TRACE = 1 << 30
LARGEST_WHOLE = 1 << 32
MOST_FILES = 5_000
PIECE = 1 << 20


class FactInFile(Body):
    """One thing that happened, and what it was computed from."""

    number: int
    at: str
    by: str
    what: Fields
    source: Fields | None


class MeasurementInFile(Body):
    """One measurement with its settings and its result; `trace` names its trace file in the zip."""

    id: int
    what: Literal["tdc", "lobe"]
    touches: str
    gauge: str
    state: Literal["finished", "refused"]
    started_at: str
    ended_at: str | None
    duration_ns: int
    settings: Fields
    facts: Fields
    result: Fields | None
    detail: Fields | None
    error: Fields | None
    sentence: str
    program: str
    trace: str


class AdoptionInFile(Body):
    """What became of a measurement in the job: the fact that holds it, or a sentence why none does."""

    measurement_id: int
    fact: int | None
    step: str
    code: str
    sentence: str


class JobInFile(Body):
    """All that a shop needs to carry on with a job, or to show its sheet."""

    file: Literal["lobewright job"] = "lobewright job"
    version: int = VERSION
    program: str
    written_at: str
    at: str
    by: str
    job: Fields
    facts: list[FactInFile]
    measurements: list[MeasurementInFile]
    adoptions: list[AdoptionInFile]
    sha256: dict[str, str] = Field(default_factory=dict)


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
        It is no job file, a newer program wrote it, or it is damaged: which part, and what to do.
    """

    def __init__(self, path: Path) -> None:
        try:
            self._zip = zipfile.ZipFile(path)
        except (zipfile.BadZipFile, NotImplementedError):
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
        too_large = sizes[MANIFEST] > LARGEST_MANIFEST or sum(sizes.values()) > LARGEST_WHOLE
        if too_large or len(sizes) > MOST_FILES:
            raise _damaged("it holds more than any job")
        try:
            plain = json.loads(b"".join(self._pieces(MANIFEST)))
        except ValueError:
            raise _damaged(f"{MANIFEST} is not JSON") from None
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
