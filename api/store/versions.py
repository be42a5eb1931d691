"""Engines and cam cards as they were kept and changed, in ``shop.db``: every version stays, whoever made it at what bench.

A version is known by the hash of what is in it and of the versions it was made from, never by a clock. So the same
change made twice is one version, and two changes of one version, made apart, are two that nobody has gone on from: both
stay, and somebody is asked. ``engines`` and ``cards`` hold what is shown here; a job holds its own copy.
"""

from __future__ import annotations

import hashlib
import json
import uuid
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from sqlite_utils import Database

from analysis.base import EntryError, from_plain
from analysis.timing import CamCard, Engine
from api.store.changes import list_changes

Row = dict[str, Any]
KINDS: dict[str, type[Engine] | type[CamCard]] = {"engines": Engine, "cards": CamCard}


@dataclass(frozen=True, slots=True)
class Version:
    """One version of an engine or a card.

    Attributes
    ----------
    kind
        ``engines`` or ``cards``.
    item
        What all versions of one engine or card have in common, at every bench.
    parents
        The versions it was made from; none for the first.
    body
        What is in it, as text, to the last digit.
    bench
        Where it was made; nothing for here.
    """

    kind: str
    item: str
    parents: tuple[str, ...]
    body: str
    by: str
    at: str
    bench: str = ""

    @property
    def sha256(self) -> str:
        """What it is known by."""
        return _sha256(self.kind, self.item, sorted(self.parents), self.body)

    @property
    def content(self) -> Engine | CamCard:
        """What is in it; raises `EntryError`."""
        return from_plain(KINDS[self.kind], json.loads(self.body))


@dataclass(frozen=True, slots=True)
class Versions:
    """All versions of one engine or card, oldest first, and the text of what is shown of it here."""

    every: tuple[Version, ...]
    body: str

    @property
    def heads(self) -> tuple[Version, ...]:
        """Those that nobody has gone on from."""
        gone_on = {parent for one in self.every for parent in one.parents}
        return tuple(one for one in self.every if one.sha256 not in gone_on)

    @property
    def shown(self) -> Version | None:
        """The version that is shown here."""
        found = [one for one in (*self.heads, *reversed(self.every)) if one.body == self.body]
        return found[0] if found else None

    @property
    def asked(self) -> tuple[Version, ...]:
        """The versions of which somebody has to say which is right, ours first; none where all agree."""
        unlike: list[Version] = []
        for head in sorted(self.heads, key=lambda one: (one.body != self.body, bool(one.bench), one.sha256)):
            if not any(_alike(head, other) for other in unlike):
                unlike.append(head)
        return tuple(unlike) if len(unlike) > 1 else ()


def _sha256(*parts: object) -> str:
    return hashlib.sha256(json.dumps(parts, ensure_ascii=False).encode()).hexdigest()


def _alike(one: Version, other: Version) -> bool:
    """Tell whether the same stands in both; a newer program may write the same otherwise."""
    try:
        return one.body == other.body or one.content == other.content
    except EntryError:
        return False


def create_versions(db: Database) -> None:
    """Create the table, and begin with what is on the lists."""
    db.table("versions").create(
        {
            "sha256": str,
            "kind": str,
            "item": str,
            "parents": str,
            "body": str,
            "bench": str,
            "by": str,
            "at": str,
            "row": int,
        },
        pk="sha256",
        not_null={"kind", "item", "parents", "body", "bench", "by", "at", "row"},
        strict=True,
    )
    db.table("versions").create_index(["kind", "row"])
    db.table("versions").create_index(["item"])
    list_changes(db, "versions")
    for kind in KINDS:
        for row in db.execute(f"SELECT * FROM {kind} WHERE retired_at IS NULL ORDER BY id").fetchall():
            note_first(db, kind, dict(row))


def note_first(db: Database, kind: str, row: Row) -> None:
    """Note what has just been put on a list as the first version of a thing of its own."""
    item = _sha256(kind, row["body"])
    if db.execute("SELECT 1 FROM versions WHERE item = ?", (item,)).fetchone():
        item = uuid.uuid4().hex  # it began so once, and went on otherwise
    put_version(db, Version(kind, item, (), row["body"], row["by"], row["at"]), row["id"])


def put_version(db: Database, one: Version, number: int) -> None:
    """Keep a version as one of a row of its list; one that is there stays as it is."""
    row: dict[str, Any] = {name: getattr(one, name) for name in ("sha256", "kind", "item", "body", "bench")}
    row |= {"by": one.by, "at": one.at, "row": number, "parents": json.dumps(sorted(one.parents))}
    names, marks = ", ".join(row), ", ".join(f":{name}" for name in row)
    db.execute(f"INSERT OR IGNORE INTO versions ({names}) VALUES ({marks})", row)


def differences(one: Version, other: Version) -> Iterable[tuple[str, Any, Any]]:
    """Give what differs between two versions: where it stands, and both values."""
    mine, theirs = dict(_leaves("", json.loads(one.body))), dict(_leaves("", json.loads(other.body)))
    for place in sorted({*mine, *theirs}):
        if mine.get(place) != theirs.get(place):
            yield place, mine.get(place), theirs.get(place)


def _leaves(place: str, value: Any) -> Iterable[tuple[str, Any]]:
    if isinstance(value, dict):
        for name, inner in value.items():
            yield from _leaves(f"{place} {name}".strip(), inner)
    elif isinstance(value, list) and any(isinstance(one, dict) for one in value):
        for number, inner in enumerate(value, 1):
            yield from _leaves(f"{place} {number}".strip(), inner)
    else:
        yield place, value
