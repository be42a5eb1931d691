"""How an archive is reached, and what it is asked before anything is written to it."""

from __future__ import annotations

import datetime as dt
import os
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from api.base import ConflictError, MisuseError, StoreError
from api.files import refuse_open_password_file

if TYPE_CHECKING:
    from psycopg import Connection

VERSION = 4
"""The newest change of `api.forwarding.tables` that this program knows."""
READER = "lobewright_reader"
CLOCKS_APART_S = 120.0
CONNECT_S = 10
LETS_GO_S = 3.0
"""The server lets go of a closed connection's place when it comes to it."""
GIVEN_UP_AFTER_MS = 30_000
SERVER_ASKS = {"tcp_keepalives_idle": 10, "tcp_keepalives_interval": 5, "tcp_keepalives_count": 3}
"""So the server sees within half a minute that a bench's cable was pulled; else it would hold its place for two hours."""
NO_PSYCOPG = "An archive needs the package psycopg: pip install 'lobewright[archive]'."


@dataclass(frozen=True, slots=True)
class BenchName:
    """A bench of the archive: its name in the bench file, and the identity of its data folder."""

    name: str
    identity: str

    @property
    def role(self) -> str:
        """The role it signs in as."""
        return role_of(self.name)


def role_of(bench: str) -> str:
    """Name the role of a bench."""
    return f"lobewright_{bench}"


def connect(url: str) -> Connection[tuple[Any, ...]]:
    """Connect to the server, without looking at what is there.

    A password is taken from ``PGPASSWORD`` or from a file with rights 0600 (``PGPASSFILE``, ``~/.pgpass``), as every
    program of PostgreSQL does; one in the address would be read by whoever reads the bench file.

    Raises
    ------
    MisuseError
        The address is none, or holds a password; or psycopg is missing.
    StoreError
        Nobody answers there, or it lets this role not in.
    """
    try:
        import psycopg
        from psycopg.conninfo import conninfo_to_dict
    except ImportError:
        raise MisuseError("no_psycopg", NO_PSYCOPG) from None
    try:
        told = conninfo_to_dict(url)
    except psycopg.ProgrammingError:
        raise MisuseError(
            "bad_archive_address",
            "The archive's address cannot be read; write postgresql://role@host/database.",
        ) from None
    if "password" in told:
        raise MisuseError(
            "password_in_address",
            "The archive's address must not hold the password: give it in PGPASSWORD, or in a file with rights 0600 "
            "that PGPASSFILE names.",
        )
    refuse_open_password_file(str(told.get("passfile") or os.environ.get("PGPASSFILE", "")))
    try:
        return psycopg.connect(
            url,
            connect_timeout=CONNECT_S,
            application_name="lobewright",
            tcp_user_timeout=GIVEN_UP_AFTER_MS,
        )
    except psycopg.Error as error:
        raise StoreError(
            "archive_unreachable", f"The archive cannot be reached: {first_line(error)}."
        ) from None


def first_line(error: Exception) -> str:
    """Give what a server's error says first, without a full stop."""
    lines = [line.strip() for line in str(error).splitlines() if line.strip()]
    return lines[0].rstrip(".") if lines else type(error).__name__


def version_of(connection: Connection[tuple[Any, ...]]) -> int | None:
    """Give the version of the archive in a database; `None` where there is none."""
    there = connection.execute(
        "SELECT 1 FROM pg_class c JOIN pg_namespace n ON n.oid = c.relnamespace"
        " WHERE n.nspname = 'lobewright' AND c.relname = 'migrations'"
    ).fetchone()
    if there is None:
        return None
    row = connection.execute("SELECT coalesce(max(number), 0) FROM lobewright.migrations").fetchone()
    return int(row[0]) if row else 0


def refuse_other_version(found: int | None) -> None:
    """Refuse a database that is no archive, or one of another version; raises `StoreError`."""
    if found is None:
        raise StoreError(
            "no_archive",
            "That database is no archive of Lobewright; make it one: lobewright archive prepare.",
        )
    if found > VERSION:
        raise StoreError(
            "newer_archive",
            f"The archive has version {found}, this program knows {VERSION}: update this program.",
        )
    if found < VERSION:
        raise StoreError(
            "older_archive",
            f"The archive has version {found}, this program needs {VERSION}: run lobewright archive prepare again.",
        )


def open_for_reading(url: str) -> Connection[tuple[Any, ...]]:
    """Open an archive that is only looked at, as it is at one moment; raises `ServiceError`."""
    connection = connect(url)
    from psycopg import IsolationLevel

    try:
        connection.read_only = True
        refuse_other_version(_allowed(lambda: version_of(connection), connection))
        connection.rollback()
        connection.isolation_level = IsolationLevel.REPEATABLE_READ
    except BaseException:
        connection.close()
        raise
    return connection


def open_as(
    bench: BenchName, url: str, now: Callable[[], dt.datetime] = lambda: dt.datetime.now(dt.UTC)
) -> Connection[tuple[Any, ...]]:
    """Open an archive for one bench, after everything has been asked that could be wrong with that.

    Raises
    ------
    ServiceError
        Nothing has been written.
    """
    connection = connect(url)
    try:
        refuse_other_version(_allowed(lambda: version_of(connection), connection))
        _refuse_other_clock(connection, now())
        _claim(connection, bench)
        connection.execute(
            "SET synchronous_commit = on"
        )  # what is acknowledged shall outlive the server's end
        for what, value in SERVER_ASKS.items():
            connection.execute(f"SET {what} = {value}".encode())
        connection.commit()
        _refuse_twin(connection, bench)
        connection.commit()
    except BaseException:
        connection.close()
        raise
    return connection


def _allowed(ask: Callable[[], int | None], connection: Connection[tuple[Any, ...]]) -> int | None:
    from psycopg.errors import InsufficientPrivilege

    try:
        return ask()
    except InsufficientPrivilege:
        raise StoreError(
            "wrong_role",
            f"The role {connection.info.user} may not use this archive; a bench signs in as lobewright_NAME.",
        ) from None


def _refuse_other_clock(connection: Connection[tuple[Any, ...]], here: dt.datetime) -> None:
    row = connection.execute("SELECT clock_timestamp()").fetchone()
    assert row is not None
    ahead_s = (here - row[0]).total_seconds()
    if abs(ahead_s) > CLOCKS_APART_S:
        which = "ahead of" if ahead_s > 0 else "behind"
        raise ConflictError(
            "clocks_apart",
            f"This computer's clock is {abs(ahead_s) / 60:.0f} minutes {which} the archive's; set the one that is wrong.",
        )


def _claim(connection: Connection[tuple[Any, ...]], bench: BenchName) -> None:
    """Hear as which bench the archive knows this role; the first folder that comes under a name keeps it."""
    row = connection.execute(
        "SELECT * FROM lobewright.claim(%s, %s)", (bench.name, bench.identity)
    ).fetchone()
    name, identity = row if row is not None else (None, None)
    user = connection.info.user
    if name is None:
        raise ConflictError(
            "wrong_role", f"The role {user} is no bench's; the bench {bench.name!r} signs in as {bench.role}."
        )
    if name != bench.name:
        raise ConflictError(
            "wrong_role",
            f"The role {user} is that of the bench {name!r}, and this one is called {bench.name!r}.",
        )
    if str(identity) != bench.identity:
        raise ConflictError(
            "name_taken",
            f"The archive has another data folder under the name {name!r}: give this bench a name of its own, or, if "
            "that folder is lost, make a new one: lobewright restore --archive.",
        )


def _refuse_twin(connection: Connection[tuple[Any, ...]], bench: BenchName) -> None:
    """Hold the bench's place as long as the connection lives; a connection that has just been closed lets go of it soon."""
    until_s = time.monotonic() + LETS_GO_S
    while not _place_taken(connection, bench):
        if time.monotonic() >= until_s:
            raise ConflictError("bench_there", f"The bench {bench.name!r} is sending to the archive already.")
        time.sleep(0.05)


def _place_taken(connection: Connection[tuple[Any, ...]], bench: BenchName) -> bool:
    row = connection.execute(
        "SELECT pg_try_advisory_lock(hashtextextended('lobewright/' || %s, 0))", (bench.name,)
    ).fetchone()
    return row is not None and bool(row[0])
