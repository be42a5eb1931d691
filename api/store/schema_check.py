"""Is a database laid out as ours is, and holds it nothing that would act by itself?

A trigger or a view in a file from elsewhere would be run by our own program, with our own rights. So every
table, index, view and trigger of a file is compared, word for word, with those that our changes make.
"""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Callable
from contextlib import closing
from functools import cache

from sqlite_utils import Database, Migrations

from api.store.shop_schema import SCHEMA
from capture.store import stream_migrations

Layout = frozenset[tuple[str, str, str]]
LAYOUT = (
    "SELECT type, name, coalesce(sql, '') FROM sqlite_master WHERE name NOT LIKE 'sqlite\\_%' ESCAPE '\\'"
)
QUOTES_AND_SPACE = re.compile(r"[\s\"'`\[\]]+")


def strange_in_shop(connection: sqlite3.Connection) -> list[str]:
    """Name what is in an open ``shop.db`` that our changes do not make."""
    return _strange(connection, _known(SCHEMA))


def strange_in_streams(connection: sqlite3.Connection) -> list[str]:
    """Name what is in an open ``streams.db`` that our changes do not make."""
    return _strange(connection, _known(stream_migrations()))


def _strange(connection: sqlite3.Connection, known: Layout) -> list[str]:
    return [f"{kind} {name}" for kind, name, sql in sorted(_layout(connection) - known)]


def _layout(connection: sqlite3.Connection) -> Layout:
    rows = connection.execute(LAYOUT).fetchall()
    return frozenset((kind, name, QUOTES_AND_SPACE.sub("", sql).lower()) for kind, name, sql in rows)


@cache
def _known(changes: Migrations) -> Layout:
    """Give all that there is after each change, for a file may be older than this program."""
    found: Layout = frozenset()
    with closing(sqlite3.connect(":memory:")) as connection:
        db = Database(connection)
        names = [step.name for step in changes.pending(db)]
        for after in [*names[1:], None]:
            _apply(changes, db, after)
            found |= _layout(connection)
    return found


def _apply(changes: Migrations, db: Database, stop_before: str | None) -> None:
    apply: Callable[..., object] = changes.apply
    apply(db) if stop_before is None else apply(db, stop_before=stop_before)
