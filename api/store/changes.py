"""What changed in ``shop.db``, in order: one line a row, kept by triggers, so that nothing can change past it.

Whoever carries the shop's rows elsewhere asks for the lines after the last it has dealt with. A row that changes again
gets a new number, and its old line goes: the list is never longer than the rows it speaks of.
"""

from __future__ import annotations

from sqlite_utils import Database

FIRST_KEYS = {
    "engines": ("id",),
    "cards": ("id",),
    "jobs": ("id",),
    "job_facts": ("job_id", "number"),
    "job_adoptions": ("measurement_id",),
    "measurements": ("id",),
}
"""The tables there were when the list was made; later ones are in `ROW_KEYS` alone."""
ROW_KEYS = {**FIRST_KEYS, "parts": ("id",), "versions": ("sha256",), "hand_overs": ("id",)}
"""The tables whose rows are listed, and what a row is known by."""


def create_changes(db: Database) -> None:
    """Create the list, fill it with what is there, and let triggers keep it."""
    db.execute(
        "CREATE TABLE changes (number INTEGER PRIMARY KEY AUTOINCREMENT, kind TEXT NOT NULL, key TEXT NOT NULL,"
        " UNIQUE (kind, key))"
    )
    for table in FIRST_KEYS:
        db.execute(f"INSERT INTO changes (kind, key) SELECT '{table}', {key_of(table)} FROM {table}")
        list_changes(db, table)


def list_changes(db: Database, table: str) -> None:
    """Let triggers list every row of a table that is added or changed from now on."""
    for event in ("INSERT", "UPDATE"):
        new = key_of(table, "NEW.")
        db.execute(
            f"CREATE TRIGGER {table}_{event.lower()}_noted AFTER {event} ON {table} BEGIN"
            f" DELETE FROM changes WHERE kind = '{table}' AND key = {new};"
            f" INSERT INTO changes (kind, key) VALUES ('{table}', {new}); END"
        )


def key_of(table: str, row: str = "") -> str:
    """Give the SQL of a row's key as one text."""
    return " || '/' || ".join(f"CAST({row}{name} AS TEXT)" for name in ROW_KEYS[table])
