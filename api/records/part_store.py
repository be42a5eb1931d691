"""What was told of parts beside the cams, in ``shop.db``: a row each, whether a job was open or not."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any, cast

from sqlite_utils import Database

from analysis.base import EntryError, from_plain, to_plain
from analysis.timing import PartMeasured
from api.base import NotFoundError
from api.store import FILE_NAME, Asking, Row, damaged

Fields = dict[str, Any]
JSON_COLUMNS = ("measured", "entry", "facts", "told")


@dataclass(frozen=True, slots=True)
class ToldPart:
    """What was told of one part.

    Attributes
    ----------
    measured
        The part, its figures, the maker's limits that were typed and what came of them.
    job_id, fact
        The job that was open, and its entry where the part was named.
    run_id, start_ns, end_ns
        The readings it was told from, on a run of the stream store; `None` where all of it was typed.
    entry, facts
        What was typed, and what was known of the gauge and of true TDC: it can be computed again from them.
    told
        All that was answered, the curve with it.
    thrown_at
        When it was thrown away; it stays here and is no longer listed.
    """

    id: int
    at: str
    measured: PartMeasured
    entry: Fields
    told: Fields
    job_id: int | None = None
    fact: int | None = None
    run_id: int | None = None
    start_ns: int | None = None
    end_ns: int | None = None
    facts: Fields = field(default_factory=dict)
    thrown_at: str = ""
    program: str = ""


class PartReader:
    """Questions about what was told of parts."""

    def __init__(self, read: Asking) -> None:
        self._read = read

    def get(self, number: int) -> ToldPart:
        """Give one; raises `NotFoundError`."""
        row = self._read.row("SELECT * FROM parts WHERE id = ?", (number,))
        if row is None:
            raise NotFoundError("no_such_part", f"There is no result {number} of a part.")
        return _from_row(row)

    def listed(
        self, *, job_id: int | None = None, limit: int = 100, before: int | None = None
    ) -> list[ToldPart]:
        """Give the newest first, without those that were thrown away."""
        rows = self._read.rows(
            "SELECT * FROM parts WHERE coalesce(thrown_at, '') = '' AND (:job IS NULL OR job_id = :job)"
            " AND (:before IS NULL OR id < :before) ORDER BY id DESC LIMIT :limit",
            {"job": job_id, "before": before, "limit": limit},
        )
        return [_from_row(row) for row in rows]


def keeping_part(part: ToldPart) -> Callable[[Database], int]:
    """Give the change that keeps it and returns its number; its `id` is given by the store."""
    row = asdict(part) | {"measured": to_plain(part.measured, PartMeasured), "gauge": part.measured.gauge}
    row.pop("id")

    def change(db: Database) -> int:
        """Add the row, lists and tables as text; gives its number."""
        names = ", ".join(row)
        marks = ", ".join(f":{name}" for name in row)
        written = {name: _as_text(value) if name in JSON_COLUMNS else value for name, value in row.items()}
        return cast("int", db.execute(f"INSERT INTO parts ({names}) VALUES ({marks})", written).lastrowid)

    return change


def naming_part(number: int, measured: PartMeasured, fact: int | None = None) -> Callable[[Database], None]:
    """Give the change that names one that was kept without a name, and says which entry of its job it now is."""

    def change(db: Database) -> None:
        """Set what was measured, and the fact that tells it."""
        db.execute(
            "UPDATE parts SET measured = ?, fact = ? WHERE id = ?",
            (_as_text(to_plain(measured, PartMeasured)), fact, number),
        )

    return change


def throwing_away(number: int, at: str) -> Callable[[Database], None]:
    """Give the change that takes one off the list; thrown away twice, the first time counts."""

    def change(db: Database) -> None:
        """Throw it away, once."""
        db.execute(
            "UPDATE parts SET thrown_at = ? WHERE id = ? AND coalesce(thrown_at, '') = ''", (at, number)
        )

    return change


def _as_text(value: object) -> str:
    return json.dumps(value, allow_nan=False, ensure_ascii=False)


def _from_row(row: Row) -> ToldPart:
    there = {name: value for name, value in row.items() if value is not None and name != "gauge"}
    try:
        read = {name: json.loads(there[name]) for name in JSON_COLUMNS if name in there}
        read["measured"] = from_plain(PartMeasured, read["measured"])
    except (ValueError, KeyError, TypeError, EntryError) as error:
        raise damaged(Path(FILE_NAME), f"what was told of part {row['id']} cannot be read: {error}") from None
    return ToldPart(**there | read)
