"""Trace files brought into the shop: checked, measured, kept beside the readings that capture stored."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from hashlib import file_digest
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from api.base import ConflictError, MisuseError, in_one_sentence
from api.live import PROGRAM, FitOutcome, estimate
from api.measure import KeptDrawings, LobeAsked, MeasurementAsked, TdcAsked
from api.store import (
    IMPORTED_FOLDER,
    Measurement,
    MeasurementReader,
    ShopStore,
    StoredInterval,
    StoredStreams,
    adding,
    now_text,
    read_trace,
)

MARK = "# measurement "
LOOKED_AT_LINES = 50


def told_by_file(path: Path) -> dict[str, Any]:
    """Give what an exported trace file says of itself in a comment; empty for files of other programs."""
    with path.open(encoding="utf-8", errors="replace") as file:
        for _, line in zip(range(LOOKED_AT_LINES), file, strict=False):
            if line.startswith(MARK):
                try:
                    told = json.loads(line.removeprefix(MARK))
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
    settings, facts = told.get("settings") or {}, told.get("facts") or {}
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


def import_trace(path: Path, asked: MeasurementAsked, shop: ShopStore, data_dir: Path) -> Measurement:
    """Take a trace file into the shop, measured as asked.

    Raises
    ------
    TraceFileError, MisuseError
        The file cannot be read, or has no such gauge.
    ConflictError
        The very same trace is there already.
    """
    gauges = sorted(read_trace(path).gauges)
    gauge = asked.gauge or (gauges[0] if len(gauges) == 1 else None)
    if gauge not in gauges:
        raise MisuseError(
            "which_gauge", f"the file has the gauges {', '.join(gauges)}; say which it is about."
        )
    measurements = MeasurementReader(shop.read)
    name = _kept_name(path)
    twin = measurements.imported(name, asked.touches)
    if twin is not None:
        raise ConflictError("already_imported", f"this trace is there already, as number {twin.id}.")
    folder = data_dir / IMPORTED_FOLDER
    folder.mkdir(exist_ok=True)
    shutil.copyfile(path, folder / name)
    interval = StoredStreams(data_dir).of_file(name, gauge)
    planned = _planned(asked, gauge, name, interval, told_by_file(path))
    outcome = estimate(interval.streams(), planned.analysis_settings(), planned.gauge_facts())
    measurement = measurements.get(shop.write(adding(_with(planned, outcome))))
    KeptDrawings(data_dir).keep(measurement, interval, outcome)
    return measurement


def _kept_name(path: Path) -> str:
    with path.open("rb") as file:
        return f"{file_digest(file, 'sha256').hexdigest()[:20]}.csv"


def _planned(
    asked: MeasurementAsked, gauge: str, name: str, interval: StoredInterval, told: dict[str, Any]
) -> Measurement:
    settings = (asked.tdc or TdcAsked()) if asked.kind == "tdc" else (asked.lobe or LobeAsked())
    facts = told.get("facts") or {}
    return Measurement(
        id=0,
        what=asked.kind,
        touches=asked.touches,
        gauge=gauge,
        start_ns=interval.start_ns,
        end_ns=int(max(interval.crank_t_ns[-1], interval.gauge_t_ns[-1])),
        state="finished",
        started_at=str(told.get("started_at") or now_text()),
        ended_at=str(told.get("ended_at") or now_text()),
        imported_file=name,
        settings=settings.model_dump(exclude_none=True),
        facts={
            "lag_s": asked.lag_s,
            "lag_u_s": asked.lag_u_s,
            "step_mm": facts.get("step_mm"),
            "error_mm": facts.get("error_mm"),
        },
        program=PROGRAM,
    )


def _with(planned: Measurement, outcome: FitOutcome) -> Measurement:
    return replace(
        planned,
        state="finished" if outcome.result is not None else "refused",
        result=outcome.result,
        detail=outcome.detail,
        error=outcome.error,
        sentence=outcome.sentence,
    )
