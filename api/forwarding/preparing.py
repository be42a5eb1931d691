"""An archive is made ready: its tables, a role for each bench that may only add, a role that may only read."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, LiteralString

from api.base import MisuseError, StoreError
from api.forwarding.connecting import (
    READER,
    VERSION,
    connect,
    first_line,
    refuse_other_version,
    role_of,
    version_of,
)
from api.forwarding.tables import CHANGES, PARTED

if TYPE_CHECKING:
    from psycopg import Connection

BENCH_MAY: tuple[LiteralString, ...] = (
    "EXECUTE ON FUNCTION lobewright.claim",
    "EXECUTE ON FUNCTION lobewright.tell",
    "EXECUTE ON FUNCTION lobewright.hand_over",
    "EXECUTE ON FUNCTION lobewright.take_back",
    "EXECUTE ON FUNCTION lobewright.taking",
    "EXECUTE ON FUNCTION lobewright.not_taken",
    "EXECUTE ON FUNCTION lobewright.took",
    "SELECT ON lobewright.shared",
    "SELECT ON lobewright.coming",
    "SELECT ON lobewright.given",
    "SELECT (name) ON lobewright.benches",
)
"""What of the archive's own a bench may use, beside its parts."""
NAME = re.compile(r"[a-z][a-z0-9_]{0,31}")


@dataclass(frozen=True, slots=True)
class Prepared:
    """What there is now: the archive's version, and the roles that were made just now."""

    version: int
    new_roles: tuple[str, ...]


def prepare(url: str, benches: Iterable[str]) -> Prepared:
    """Make a database an archive, bring one up to date, and let benches in; all of it or nothing.

    Raises
    ------
    MisuseError
        A name that a bench cannot have, or a role that may not do this.
    StoreError
        The database holds something else, or a newer archive.
    """
    import psycopg

    names = [*dict.fromkeys(benches)]
    for name in names:
        if not NAME.fullmatch(name) or role_of(name) == READER:
            raise MisuseError(
                "bad_bench_name",
                f"{name!r} cannot be a bench's name in an archive; use small letters, digits and _, a letter first.",
            )
    connection = connect(url)
    user = connection.info.user
    try:
        with connection, connection.transaction():
            connection.execute("SELECT pg_advisory_xact_lock(hashtextextended('lobewright', 0))")
            _bring_up_to_date(connection)
            made = [role for role in (READER, *map(role_of, names)) if _make_role(connection, role)]
            _let_read(connection)
            known = connection.execute("SELECT name FROM lobewright.benches ORDER BY name").fetchall()
            for name in dict.fromkeys([*names, *(row[0] for row in known)]):  # rights of a newer version, too
                _let_in(connection, name)
    except psycopg.errors.InsufficientPrivilege as error:
        raise MisuseError(
            "may_not_prepare",
            f"The role {user} may not prepare an archive ({first_line(error)}); use the one that owns "
            "the database and may make roles.",
        ) from None
    except psycopg.Error as error:
        raise StoreError("not_prepared", f"The archive was not prepared: {first_line(error)}.") from None
    return Prepared(VERSION, tuple(made))


def _bring_up_to_date(connection: Connection[tuple[Any, ...]]) -> None:
    found = version_of(connection)
    if found is None:
        _refuse_other_tables(connection)
        found = 0
    elif found > VERSION:
        refuse_other_version(found)
    for number, change in enumerate(CHANGES[found:], found + 1):
        connection.execute(change.encode())
        connection.execute("INSERT INTO lobewright.migrations (number) VALUES (%s)", (number,))


def _refuse_other_tables(connection: Connection[tuple[Any, ...]]) -> None:
    row = connection.execute(
        "SELECT n.nspname || '.' || c.relname FROM pg_class c JOIN pg_namespace n ON n.oid = c.relnamespace"
        " WHERE c.relkind IN ('r', 'p', 'v', 'm') AND n.nspname !~ '^pg_' AND n.nspname != 'information_schema' LIMIT 1"
    ).fetchone()
    if row is not None:
        raise StoreError(
            "not_ours",
            f"That database holds something else ({row[0]}); give the archive an empty one of its own.",
        )


def _make_role(connection: Connection[tuple[Any, ...]], role: str) -> bool:
    from psycopg import sql

    if connection.execute("SELECT 1 FROM pg_roles WHERE rolname = %s", (role,)).fetchone():
        return False
    connection.execute(sql.SQL("CREATE ROLE {} LOGIN").format(sql.Identifier(role)))
    return True


def _let_read(connection: Connection[tuple[Any, ...]]) -> None:
    from psycopg import sql

    reader = sql.Identifier(READER)
    connection.execute(sql.SQL("GRANT USAGE ON SCHEMA lobewright TO {}").format(reader))
    for table in ("migrations", "benches", "archive", "live", "handed", *PARTED):
        granted = sql.SQL("GRANT SELECT ON {} TO {}").format(sql.Identifier("lobewright", table), reader)
        connection.execute(granted)


def _let_in(connection: Connection[tuple[Any, ...]], name: str) -> None:
    """Give a bench its parts, and the right to add to them and to look at them."""
    from psycopg import sql

    role = sql.Identifier(role_of(name))
    connection.execute(
        "INSERT INTO lobewright.benches (name, role) VALUES (%s, %s) ON CONFLICT DO NOTHING",
        (name, role_of(name)),
    )
    connection.execute(sql.SQL("GRANT USAGE ON SCHEMA lobewright TO {}").format(role))
    connection.execute(sql.SQL("GRANT SELECT ON lobewright.migrations TO {}").format(role))
    for right in BENCH_MAY:
        connection.execute(sql.SQL("GRANT {} TO {}").format(sql.SQL(right), role))
    connection.execute(sql.SQL("GRANT USAGE ON SEQUENCE lobewright.arrivals TO {}").format(role))
    for table in PARTED:
        part = sql.Identifier("lobewright", f"{table}_{name}")
        connection.execute(
            sql.SQL("CREATE TABLE IF NOT EXISTS {} PARTITION OF {} FOR VALUES IN ({})").format(
                part, sql.Identifier("lobewright", table), sql.Literal(name)
            )
        )
        connection.execute(sql.SQL("GRANT INSERT, SELECT ON {} TO {}").format(part, role))
