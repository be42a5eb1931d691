"""The tables of engines, cam cards, jobs and what happened in them; created by a migration of `shop.db`."""

from __future__ import annotations

from sqlite_utils import Database

from api.store.changes import list_changes


def create_job_tables(db: Database) -> None:
    """Create the tables; bodies are JSON as `analysis.plain` writes it, so nothing loses a digit.

    ``job_facts`` is the list of a job: rows are added and never changed. ``job_adoptions`` says what became
    of a finished measurement; ``active_job`` (one row) which job the bench serves; ``guide_stages`` how far
    the guide is inside a step, so that a restart goes on where it was.
    """
    for table in ("engines", "cards"):
        db.table(table).create(
            {"id": int, "name": str, "body": str, "at": str, "by": str, "retired_at": str},
            pk="id",
            not_null={"name", "body", "at", "by"},
            strict=True,
        )
        db.table(table).create_index(["name"])
    _create_jobs(db)
    _create_facts(db)
    _create_bench_tables(db)


def _create_jobs(db: Database) -> None:
    db.table("jobs").create(
        {
            "id": int,
            "reference": str,
            "customer": str,
            "builder": str,
            "engine_id": int,
            "card_id": int,
            "body": str,
            "at": str,
            "by": str,
            "now_step": str,
            "now_title": str,
            "signed_at": str,
            "signed_by": str,
            "changed_at": str,
            "deleted_at": str,
            "deleted_by": str,
        },
        pk="id",
        not_null={"reference", "body", "at", "by", "changed_at"},
        strict=True,
    )
    db.table("jobs").create_index(["changed_at"])
    db.table("jobs").create_index(["reference"])


def _create_facts(db: Database) -> None:
    db.table("job_facts").create(
        {
            "job_id": int,
            "number": int,
            "at": str,
            "by": str,
            "kind": str,
            "what": str,
            "source": str,
        },
        pk=("job_id", "number"),
        not_null={"at", "by", "kind", "what"},
        strict=True,
    )
    db.table("job_adoptions").create(
        {
            "measurement_id": int,
            "job_id": int,
            "fact": int,
            "step": str,
            "code": str,
            "sentence": str,
            "at": str,
        },
        pk="measurement_id",
        not_null={"job_id", "at", "sentence"},
        strict=True,
    )
    db.table("job_adoptions").create_index(["job_id"])


def _create_bench_tables(db: Database) -> None:
    db.table("active_job").create(
        {"id": int, "job_id": int, "at": str, "by": str}, pk="id", not_null={"job_id", "at"}, strict=True
    )
    db.table("guide_stages").create(
        {"job_id": int, "step": str, "stage": str, "body": str, "at": str, "by": str},
        pk="job_id",
        not_null={"step", "stage", "body", "at"},
        strict=True,
    )


def create_parts(db: Database) -> None:
    """Create the table, and list its changes."""
    db.table("parts").create(
        {
            "id": int,
            "at": str,
            "measured": str,
            "entry": str,
            "told": str,
            "job_id": int,
            "fact": int,
            "gauge": str,
            "run_id": int,
            "start_ns": int,
            "end_ns": int,
            "facts": str,
            "thrown_at": str,
            "program": str,
        },
        pk="id",
        not_null={"at", "measured", "entry", "told"},
        strict=True,
    )
    db.table("parts").create_index(["job_id"])
    list_changes(db, "parts")


def create_hand_overs(db: Database) -> None:
    """Create the table of jobs that went from bench to bench."""
    db.table("hand_overs").create(
        {"id": int, "job_id": int, "bench": str, "state": str, "number": int, "by": str, "at": str},
        pk="id",
        not_null={"job_id", "bench", "state", "number", "by", "at"},
        strict=True,
    )
    db.table("hand_overs").create_index(["job_id"])
    list_changes(db, "hand_overs")
