"""Engines, cam cards, jobs and their facts in ``shop.db``."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, TypeVar, cast

from sqlite_utils import Database

from analysis.base import EntryError, from_plain, to_plain
from analysis.timing import CamCard, Engine, Fact, Job, payload_from_plain
from api.base import NotFoundError
from api.records.measurement_store import now_text
from api.records.version_store import change_kept, put_back
from api.store import FILE_NAME, Asking, Row, damaged, note_first

T = TypeVar("T")
Fields = dict[str, Any]
"""Answers a question; from a reader, or from within a change."""


@dataclass(frozen=True, slots=True)
class Kept:
    """An engine or a card as the shop keeps it."""

    id: int
    at: str
    by: str
    body: Engine | CamCard


@dataclass(frozen=True, slots=True)
class JobRow:
    """A job as it is kept; `now_step` to `signed_by` repeat what its facts say, for lists."""

    id: int
    job: Job
    at: str
    by: str
    changed_at: str
    engine_id: int | None = None
    card_id: int | None = None
    now_step: str = ""
    now_title: str = ""
    signed_at: str = ""
    signed_by: str = ""
    facts_from_elsewhere: int = 0
    """So many of its facts came with a job file: they tell nothing of this bench."""


@dataclass(frozen=True, slots=True)
class Adoption:
    """What became of a finished measurement of a job: a fact, or a sentence why not."""

    measurement_id: int
    fact: int | None
    step: str
    code: str
    sentence: str


@dataclass(frozen=True, slots=True)
class GuideStage:
    """How far the guide is inside a step; `body` holds what was noted when the stage began."""

    step: str
    stage: str
    body: Fields


class JobReader:
    """Questions about engines, cards, jobs and facts."""

    def __init__(self, read: Asking) -> None:
        self._ask = read.rows

    def on_file(self, table: str) -> list[Kept]:
        """Give all of the ``engines`` or the ``cards`` that are not put away, newest first."""
        return self._kept(table, "WHERE retired_at IS NULL ORDER BY id DESC", ())

    def engine(self, number: int) -> Engine:
        """Give one engine; raises `NotFoundError`."""
        return cast("Engine", self.kept("engines", number).body)

    def card(self, number: int) -> CamCard:
        """Give one card; raises `NotFoundError`."""
        return cast("CamCard", self.kept("cards", number).body)

    def kept(self, table: str, number: int) -> Kept:
        """Give one of the ``engines`` or the ``cards``; raises `NotFoundError`."""
        word = {"engines": "engine", "cards": "cam card"}[table]
        found = self._kept(table, "WHERE id = ?", (number,))
        if not found:
            raise NotFoundError(f"no_such_{table[:-1]}", f"There is no {word} {number}; see the list.")
        return found[0]

    def _kept(self, table: str, where: str, values: tuple[Any, ...]) -> list[Kept]:
        kind: type[Any] = Engine if table == "engines" else CamCard
        rows = self._ask(f"SELECT * FROM {table} {where}", values)
        return [
            Kept(
                row["id"], row["at"], row["by"], _kept_as(lambda plain: from_plain(kind, plain), row["body"])
            )
            for row in rows
        ]

    def job(self, number: int) -> JobRow:
        """Give one job; raises `NotFoundError`."""
        found = self._jobs("WHERE id = ? AND deleted_at IS NULL", (number,))
        if not found:
            raise NotFoundError("no_such_job", f"There is no job {number}; see the list of jobs.")
        return found[0]

    def jobs(self, words: str = "", limit: int = 100, before: int | None = None) -> list[JobRow]:
        """Give the jobs changed last, first: those with every word in reference, customer or body.

        Parameters
        ----------
        before
            Only those that stand behind this job.
        """
        where, values = ["deleted_at IS NULL"], list[Any]()
        for word in words.split():
            where.append("reference || ' ' || customer || ' ' || body LIKE ? ESCAPE '~'")
            values.append(f"%{_literally(word)}%")
        if before is not None:
            where.append("(changed_at, id) < (SELECT changed_at, id FROM jobs WHERE id = ?)")
            values.append(before)
        found = f"WHERE {' AND '.join(where)} ORDER BY changed_at DESC, id DESC LIMIT ?"
        return self._jobs(found, (*values, limit))

    def begun_at(self, moment: str) -> list[JobRow]:
        """Give the jobs that were begun at a moment, here or elsewhere."""
        return self._jobs("WHERE deleted_at IS NULL AND at = ? ORDER BY id", (moment,))

    def before_on_engine(self, row: JobRow) -> list[JobRow]:
        """Give the jobs on the same engine that were begun before one, the last of them first."""
        return self._jobs(
            "WHERE deleted_at IS NULL AND engine_id = ? AND id != ? AND at <= ? ORDER BY at DESC, id DESC",
            (row.engine_id, row.id, row.at),
        )

    def _jobs(self, where: str, values: tuple[Any, ...]) -> list[JobRow]:
        return [_job_row(row) for row in self._ask(f"SELECT * FROM jobs {where}", values)]

    def facts(self, job_id: int) -> list[Fact]:
        """Give what happened in a job, in order."""
        rows = self._ask("SELECT * FROM job_facts WHERE job_id = ? ORDER BY number", (job_id,))
        return [
            Fact(row["number"], row["at"], row["by"], _kept_as(payload_from_plain, row["what"]))
            for row in rows
        ]

    def sources(self, job_id: int) -> dict[int, Fields]:
        """Give, by the fact's number, what facts were computed from, where they were."""
        rows = self._ask(
            "SELECT number, source FROM job_facts WHERE job_id = ? AND source IS NOT NULL ORDER BY number",
            (job_id,),
        )
        return {row["number"]: _kept_as(dict, row["source"]) for row in rows}

    def adoptions(self, job_id: int) -> list[Adoption]:
        """Give what became of the job's finished measurements."""
        rows = self._ask("SELECT * FROM job_adoptions WHERE job_id = ? ORDER BY measurement_id", (job_id,))
        return [
            Adoption(
                row["measurement_id"], row["fact"], row["step"] or "", row["code"] or "", row["sentence"]
            )
            for row in rows
        ]

    def active(self) -> int | None:
        """Give the job that the bench serves, `None` if there is none."""
        rows = self._ask(
            "SELECT job_id FROM active_job JOIN jobs ON jobs.id = job_id"
            " WHERE active_job.id = 1 AND deleted_at IS NULL",
            (),
        )
        return rows[0]["job_id"] if rows else None

    def stage(self, job_id: int) -> GuideStage | None:
        """Give how far the guide is inside a step."""
        rows = self._ask("SELECT * FROM guide_stages WHERE job_id = ?", (job_id,))
        return (
            GuideStage(rows[0]["step"], rows[0]["stage"], _kept_as(dict, rows[0]["body"])) if rows else None
        )


def _literally(word: str) -> str:
    """What stands for anything in a pattern stands for itself."""
    return word.replace("~", "~~").replace("%", "~%").replace("_", "~_")


def _job_row(row: Row) -> JobRow:
    words = {name: row[name] or "" for name in ("now_step", "now_title", "signed_at", "signed_by")}
    return JobRow(
        row["id"],
        _kept_as(lambda plain: from_plain(Job, plain), row["body"]),
        row["at"],
        row["by"],
        row["changed_at"],
        row["engine_id"],
        row["card_id"],
        **words,
        facts_from_elsewhere=row.get("facts_from_elsewhere") or 0,
    )


def _kept_as(read: Callable[[Any], T], text: str) -> T:
    """Read what was kept as JSON; raises `StoreError` where that is no longer what was kept."""
    try:
        return read(json.loads(text))
    except (ValueError, TypeError, EntryError) as error:
        raise damaged(Path(FILE_NAME), f"a row of it cannot be read: {error}") from None


def as_text(value: object, kind: Any = None) -> str:
    """Give a frozen value as JSON text; every digit of a number is kept."""
    return json.dumps(to_plain(value, kind), allow_nan=False, ensure_ascii=False)


def insert(db: Database, table: str, row: Row) -> int:
    """Add one row and give its number."""
    names, marks = ", ".join(row), ", ".join(f":{name}" for name in row)
    cursor = db.execute(f"INSERT INTO {table} ({names}) VALUES ({marks})", row)
    return cast("int", cursor.lastrowid)


def keep(db: Database, body: Engine | CamCard, by: str) -> int:
    """Keep an engine or a card; one that is on the list to the last digit is not kept twice."""
    table = "engines" if isinstance(body, Engine) else "cards"
    twin = _number(db, f"SELECT id FROM {table} WHERE body = ? AND retired_at IS NULL", (as_text(body),))
    if twin is None:
        twin = put_back(db, table, as_text(body))
    if twin is not None:
        return twin
    row = {"name": body.name, "body": as_text(body), "at": now_text(), "by": by}
    number = insert(db, table, row)
    note_first(db, table, row | {"id": number})
    return number


def change(db: Database, number: int, body: Engine | CamCard, by: str, seen: str) -> None:
    """Keep another version of an engine or a card; raises `ConflictError`."""
    table = "engines" if isinstance(body, Engine) else "cards"
    change_kept(db, table, number, body.name, as_text(body), by, seen)


def put_away(db: Database, table: str, number: int) -> None:
    """Take an engine or a card off the list; jobs that were made with it hold their own copy."""
    db.execute(f"UPDATE {table} SET retired_at = ? WHERE id = ?", (now_text(), number))


def keep_job(
    db: Database,
    job: Job,
    engine_id: int | None,
    card_id: int | None,
    by: str,
    begun_at: str = "",
    facts_from_elsewhere: int = 0,
) -> int:
    """Keep a job with its own copy of the engine and the card; `begun_at` where it was begun before."""
    now = now_text()
    row = {"reference": job.reference, "customer": job.customer, "builder": job.builder, "body": as_text(job)}
    return insert(
        db,
        "jobs",
        row
        | {
            "engine_id": engine_id,
            "card_id": card_id,
            "at": begun_at or now,
            "by": by,
            "changed_at": now,
            "facts_from_elsewhere": facts_from_elsewhere,
        },
    )


def job_just_begun(db: Database, job: Job, engine_id: int | None, card_id: int | None) -> int | None:
    """Give the job that was begun with exactly this and in which nothing was done yet, if there is one."""
    return _number(
        db,
        "SELECT id FROM jobs WHERE body = ? AND engine_id IS ? AND card_id IS ? AND deleted_at IS NULL"
        " AND NOT EXISTS (SELECT 1 FROM job_facts WHERE job_id = jobs.id)"
        " AND NOT EXISTS (SELECT 1 FROM measurements WHERE job_id = jobs.id)",
        (as_text(job), engine_id, card_id),
    )


def _number(db: Database, sql: str, values: tuple[Any, ...]) -> int | None:
    row = db.execute(sql, values).fetchone()
    return None if row is None else int(row[0])


def add_fact(db: Database, job_id: int, fact: Fact, source: Fields | None) -> None:
    """Add a fact to a job's list."""
    insert(
        db,
        "job_facts",
        {
            "job_id": job_id,
            "number": fact.number,
            "at": fact.at,
            "by": fact.by,
            "kind": fact.what.kind,
            "what": as_text(fact.what, type(fact.what)),
            "source": None if source is None else json.dumps(source, allow_nan=False, ensure_ascii=False),
        },
    )


@dataclass(frozen=True, slots=True)
class JobStanding:
    """Where a job stands, as it is written beside it for lists."""

    now_step: str
    now_title: str
    signed_at: str
    signed_by: str


def tell_standing(db: Database, job_id: int, standing: JobStanding) -> None:
    """Write beside the job where it stands, for lists."""
    db.execute(
        "UPDATE jobs SET now_step = :now_step, now_title = :now_title, signed_at = :signed_at,"
        " signed_by = :signed_by, changed_at = :at WHERE id = :id",
        asdict(standing) | {"at": now_text(), "id": job_id},
    )


def adopt(db: Database, job_id: int, adoption: Adoption) -> None:
    """Write down what became of a finished measurement."""
    insert(
        db,
        "job_adoptions",
        {
            "measurement_id": adoption.measurement_id,
            "job_id": job_id,
            "fact": adoption.fact,
            "step": adoption.step,
            "code": adoption.code,
            "sentence": adoption.sentence,
            "at": now_text(),
        },
    )


def make_active(db: Database, job_id: int, by: str) -> None:
    """Let the bench serve this job."""
    db.execute("DELETE FROM active_job")
    insert(db, "active_job", {"id": 1, "job_id": job_id, "at": now_text(), "by": by})


def make_none_active(db: Database) -> None:
    """Let the bench serve no job."""
    db.execute("DELETE FROM active_job")


def set_stage(db: Database, job_id: int, stage: GuideStage | None, by: str = "") -> None:
    """Remember how far the guide is inside a step, or forget it."""
    db.execute("DELETE FROM guide_stages WHERE job_id = ?", (job_id,))
    if stage is not None:
        body = json.dumps(stage.body, allow_nan=False)
        row = {"job_id": job_id, "step": stage.step, "stage": stage.stage, "body": body}
        insert(db, "guide_stages", row | {"at": now_text(), "by": by})


def delete_job(db: Database, job_id: int, by: str) -> None:
    """Take a job off the list; what was measured for it stays."""
    db.execute("UPDATE jobs SET deleted_at = ?, deleted_by = ? WHERE id = ?", (now_text(), by, job_id))
    db.execute("DELETE FROM active_job WHERE job_id = ?", (job_id,))
    db.execute("DELETE FROM guide_stages WHERE job_id = ?", (job_id,))
