"""The tables of ``shop.db``, as a list of changes that are never altered once they are out."""

from __future__ import annotations

from sqlite_utils import Database, Migrations

from api.store.changes import create_changes
from api.store.job_tables import create_hand_overs, create_job_tables, create_parts
from api.store.request_keys import create_request_keys
from api.store.shop_settings import create_shop_settings
from api.store.versions import create_versions

SCHEMA = Migrations("lobewright.shop")


@SCHEMA()
def m001_measurements(db: Database) -> None:
    """A measurement: an interval on a run, what the gauge touched, the settings, and what came out."""
    db.table("measurements").create(
        {
            "id": int,
            "job_id": int,
            "what": str,
            "touches": str,
            "gauge": str,
            "run_id": int,
            "imported_file": str,
            "start_ns": int,
            "end_ns": int,
            "state": str,
            "started_at": str,
            "ended_at": str,
            "settings": str,
            "facts": str,
            "result": str,
            "detail": str,
            "error": str,
            "sentence": str,
            "program": str,
        },
        pk="id",
        not_null={"what", "touches", "gauge", "start_ns", "state", "started_at", "settings"},
        strict=True,
    )
    db.table("measurements").create_index(["state"])
    db.table("measurements").create_index(["job_id"])


@SCHEMA()
def m002_jobs(db: Database) -> None:
    """Engines, cam cards, jobs, what happened in them, and which one the bench serves."""
    create_job_tables(db)


@SCHEMA()
def m003_request_keys(db: Database) -> None:
    """Requests that may come again, and what they were answered."""
    create_request_keys(db)


@SCHEMA()
def m004_from_elsewhere(db: Database) -> None:
    """A job knows how many of its facts came with a job file."""
    db.table("jobs").add_column("facts_from_elsewhere", int)


@SCHEMA()
def m005_shop_settings(db: Database) -> None:
    """What the shop has chosen once for all its screens."""
    create_shop_settings(db)


@SCHEMA()
def m006_changes(db: Database) -> None:
    """What changed, in order, for whoever carries it elsewhere."""
    create_changes(db)


@SCHEMA()
def m007_parts(db: Database) -> None:
    """What was told of parts beside the cams, in a job or without one, and of which readings."""
    create_parts(db)


@SCHEMA()
def m008_shared(db: Database) -> None:
    """Every version of an engine or a card, and the jobs that went from bench to bench."""
    create_versions(db)
    create_hand_overs(db)
