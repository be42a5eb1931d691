"""Trace files brought into the shop: checked, measured, kept beside the readings that capture stored."""

from __future__ import annotations

import datetime as dt
import re
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

from pydantic import ValidationError
from sqlite_utils import Database

from analysis.base import USUAL_ENCODER_ERROR_DEG, USUAL_GAUGE_ERROR_MM, USUAL_RETRACE_MM
from api.archive.intake import Intake, mark_of, taking_in
from api.archive.job_file_models import GaugeInFile
from api.base import ConflictError, MisuseError, in_one_sentence
from api.files import foreign_json
from api.live import PROGRAM, FitOutcome, estimate
from api.measure import KeptDrawings, LobeAsked, MeasurementAsked, TdcAsked
from api.records import (
    Measurement,
    MeasurementReader,
    StoredInterval,
    adding,
    interval_of,
    now_text,
    read_trace,
)
from api.store import ShopStore, WithinChange

MARK = "# measurement "
PLACE = re.compile(r"(piston|inlet|exhaust|valve)_\w{1,12}")
LOOKED_AT_LINES = 50
FACTS = ("step_mm", "error_mm", "retrace_mm", "found_retrace_mm", "found_retrace_u_mm", "jitter_s", "tick_s")
SETTINGS = ("encoder_error_deg", "encoder_supposed")
USUAL_FACTS = {"error_mm": USUAL_GAUGE_ERROR_MM, "retrace_mm": USUAL_RETRACE_MM}
USUAL_SETTINGS = {"encoder_error_deg": USUAL_ENCODER_ERROR_DEG, "encoder_supposed": True}
"""Of a file that says nothing of what it was measured with."""
MOST_OF_ANY = 10.0


def told_by_file(path: Path) -> dict[str, Any]:
    """Give what an exported trace file says of itself in a comment; empty for files of other programs."""
    with path.open(encoding="utf-8", errors="replace") as file:
        for _, line in zip(range(LOOKED_AT_LINES), file, strict=False):
            if line.startswith(MARK):
                try:
                    told = foreign_json(line.removeprefix(MARK))
                except ValueError:
                    return {}
                return told if isinstance(told, dict) else {}
            if not line.startswith("#"):
                break
    return {}


def asked_of(told: dict[str, Any]) -> MeasurementAsked:
    """Turn what a file or a person says into a checked request; raises `MisuseError`."""
    if told.get("touches") is None:
        raise MisuseError(
            "what_did_it_touch",
            "the file does not say what the gauge touched; say so: touches piston_1, inlet_2 …",
        )
    if not PLACE.fullmatch(str(told["touches"])):
        raise MisuseError(
            "what_did_it_touch",
            f"a gauge cannot touch {told['touches']}; say piston_1, inlet_2 or exhaust_3, with the cylinder's own number.",
        )
    settings, facts = _part(told, "settings"), _part(told, "facts")
    fields: dict[str, Any] = {"touches": told.get("touches"), "gauge": told.get("gauge")}
    kind, model = ("tdc", TdcAsked) if str(told.get("touches")).startswith("piston") else ("lobe", LobeAsked)
    known = {
        name: value for name, value in settings.items() if name in model.model_fields and value is not None
    }
    fields |= {kind: known or None, "lag_s": facts.get("lag_s"), "lag_u_s": facts.get("lag_u_s")}
    try:
        return MeasurementAsked.model_validate(fields)
    except ValidationError as error:
        raise MisuseError("bad_import", in_one_sentence(error.errors())) from None


def import_told(
    path: Path, touches: str | None, gauge: str | None, shop: ShopStore, data_dir: Path
) -> Measurement:
    """Take a trace file into the shop; what a person says of it goes before what it says itself.

    Raises
    ------
    TraceFileError, MisuseError, ConflictError
        As `import_trace`.
    """
    read_trace(path)
    said = {name: value for name, value in (("touches", touches), ("gauge", gauge)) if value is not None}
    return import_trace(path, asked_of(told_by_file(path) | said), shop, data_dir)


def import_trace(
    path: Path, asked: MeasurementAsked, shop: ShopStore, data_dir: Path, job_id: int | None = None
) -> Measurement:
    """Take a trace file into the shop, measured as asked; for a job, if one is named.

    Raises
    ------
    TraceFileError, MisuseError
        The file cannot be read, or has no such gauge.
    ConflictError
        The very same trace is there already.
    """
    with taking_in(shop, data_dir) as intake:
        intake.refuse_without_room(path.stat().st_size)
        part = intake.folder / "trace.csv"
        shutil.copyfile(path, part)
        trace, mark = read_trace(part), mark_of(part)
        gauge = _chosen_gauge(asked.gauge, sorted(trace.gauges))
        measurements = MeasurementReader(shop.read)
        intake.put_back(shop.read, mark, part)
        _refuse_twin(measurements, mark, asked.touches)
        interval = interval_of(trace, gauge)
        planned = _planned(asked, gauge, intake.new_name(mark), interval, told_by_file(part))
        outcome = estimate(interval.streams(), planned.analysis_settings(), planned.gauge_facts())
        measured = replace(_with(planned, outcome), job_id=job_id)
        measured.view().model_dump_json()
        measurement = measurements.get(shop.write(_taking_in(measured, mark, part, intake)))
    KeptDrawings(data_dir).keep(measurement, interval, outcome)
    return measurement


def _taking_in(measured: Measurement, mark: str, part: Path, intake: Intake) -> Callable[[Database], int]:
    """Give the one change that takes a measured trace in, its file with it."""

    def change(db: Database) -> int:
        """Put it in place and write it down, or neither."""
        _refuse_twin(MeasurementReader(WithinChange(db)), mark, measured.touches)
        number = adding(measured)(db)
        intake.place({measured.imported_file or "": part})
        return number

    return change


def _refuse_twin(measurements: MeasurementReader, mark: str, touches: str) -> None:
    twin = measurements.imported(mark, touches)
    if twin is not None:
        raise ConflictError("already_imported", f"this trace is there already, as number {twin.id}.")


def _chosen_gauge(asked: str | None, gauges: list[str]) -> str:
    gauge = asked or (gauges[0] if len(gauges) == 1 else None)
    if gauge is None or gauge not in gauges:
        raise MisuseError(
            "which_gauge", f"the file has the gauges {', '.join(gauges)}; say which it is about."
        )
    return gauge


def _planned(
    asked: MeasurementAsked, gauge: str, name: str, interval: StoredInterval, told: dict[str, Any]
) -> Measurement:
    """The row as it will be kept: what the file states goes before what is usual."""
    settings = (asked.tdc or TdcAsked()) if asked.kind == "tdc" else (asked.lobe or LobeAsked())
    facts = _known_marks(told) if _part(told, "facts") else USUAL_FACTS
    return Measurement(
        id=0,
        what=asked.kind,
        touches=asked.touches,
        gauge=gauge,
        start_ns=interval.start_ns,
        end_ns=int(max(interval.crank_t_ns[-1], interval.gauge_t_ns[-1])),
        state="finished",
        started_at=_moment_in(told, "started_at"),
        ended_at=_moment_in(told, "ended_at"),
        imported_file=name,
        settings=settings.model_dump(exclude_none=True)
        | _numbers(USUAL_SETTINGS | _encoder_in(told), SETTINGS),
        facts={"lag_s": asked.lag_s, "lag_u_s": asked.lag_u_s} | _numbers(facts, FACTS),
        program=PROGRAM,
    )


def _encoder_in(told: dict[str, Any]) -> dict[str, Any]:
    """What the file says of its encoder; a limit that somebody stated is not a supposed one."""
    settings = _part(told, "settings")
    return {"encoder_supposed": False} | settings if "encoder_error_deg" in settings else {}


def _part(told: dict[str, Any], name: str) -> dict[str, Any]:
    part = told.get(name)
    return part if isinstance(part, dict) else {}


def _known_marks(told: dict[str, Any]) -> dict[str, Any]:
    """Give what the file says of its gauge, where that can be; it is of use to this measurement alone."""
    try:
        return GaugeInFile.model_validate(_part(told, "facts")).model_dump()
    except ValidationError as error:
        raise MisuseError("bad_import", in_one_sentence(error.errors())) from None


def _moment_in(told: dict[str, Any], name: str) -> str:
    """Give a time that the file tells, or now where it tells none that can be read."""
    try:
        return (
            dt.datetime.fromisoformat(str(told[name])).astimezone(dt.UTC).isoformat(timespec="milliseconds")
        )
    except (KeyError, ValueError, OverflowError):
        return now_text()


def _numbers(told: dict[str, Any], names: tuple[str, ...]) -> dict[str, Any]:
    """Take over what a file says of the instruments, as far as these are numbers that can be."""
    return {
        name: told[name] if isinstance(told[name], bool) else float(told[name])
        for name in names
        if isinstance(told.get(name), (int, float)) and 0.0 <= told[name] < MOST_OF_ANY
    }


def _with(planned: Measurement, outcome: FitOutcome) -> Measurement:
    return replace(
        planned,
        state="finished" if outcome.result is not None else "refused",
        result=outcome.result,
        detail=outcome.detail,
        error=outcome.error,
        sentence=outcome.sentence,
    )
