"""A job out of a shop into one file, and back into any shop, so that it shows the same sheet there."""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import IO, Any

from sqlite_utils import Database

from analysis.base import EntryError, from_plain, to_plain
from analysis.job import job_state
from analysis.timing import Fact, Job, LobeMeasured, TdcMeasured, payload_from_plain
from api.archive.intake import MARK_LETTERS, Intake, taking_in
from api.archive.job_file import SHEET, JobFileReader, JobFileWriter
from api.archive.job_file_models import AdoptionInFile, FactInFile, JobInFile, MeasurementInFile
from api.base import ConflictError, JobFileError, TraceFileError
from api.entry import refuse_impossible_card, refuse_impossible_engine, refuse_impossible_job
from api.jobs import tell_where
from api.live import PROGRAM
from api.records import (
    Adoption,
    JobReader,
    JobRow,
    Measurement,
    MeasurementReader,
    StoredStreams,
    add_fact,
    adding,
    adopt,
    delete_job,
    hand_overs,
    held_elsewhere,
    keep_job,
    noting_taken,
    now_text,
    read_trace,
    trace_comments,
    trace_lines,
    trace_name,
)
from api.store import Asking, ShopReader, ShopStore, WithinChange

log = logging.getLogger("lobewright.jobs")
Fields = dict[str, Any]
Show = Callable[[Asking, int], None]
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
    jobs, measurements = JobReader(read), MeasurementReader(read)
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
class CameOver:
    """How a job comes that is taken over from another bench, not only shown by it."""

    number: int
    bench: str
    by: str


@dataclass(frozen=True, slots=True)
class _Checked:
    """A job file of which everything makes sense."""

    told: JobInFile
    job: Job
    facts: list[Fact]


def read_job(path: Path, shop: ShopStore, data_dir: Path, show: Show, came: CameOver | None = None) -> int:
    """Take a job file into the shop, whole or not at all, and give the job's number there.

    Parameters
    ----------
    show
        Makes what the pages show of a job; what it cannot make is not taken.
    came
        That it goes on here from now on; the same job, handed over from here before, goes off the list.

    Raises
    ------
    JobFileError
        The file is no job file, newer than this program, or damaged.
    ConflictError
        The job is there already.
    """
    with taking_in(shop, data_dir) as intake, JobFileReader(path, intake.folder) as file:
        checked = _checked(file.job)
        parts = _unpacked(file, intake)
        for name, part in parts.items():
            intake.put_back(shop.read, file.job.sha256[name][:MARK_LETTERS], part)
        return shop.write(_taking_in(checked, parts, intake, show, came))


def _checked(told: JobInFile) -> _Checked:
    """Refuse what no program of ours can have written, before anything is changed."""
    try:
        job = from_plain(Job, told.job)
        refuse_impossible_engine(job.engine)
        refuse_impossible_card(job.card)
        refuse_impossible_job(job)
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
    adopted = [one.measurement_id for one in told.adoptions]
    if len(set(adopted)) != len(adopted):
        raise _senseless("a measurement was taken into the job twice")
    return _Checked(told, job, facts)


def _senseless(why: str) -> JobFileError:
    return JobFileError(
        "damaged_job_file",
        f"the job file is damaged: {why.rstrip('.')[:300]}. Nothing was taken; export the job again.",
    )


def _refuse_twin(checked: _Checked, jobs: JobReader) -> None:
    for row in jobs.begun_at(checked.told.at):
        if row.job == checked.job:
            raise ConflictError(
                "job_there_already",
                f"this job is there already, as job {row.id} ({row.job.reference}); nothing was taken.",
            )


def _unpacked(file: JobFileReader, intake: Intake) -> dict[str, Path]:
    """Unpack the traces into the import's own folder; gives where each is, by name in the zip."""
    parts: dict[str, Path] = {}
    for measurement in file.job.measurements:
        if measurement.trace not in parts:
            parts[measurement.trace] = intake.folder / f"{len(parts)}.csv"
            file.unpack(measurement.trace, parts[measurement.trace])
        if measurement.state == "finished":
            _refuse_unreadable(parts[measurement.trace], measurement)
    return parts


def _refuse_unreadable(path: Path, measurement: MeasurementInFile) -> None:
    try:
        trace = read_trace(path)
    except TraceFileError as error:
        raise _senseless(f"{measurement.trace}: {error.message}") from None
    if measurement.gauge not in trace.gauges:
        raise _senseless(f"{measurement.trace} has no gauge {measurement.gauge}")


def _taking_in(
    checked: _Checked, parts: Mapping[str, Path], intake: Intake, show: Show, came: CameOver | None
) -> Callable[[Database], int]:
    """Give the one change that takes a checked job in, its traces with it, and looks whether it opens."""
    sums = checked.told.sha256
    names = {trace: intake.new_name(sums[trace][:MARK_LETTERS]) for trace in parts}

    def change(db: Database) -> int:
        """Everything of the file in one change, its numbers made ours; the traces get their places last."""
        if came is not None:
            _make_way(db, checked, came)
        _refuse_twin(checked, JobReader(WithinChange(db)))
        told = checked.told
        job_id = keep_job(db, checked.job, None, None, told.by, told.at, facts_from_elsewhere=len(told.facts))
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
        if came is not None:
            noting_taken(db, job_id, came.bench, came.number, came.by)
        _refuse_unshowable(db, job_id, show)
        intake.place({names[trace]: part for trace, part in parts.items()})
        return job_id

    return change


def _make_way(db: Database, checked: _Checked, came: CameOver) -> None:
    """Take the job off the list that was handed over from here and comes back; what was measured for it stays."""
    ask = WithinChange(db)
    if any(one.number == came.number for one in hand_overs(ask, "taken")):
        raise ConflictError("taken_already", "That job was taken over already; see the list of jobs.")
    for row in JobReader(ask).begun_at(checked.told.at):
        if row.job == checked.job and held_elsewhere(ask, row.id) is not None:
            delete_job(db, row.id, came.by)


def _refuse_unshowable(db: Database, job_id: int, show: Show) -> None:
    """Make what the pages show of the job just written; what cannot be shown is not taken."""
    try:
        show(WithinChange(db), job_id)
    except Exception as error:  # noqa: BLE001 - whatever it is, it would be so each time the job is opened
        log.warning("a job file was refused, for its job cannot be shown: %r", error)
        raise _senseless("the job in it cannot be shown") from None


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
