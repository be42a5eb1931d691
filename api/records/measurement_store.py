"""Measurements in ``shop.db``: one row each, from the first reading to the result."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Callable
from dataclasses import asdict, dataclass, field, fields
from pathlib import Path
from typing import Any, Literal, cast

from sqlite_utils import Database

from analysis.base import GaugeFacts, LobeSettings, TdcSettings
from api.base import ConflictError, MeasurementView, NotFoundError
from api.store import FILE_NAME, Asking, Row, ShopStore, damaged

What = Literal["tdc", "lobe"]
State = Literal["running", "finished", "refused", "discarded"]
Fields = dict[str, Any]
JSON_COLUMNS = ("settings", "facts", "result", "detail", "error")


@dataclass(frozen=True, slots=True)
class Measurement:
    """A measurement as it is kept.

    Attributes
    ----------
    run_id
        The run of the stream store that the interval lies on; `None` for an imported trace.
    imported_file
        Name of the trace file in the data folder that an import brought.
    start_ns, end_ns
        The interval on capture's monotonic clock; `end_ns` is `None` while it runs.
    settings, facts
        Fields of `TdcSettings` or `LobeSettings`, and of `GaugeFacts`, with where they came from.
    result, detail
        Fields of ``lobewright measure --json``, and what else the fit knows.
    """

    id: int
    what: What
    touches: str
    gauge: str
    start_ns: int
    state: State
    started_at: str
    job_id: int | None = None
    run_id: int | None = None
    imported_file: str | None = None
    end_ns: int | None = None
    ended_at: str | None = None
    settings: Fields = field(default_factory=dict)
    facts: Fields = field(default_factory=dict)
    result: Fields | None = None
    detail: Fields | None = None
    error: Fields | None = None
    sentence: str = ""
    program: str = ""

    @property
    def begun_by_itself(self) -> bool:
        """Whether it began by itself when the crank was turned."""
        return bool(self.settings.get("begun_by_itself", False))

    @property
    def ends_by_itself(self) -> bool:
        """Whether it ends by itself once there is enough and the crank rests."""
        return bool(self.settings.get("ends_by_itself", False))

    def view(self) -> MeasurementView:
        """Give what a screen shows."""
        return MeasurementView.model_validate(self, from_attributes=True)

    def analysis_settings(self) -> TdcSettings | LobeSettings:
        """Give what the estimator is asked."""
        own = self.settings
        if self.what == "tdc":
            # What was kept before the side was asked says nothing of it.
            side_known = bool(own.get("pin_side_known", False)) or not own.get("pin_offset_mm")
            return TdcSettings(
                own.get("stroke_mm"),
                own.get("rod_mm"),
                own.get("pin_offset_mm"),
                pin_side_known=side_known,
                encoder_error_deg=own.get("encoder_error_deg", 0.0),
            )
        names = ("tdc_deg", "tdc_u_deg", "drop_mm", "encoder_error_deg", "encoder_supposed", "forward_only")
        asked: Fields = {name: own[name] for name in names if name in own}
        if own.get("check_lifts_mm"):
            asked["check_lifts_mm"] = tuple(own["check_lifts_mm"])
        return LobeSettings(**asked)

    def gauge_facts(self) -> GaugeFacts:
        """Give what was known of the gauge."""
        return GaugeFacts(**{one.name: self.facts.get(one.name) for one in fields(GaugeFacts)})


def now_text() -> str:
    """Give the wall clock as ISO 8601, UTC."""
    return dt.datetime.now(dt.UTC).isoformat(timespec="milliseconds")


class MeasurementReader:
    """Questions about measurements."""

    def __init__(self, read: Asking) -> None:
        self._read = read

    def get(self, number: int) -> Measurement:
        """Give one; raises `NotFoundError`."""
        row = self._read.row("SELECT * FROM measurements WHERE id = ?", (number,))
        if row is None:
            raise NotFoundError("no_such_measurement", f"There is no measurement {number}.")
        return _from_row(row)

    def running(self) -> list[Measurement]:
        """Give those that have not ended."""
        return self._many("WHERE state = 'running' ORDER BY id")

    def listed(
        self,
        *,
        state: str | None = None,
        job_id: int | None = None,
        limit: int = 100,
        before: int | None = None,
    ) -> list[Measurement]:
        """Give the newest first; discarded ones only when asked for by state."""
        return self._many(
            "WHERE (state = :state OR (:state IS NULL AND state != 'discarded'))"
            " AND (:job IS NULL OR job_id = :job) AND (:before IS NULL OR id < :before)"
            " ORDER BY id DESC LIMIT :limit",
            {"state": state, "job": job_id, "before": before, "limit": limit},
        )

    def last_tdc(
        self,
        run_id: int | None = None,
        gauge: str | None = None,
        *,
        touches: str | None = None,
        after_ns: int = -1,
    ) -> Measurement | None:
        """Give the last true TDC measured at this bench, on one run, with one gauge, or with any.

        On one piston, if `touches` says so; begun after an instant of its run.

        What was imported was measured at another bench, whatever its gauge is called.
        """
        found = self._many(
            "WHERE what = 'tdc' AND state = 'finished' AND run_id IS NOT NULL AND imported_file IS NULL"
            " AND (:run IS NULL OR run_id = :run) AND (:gauge IS NULL OR gauge = :gauge)"
            " AND (:touches IS NULL OR touches = :touches) AND start_ns > :after"
            " ORDER BY id DESC LIMIT 1",
            {"run": run_id, "gauge": gauge, "touches": touches, "after": after_ns},
        )
        return found[0] if found else None

    def imported(self, mark: str, touches: str) -> Measurement | None:
        """Give the import of a trace whose files' names begin with `mark`, if there is one."""
        found = self._many(
            "WHERE substr(imported_file, 1, length(:mark)) = :mark AND touches = :touches"
            " AND state != 'discarded' LIMIT 1",
            {"mark": mark, "touches": touches},
        )
        return found[0] if found else None

    def _many(self, where: str, values: Fields | None = None) -> list[Measurement]:
        rows = self._read.rows(f"SELECT * FROM measurements {where}", values or {})
        return [_from_row(row) for row in rows]


class MeasurementStore(MeasurementReader):
    """Questions about measurements, and their changes."""

    def __init__(self, store: ShopStore) -> None:
        super().__init__(store.read)
        self._store = store

    async def add(self, measurement: Measurement) -> Measurement:
        """Keep a new one; its `id` is given by the store."""
        number = await self._store.change(adding(measurement))
        return self.get(number)

    async def end(self, number: int, state: State, changes: Fields) -> Measurement:
        """Turn a running one into an ended one; raises `ConflictError` if another was faster."""
        await self._store.change(
            lambda db: _end(db, number, {"state": state, "ended_at": now_text()} | changes)
        )
        return self.get(number)

    async def name(self, number: int, touches: str) -> Measurement:
        """Say what a gauge touched that was not told when it began: another valve's name, the same kind of number."""
        await self._store.change(
            lambda db: db.execute("UPDATE measurements SET touches = ? WHERE id = ?", (touches, number))
        )
        return self.get(number)

    async def take_back(self, number: int, why: str) -> Measurement:
        """Let a number that was kept count no more; its readings stay stored."""
        await self._store.change(
            lambda db: db.execute(
                "UPDATE measurements SET state = 'discarded', sentence = ?"
                " WHERE id = ? AND state IN ('finished', 'refused')",
                (why, number),
            )
        )
        return self.get(number)


def adding(measurement: Measurement) -> Callable[[Database], int]:
    """Give the change that keeps a new measurement and returns its number."""
    row = _to_row(asdict(measurement))
    row.pop("id")

    def change(db: Database) -> int:
        """Add the row; gives its number."""
        names = ", ".join(row)
        marks = ", ".join(f":{name}" for name in row)
        cursor = db.execute(f"INSERT INTO measurements ({names}) VALUES ({marks})", row)
        return cast("int", cursor.lastrowid)

    return change


def _end(db: Database, number: int, changes: Fields) -> None:
    names = ", ".join(f"{name} = :{name}" for name in changes)
    cursor = db.execute(
        f"UPDATE measurements SET {names} WHERE id = :id AND state = 'running'",
        _to_row(changes) | {"id": number},
    )
    if cursor.rowcount != 1:
        raise ConflictError(
            "already_ended", f"Measurement {number} has ended already; another screen was faster."
        )


def _to_row(fields: Fields) -> Row:
    return {
        name: json.dumps(value, allow_nan=False) if name in JSON_COLUMNS and value is not None else value
        for name, value in fields.items()
    }


def _from_row(row: Row) -> Measurement:
    there = {name: value for name, value in row.items() if value is not None}
    try:
        read = {name: json.loads(there[name]) for name in JSON_COLUMNS if name in there}
    except ValueError as error:
        raise damaged(Path(FILE_NAME), f"measurement {row['id']} cannot be read: {error}") from None
    return Measurement(**there | read)


def trace_name(measurement: Measurement) -> str:
    """Name the trace file of a measurement."""
    return f"trace-{measurement.id:05d}-{measurement.touches}.csv"


def trace_comments(measurement: Measurement) -> list[str]:
    """Say in comments what the trace is; the last line is what an import reads back."""
    known = {
        name: getattr(measurement, name)
        for name in ("what", "touches", "gauge", "started_at", "ended_at", "settings", "facts")
    }
    return [
        f"Lobewright trace {measurement.id}: {measurement.touches}, begun {measurement.started_at}",
        "measurement " + json.dumps(known, allow_nan=False),
    ]
