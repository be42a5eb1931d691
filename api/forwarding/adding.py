"""How a bench adds to its part of an archive: each thing once, whatever was sent before."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from api.base import ConflictError
from api.forwarding.blocks import COPIED, CopiedBlocks, KeptBlock
from api.forwarding.connecting import BenchName
from api.forwarding.kept import IMPORTED, RUN, Document, SignedOff

if TYPE_CHECKING:
    from psycopg import Connection, sql


def add_documents(
    connection: Connection[tuple[Any, ...]], bench: BenchName, documents: Sequence[Document]
) -> None:
    """Add those that are not there yet; raises `ConflictError` where one is there and holds something else."""
    from psycopg import sql

    if not documents:
        return
    columns = [
        [one.kind for one in documents],
        [one.key for one in documents],
        [one.version for one in documents],
        [one.sha256 for one in documents],
    ]
    part = _part("documents", bench)
    coming = sql.SQL("unnest(%s::text[], %s::text[], %s::bigint[], %s::bytea[]")
    added = connection.execute(
        sql.SQL(
            "INSERT INTO {} (bench, kind, key, version, sha256, body)"
            " SELECT {}, * FROM {}, %s::bytea[]) ON CONFLICT DO NOTHING"
        ).format(part, sql.Literal(bench.name), coming),
        [*columns, [one.body for one in documents]],
    )
    if added.rowcount == len(documents):
        return
    other = connection.execute(
        sql.SQL(
            "SELECT m.kind, m.key FROM {}) AS m(kind, key, version, sha256) JOIN {} d USING (kind, key, version)"
            " WHERE d.sha256 <> m.sha256 AND m.kind <> {} LIMIT 1"
        ).format(coming, part, sql.Literal(RUN)),
        columns,
    ).fetchone()
    if other is not None:
        raise forked(bench, f"{other[0]} {other[1]}")


def add_blocks(connection: Connection[tuple[Any, ...]], bench: BenchName, blocks: CopiedBlocks) -> None:
    """Add blocks by ``COPY``; where some are there already, by way of a table of their own."""
    from psycopg import errors, sql

    if not blocks:
        return
    part = _part("blocks", bench)
    try:
        with connection.transaction():
            _copy(connection, part, blocks)
            return
    except errors.UniqueViolation:
        pass
    coming = sql.Identifier("coming")
    connection.execute(
        sql.SQL("CREATE TEMP TABLE IF NOT EXISTS {} (LIKE {}) ON COMMIT DELETE ROWS").format(coming, part)
    )
    connection.execute(sql.SQL("TRUNCATE {}").format(coming))
    _copy(connection, coming, blocks)
    other = connection.execute(
        sql.SQL(
            "SELECT c.channel_id, c.first FROM {} c JOIN {} b USING (channel_id, first, lines)"
            " WHERE b.sha256 <> c.sha256 LIMIT 1"
        ).format(coming, part)
    ).fetchone()
    if other is not None:
        raise forked(bench, f"readings from {other[1]} of channel {other[0]}")
    connection.execute(sql.SQL("INSERT INTO {} SELECT * FROM {} ON CONFLICT DO NOTHING").format(part, coming))


def _copy(connection: Connection[tuple[Any, ...]], table: sql.Identifier, blocks: CopiedBlocks) -> None:
    from psycopg import sql

    names = sql.SQL(", ").join(map(sql.Identifier, COPIED))
    copying = sql.SQL("COPY {} ({}) FROM STDIN (FORMAT BINARY)").format(table, names)
    with connection.cursor() as cursor, cursor.copy(copying) as copy:
        for piece in blocks:
            copy.write(piece)


def add_sign_off(
    connection: Connection[tuple[Any, ...]],
    bench: BenchName,
    signed: SignedOff,
    documents: Sequence[Document],
    blocks: Sequence[KeptBlock],
) -> None:
    """Add the next link of the bench's chain, over all that the sign-off speaks of, unless it is there."""
    from psycopg import sql

    part = _part("signoffs", bench)
    there = sql.SQL("SELECT 1 FROM {} WHERE fact = %s").format(part)
    if connection.execute(there, (signed.fact,)).fetchone():
        return
    last = sql.SQL("SELECT number, seal FROM {} ORDER BY number DESC LIMIT 1").format(part)
    number, before = connection.execute(last).fetchone() or (0, b"")
    manifest = manifest_of(bench, number + 1, signed, documents, blocks)
    connection.execute(
        sql.SQL(
            "INSERT INTO {} (bench, number, fact, before, seal, manifest) VALUES (%s, %s, %s, %s, %s, %s)"
        ).format(part),
        (bench.name, number + 1, signed.fact, before, seal_of(before, manifest), manifest),
    )


def manifest_of(
    bench: BenchName,
    number: int,
    signed: SignedOff,
    documents: Sequence[Document],
    blocks: Sequence[KeptBlock],
) -> bytes:
    """Say what was signed: every document and every block, with its hash."""
    told = {
        "bench": bench.name,
        "number": number,
        "fact": signed.fact,
        "documents": sorted([one.kind, one.key, one.version, one.sha256.hex()] for one in documents),
        "blocks": sorted([*one.key, one.sha256.hex()] for one in blocks),
    }
    return json.dumps(told, separators=(",", ":"), sort_keys=True).encode()


def seal_of(before: bytes, manifest: bytes) -> bytes:
    """Hash a sign-off and the seal before it."""
    return hashlib.sha256(before + manifest).digest()


def has_less(
    connection: Connection[tuple[Any, ...]], bench: BenchName, document: int, channels: dict[int, int]
) -> bool:
    """Tell whether the archive has lost what it had acknowledged: it was put back from an older copy of its own."""
    from psycopg import sql

    newest = sql.SQL("SELECT max(version) FROM {} WHERE kind <> ALL(%s)").format(_part("documents", bench))
    blocks = sql.SQL(
        "SELECT 1 FROM unnest(%s::bigint[], %s::bigint[]) AS m(channel_id, first) LEFT JOIN {} b"
        " USING (channel_id, first) WHERE m.first >= 0 AND b.channel_id IS NULL LIMIT 1"
    ).format(_part("blocks", bench))
    with connection.transaction():
        row = connection.execute(newest, ([RUN, IMPORTED],)).fetchone()
        if document and (row is None or (row[0] or 0) < document):
            return True
        return connection.execute(blocks, (list(channels), list(channels.values()))).fetchone() is not None


def forked(bench: BenchName, what: str) -> ConflictError:
    """Say that two folders have gone different ways under one name."""
    return ConflictError(
        "forked",
        f"The archive has something else from the bench {bench.name!r} in the place of this ({what}): two folders "
        "have worked under one name; give this bench a name of its own.",
    )


def _part(table: str, bench: BenchName) -> sql.Identifier:
    from psycopg import sql

    return sql.Identifier("lobewright", f"{table}_{bench.name}")
