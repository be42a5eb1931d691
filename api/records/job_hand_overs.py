"""Jobs that went from bench to bench, in ``shop.db``: handed over from here, and taken over here.

A job that was handed over stays, to be looked at, and is never gone on with here, unless it is taken back before the
other bench has it; if it comes back from there, it comes as a job taken over from elsewhere. A hand-over is asked for
here first and then done in the archive, so that nothing can be added in between, whatever is cut short.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

from sqlite_utils import Database

from api.base import ConflictError, when
from api.records.measurement_store import now_text
from api.store import Asking, WithinChange

Standing = Literal["asked", "given", "refused", "back", "taken"]


@dataclass(frozen=True, slots=True)
class HandOver:
    """One hand-over of a job.

    Attributes
    ----------
    job_id
        The job's number here.
    bench
        Who has it from here, or who had it before.
    state
        ``asked`` until the archive has answered; then ``given``, or ``refused`` and as if it had never been; ``back``
        where it was taken back before the other bench took it; ``taken`` is one that came here.
    number
        What the archive knows it by; 0 until it has answered.
    """

    id: int
    job_id: int
    bench: str
    state: Standing
    number: int
    by: str
    at: str


def hand_overs(ask: Asking, *states: Standing) -> list[HandOver]:
    """Give those that stand so."""
    marks = ", ".join("?" for _ in states)
    rows = ask.rows(f"SELECT * FROM hand_overs WHERE state IN ({marks}) ORDER BY id", states)
    return [HandOver(**row) for row in rows]


def held_elsewhere(ask: Asking, job_id: int) -> HandOver | None:
    """Give the hand-over by which a job left this bench, if it did."""
    row = ask.row(
        "SELECT * FROM hand_overs WHERE job_id = ? AND state IN ('asked', 'given') ORDER BY id DESC LIMIT 1",
        (job_id,),
    )
    return None if row is None else HandOver(**row)


def came_from(ask: Asking, job_id: int) -> HandOver | None:
    """Give the hand-over by which a job came to this bench, if it did."""
    row = ask.row("SELECT * FROM hand_overs WHERE job_id = ? AND state = 'taken'", (job_id,))
    return None if row is None else HandOver(**row)


def held_sentence(one: HandOver) -> str:
    """Say where a job is that left this bench."""
    if one.state == "asked":
        return f"Being handed over to the bench {one.bench}; it is known again once the archive has answered."
    return f"Held by the bench {one.bench} since {when(one.at)}."


def refuse_held_elsewhere(ask: Asking, job_id: int) -> None:
    """Refuse to change a job that left this bench; raises `ConflictError`."""
    one = held_elsewhere(ask, job_id)
    if one is not None:
        raise ConflictError("held_elsewhere", f"{held_sentence(one)} Go on with this job there.")


def asking_hand_over(db: Database, job_id: int, bench: str, by: str) -> int:
    """Note that a job is to be handed over, from now on only looked at; gives the hand-over's number here."""
    refuse_held_elsewhere(WithinChange(db), job_id)
    db.execute("DELETE FROM active_job WHERE job_id = ?", (job_id,))
    return _add(db, {"job_id": job_id, "bench": bench, "state": "asked", "number": 0, "by": by})


def answering(db: Database, number_here: int, state: Standing, number: int, at: str) -> None:
    """Note what the archive answered."""
    db.execute(
        "UPDATE hand_overs SET state = ?, number = ?, at = ? WHERE id = ?", (state, number, at, number_here)
    )


def learning_given(db: Database, job_id: int, bench: str, number: int, by: str, at: str) -> None:
    """Note a hand-over that the archive knows and this folder, put back from a backup, does not."""
    there = db.execute("SELECT id FROM jobs WHERE id = ?", (job_id,)).fetchone()
    known = db.execute("SELECT 1 FROM hand_overs WHERE number = ? AND state = 'given'", (number,)).fetchone()
    if there is None or known is not None:
        return
    row = db.execute("SELECT id FROM hand_overs WHERE job_id = ? AND state = 'asked'", (job_id,)).fetchone()
    number_here = (
        row[0]
        if row
        else _add(db, {"job_id": job_id, "bench": bench, "state": "given", "number": number, "by": by})
    )
    answering(db, number_here, "given", number, at)
    db.execute("DELETE FROM active_job WHERE job_id = ?", (job_id,))


def learning_back(db: Database, number: int, at: str) -> None:
    """Note that a job which was handed over is here again, for the other bench had not taken it."""
    db.execute(
        "UPDATE hand_overs SET state = 'back', at = ? WHERE number = ? AND state = 'given'", (at, number)
    )


def noting_taken(db: Database, job_id: int, bench: str, number: int, by: str) -> None:
    """Note that a job came here."""
    _add(db, {"job_id": job_id, "bench": bench, "state": "taken", "number": number, "by": by})


def _add(db: Database, row: dict[str, Any]) -> int:
    cursor = db.execute(
        "INSERT INTO hand_overs (job_id, bench, state, number, by, at)"
        " VALUES (:job_id, :bench, :state, :number, :by, :at)",
        row | {"at": now_text()},
    )
    assert cursor.lastrowid is not None
    return cursor.lastrowid
