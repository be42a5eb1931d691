"""Versions of engines and cards in ``shop.db``: asked for, gone on from, taken in from other benches."""

from __future__ import annotations

import json
from collections.abc import Sequence

from sqlite_utils import Database

from api.base import ConflictError, NotFoundError
from api.records.measurement_store import now_text
from api.store import Asking, Row, Version, Versions, WithinChange, note_first, put_version

# -- looking


def versions_of(ask: Asking, kind: str, number: int) -> Versions:
    """Give all versions of an engine or a card; raises `NotFoundError`."""
    row = ask.row(f"SELECT body FROM {kind} WHERE id = ?", (number,))
    if row is None:
        raise NotFoundError(f"no_such_{kind[:-1]}", f"There is no {kind[:-1]} {number}; see the list.")
    rows = ask.rows("SELECT * FROM versions WHERE kind = ? AND row = ? ORDER BY at, rowid", (kind, number))
    return Versions(tuple(map(_version, rows)), row["body"])


def all_versions(ask: Asking, kind: str) -> dict[int, Versions]:
    """Give the versions of all engines or cards that are on the list, by number."""
    bodies = ask.rows(f"SELECT id, body FROM {kind} WHERE retired_at IS NULL")
    found: dict[int, list[Version]] = {row["id"]: [] for row in bodies}
    for row in ask.rows("SELECT * FROM versions WHERE kind = ? ORDER BY at, rowid", (kind,)):
        if row["row"] in found:
            found[row["row"]].append(_version(row))
    return {row["id"]: Versions(tuple(found[row["id"]]), row["body"]) for row in bodies}


def known_versions(ask: Asking) -> set[str]:
    """Name all versions there are here."""
    return {row["sha256"] for row in ask.rows("SELECT sha256 FROM versions")}


def version_in(row: Row, bench: str) -> Version:
    """Read a version as another bench has it; `bench` is where it was made unless it says another."""
    texts = {name: str(row[name]) for name in ("kind", "item", "body", "by", "at")}
    parents = tuple(str(one) for one in json.loads(row["parents"]))
    return Version(**texts, parents=parents, bench=str(row["bench"] or bench))


def _version(row: Row) -> Version:
    return version_in(row, "")


# -- changing


def put_back(db: Database, kind: str, body: str) -> int | None:
    """Take what is just so from among what was put away, and give its number."""
    row = db.execute(f"SELECT id FROM {kind} WHERE body = ? ORDER BY id DESC LIMIT 1", (body,)).fetchone()
    if row is None or not versions_of(WithinChange(db), kind, row[0]).every:
        return None
    db.execute(f"UPDATE {kind} SET retired_at = NULL WHERE id = ?", (row[0],))
    return int(row[0])


def change_kept(db: Database, kind: str, number: int, name: str, body: str, by: str, seen: str = "") -> None:
    """Keep another version of an engine or a card.

    Parameters
    ----------
    seen
        The version it was made from; nothing for the one that is shown.

    Raises
    ------
    ConflictError
        It was changed meanwhile, or there is a question about it that comes first.
    """
    there = _versions_to_change(db, kind, number)
    if there.asked:
        raise ConflictError(
            "answer_first", "Two benches have changed this, each otherwise: say first which is right."
        )
    if body == there.body:
        return
    if seen and seen not in {one.sha256 for one in there.heads}:
        raise ConflictError(
            "changed_meanwhile", "This was changed meanwhile, here or at another bench; look at it again."
        )
    _go_on(db, number, there, name, body, by)


def settle(db: Database, kind: str, number: int, sha256: str, by: str) -> None:
    """Say which of several versions is right; all of them stay in the history. Raises `ConflictError`."""
    there = versions_of(WithinChange(db), kind, number)
    chosen = [one for one in there.asked if one.sha256 == sha256]
    if not chosen:
        raise ConflictError(
            "not_asked", "There is no such question any more: it was answered, or asked anew; look again."
        )
    _go_on(db, number, there, chosen[0].content.name, chosen[0].body, by)


def take_in_versions(db: Database, coming: Sequence[Version]) -> None:
    """Take in versions from other benches; what nobody here had changed follows them by itself."""
    touched: dict[tuple[str, int], None] = {}
    for one in coming:
        row = db.execute("SELECT row FROM versions WHERE item = ? LIMIT 1", (one.item,)).fetchone()
        number = row[0] if row else _new_row(db, one)
        put_version(db, one, number)
        touched[(one.kind, number)] = None
    for kind, number in touched:
        _follow(db, kind, number)


def _follow(db: Database, kind: str, number: int) -> None:
    """Show the newest version where there is one alone; where there are two that differ, what is shown stays."""
    there = versions_of(WithinChange(db), kind, number)
    newest = there.heads[0]
    if there.asked or there.body in {one.body for one in there.heads}:
        return
    _show(db, kind, number, newest.content.name, newest.body)


def _go_on(db: Database, number: int, there: Versions, name: str, body: str, by: str) -> None:
    """Make a version of all that nobody has gone on from, and show it."""
    first = there.every[0]
    parents = tuple(one.sha256 for one in there.heads)
    put_version(db, Version(first.kind, first.item, parents, body, by, now_text()), number)
    _show(db, first.kind, number, name, body)


def _versions_to_change(db: Database, kind: str, number: int) -> Versions:
    """Give the versions, the first noted where that was put away when versions began to be kept."""
    there = versions_of(WithinChange(db), kind, number)
    if there.every:
        return there
    note_first(db, kind, WithinChange(db).rows(f"SELECT * FROM {kind} WHERE id = ?", (number,))[0])
    return versions_of(WithinChange(db), kind, number)


def _new_row(db: Database, one: Version) -> int:
    cursor = db.execute(
        f"INSERT INTO {one.kind} (name, body, at, by) VALUES (?, ?, ?, ?)",
        (one.content.name, one.body, one.at, one.by),
    )
    assert cursor.lastrowid is not None
    return cursor.lastrowid


def _show(db: Database, kind: str, number: int, name: str, body: str) -> None:
    db.execute(f"UPDATE {kind} SET name = ?, body = ? WHERE id = ?", (name, body, number))
