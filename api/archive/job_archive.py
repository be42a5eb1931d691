"""A job out of a shop into one file, and back into any shop, so that it shows the same sheet there."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import IO, Any

from sqlite_utils import Database

from analysis.base import EntryError, from_plain, to_plain
from analysis.job import job_state
from analysis.timing import Fact, Job, LobeMeasured, TdcMeasured, payload_from_plain
from api.archive.job_file import (
    SHEET,
    AdoptionInFile,
    FactInFile,
    JobFileReader,
    JobFileWriter,
    JobInFile,
    MeasurementInFile,
)
from api.base import ConflictError, JobFileError, TraceFileError
from api.jobs import tell_where
from api.live import PROGRAM
from api.store import (
    IMPORTED_FOLDER,
    Adoption,
    JobReader,
    JobRow,
    Measurement,
    MeasurementReader,
    ShopReader,
    ShopStore,
    StoredStreams,
    add_fact,
    adding,
    adopt,
    keep_job,
    now_text,
    read_trace,
    trace_comments,
    trace_lines,
    trace_name,
)

Fields = dict[str, Any]
POINTS_AT_MEASUREMENTS = (("settings", "tdc_from"), ("facts", "lag_from"))


# -- out of the shop


def write_job(job_id: int, sheet_json: str, read: ShopReader, stored: StoredStreams, file: IO[bytes]) -> None:
    """Write a job with its traces to an open file.

    Parameters
    ----------
    sheet_json
        The job's sheet as it stands.

    Raises
    ------
    NotFoundError
        There is no such job.
    BenchError
        A trace cannot be read.
    """
    jobs, measurements = JobReader.of(read), MeasurementReader(read)
    row = jobs.job(job_id)
    ended = [
        one
        for one in reversed(measurements.listed(job_id=job_id, limit=100_000))
        if one.state in {"finished", "refused"}
    ]
    writer = JobFileWriter(file)
    for measurement in ended:
        interval = stored.of(measurement)
        lines = trace_lines(interval.channels(), interval.start_ns, trace_comments(measurement))
        writer.add(_trace_path(measurement), lines)
    writer.add(SHEET, [sheet_json])
    writer.finish(_in_file(row, jobs, ended))


def _in_file(row: JobRow, jobs: JobReader, ended: list[Measurement]) -> JobInFile:
    sources = jobs.sources(row.id)
    return JobInFile(
        program=PROGRAM,
        written_at=now_text(),
        at=row.at,
        by=row.by,
        job=to_plain(row.job),
        facts=[
            FactInFile(
                number=fact.number,
                at=fact.at,
                by=fact.by,
                what=to_plain(fact.what, type(fact.what)),
                source=sources.get(fact.number),
            )
            for fact in jobs.facts(row.id)
        ],
        measurements=[_measurement_in_file(one) for one in ended],
        adoptions=[
            AdoptionInFile(**{name: getattr(one, name) for name in AdoptionInFile.model_fields})
            for one in jobs.adoptions(row.id)
        ],
    )


def _measurement_in_file(measurement: Measurement) -> MeasurementInFile:
    made = {"trace", "duration_ns"}
    own = {name: getattr(measurement, name) for name in MeasurementInFile.model_fields if name not in made}
    last_ns = measurement.start_ns if measurement.end_ns is None else measurement.end_ns
    return MeasurementInFile(
        **own, duration_ns=last_ns - measurement.start_ns, trace=_trace_path(measurement)
    )


def _trace_path(measurement: Measurement) -> str:
    return f"traces/{trace_name(measurement)}"


# -- into a shop


@dataclass(frozen=True, slots=True)
class _Checked:
    """A job file of which everything makes sense."""

    told: JobInFile
    job: Job
    facts: list[Fact]


def read_job(path: Path, shop: ShopStore, data_dir: Path) -> int:
    """Take a job file into the shop, whole or not at all, and give the job's number there.

    Raises
    ------
    JobFileError
        The file is no job file, newer than this program, or damaged.
    ConflictError
        The job is there already.
    """
    with JobFileReader(path) as file:
        checked = _checked(file.job)
        _refuse_twin(checked, JobReader.of(shop.read))
        with _unpacked(file, data_dir / IMPORTED_FOLDER) as names:
            return shop.write(_taking_in(checked, names))


def _checked(told: JobInFile) -> _Checked:
    try:
        job = from_plain(Job, told.job)
        facts = [Fact(one.number, one.at, one.by, payload_from_plain(one.what)) for one in told.facts]
        job_state(job, facts)
    except EntryError as error:
        raise _senseless(error.message) from None
    numbers = [fact.number for fact in facts]
    if numbers != list(range(1, len(facts) + 1)):
        raise _senseless("the facts of the job are not numbered from 1 on")
    there = [one.id for one in told.measurements]
    if len(set(there)) != len(there):
        raise _senseless("two measurements have the same number")
    for one in told.measurements:
        if one.state == "finished" and one.result is None:
            raise _senseless(f"measurement {one.id} is finished but has no number")
    return _Checked(told, job, facts)


def _senseless(why: str) -> JobFileError:
    return JobFileError(
        "damaged_job_file",
        f"the job file is damaged: {why.rstrip('.')}. Nothing was taken; export the job again.",
    )


def _refuse_twin(checked: _Checked, jobs: JobReader) -> None:
    for row in jobs.jobs(checked.job.reference, limit=100_000):
        if (row.at, row.job) == (checked.told.at, checked.job):
            raise ConflictError(
                "job_there_already",
                f"this job is there already, as job {row.id} ({row.job.reference}); nothing was taken.",
            )


@contextlib.contextmanager
def _unpacked(file: JobFileReader, folder: Path) -> Iterator[dict[str, str]]:
    """Unpack the traces beside the imported ones, by name in the zip; gone again if anything goes wrong."""
    folder.mkdir(parents=True, exist_ok=True)
    new: list[Path] = []
    names: dict[str, str] = {}
    try:
        for measurement in file.job.measurements:
            part = folder / f"{file.job.sha256[measurement.trace][:20]}.new"
            name = f"{file.unpack(measurement.trace, part)[:20]}.csv"
            try:
                if measurement.state == "finished":
                    _refuse_unreadable(part, measurement)
            except BaseException:
                part.unlink()
                raise
            if not (folder / name).exists():
                new.append(folder / name)
            part.replace(folder / name)
            names[measurement.trace] = name
        yield names
    except BaseException:
        for path in new:
            path.unlink(missing_ok=True)
        raise


def _refuse_unreadable(path: Path, measurement: MeasurementInFile) -> None:
    try:
        trace = read_trace(path)
    except TraceFileError as error:
        raise _senseless(f"{measurement.trace}: {error.message}") from None
    if measurement.gauge not in trace.gauges:
        raise _senseless(f"{measurement.trace} has no gauge {measurement.gauge}")


def _taking_in(checked: _Checked, names: dict[str, str]) -> Callable[[Database], int]:
    """Give the one change that takes a checked job in."""

    def change(db: Database) -> int:
        told = checked.told
        job_id = keep_job(db, checked.job, None, None, told.by, told.at)
        numbers: dict[int, int] = {}
        for one in sorted(told.measurements, key=lambda measurement: measurement.id):
            numbers[one.id] = adding(_measurement(one, job_id, names[one.trace], numbers))(db)
        facts = [_renumbered(fact, numbers) for fact in checked.facts]
        sources = {one.number: one.source for one in told.facts}
        for fact in facts:
            add_fact(db, job_id, fact, sources[fact.number])
        for adoption in told.adoptions:
            if adoption.measurement_id in numbers:
                own = adoption.model_dump() | {"measurement_id": numbers[adoption.measurement_id]}
                adopt(db, job_id, Adoption(**own))
        tell_where(db, job_id, checked.job, facts)
        return job_id

    return change


def _measurement(one: MeasurementInFile, job_id: int, name: str, numbers: dict[int, int]) -> Measurement:
    own = one.model_dump(exclude={"id", "trace", "duration_ns"})
    for column, key in POINTS_AT_MEASUREMENTS:
        if own[column].get(key) is not None:
            own[column] = own[column] | {key: numbers.get(own[column][key])}
    return Measurement(id=0, start_ns=0, end_ns=one.duration_ns, job_id=job_id, imported_file=name, **own)


def _renumbered(fact: Fact, numbers: dict[int, int]) -> Fact:
    """Let a fact name its measurement by the number it has here."""
    what = fact.what
    if not isinstance(what, TdcMeasured | LobeMeasured) or not what.measurement_id.isdecimal():
        return fact
    new = numbers.get(int(what.measurement_id))
    return replace(fact, what=replace(what, measurement_id="" if new is None else str(new)))
