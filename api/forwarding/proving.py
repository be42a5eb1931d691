"""An archive is proved: every document and block against its hash, every sign-off against what it speaks of.

The chain of a bench holds from its first sign-off to its last. Who could write as the archive's owner could still make a
whole new chain; so the last seal is told, to be compared with one that was noted before.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from api.base import StoreError
from api.forwarding.adding import seal_of
from api.forwarding.blocks import BLOCK_COLUMNS, block_sha256
from api.forwarding.connecting import first_line, open_for_reading

if TYPE_CHECKING:
    from psycopg import Connection

AT_ONCE = 500
Found = dict[tuple[Any, ...], bytes]


@dataclass(frozen=True, slots=True)
class BenchProof:
    """How much was looked at of a bench, its last seal, and what does not fit."""

    bench: str
    documents: int
    blocks: int
    readings: int
    signoffs: int
    last_seal: str
    trouble: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Proof:
    """What was proved of an archive."""

    benches: tuple[BenchProof, ...]

    @property
    def trouble(self) -> tuple[str, ...]:
        """What does not fit."""
        return tuple(line for bench in self.benches for line in bench.trouble)


def prove(url: str) -> Proof:
    """Read the whole archive, of one moment, and hold it against its hashes and chains; raises `ServiceError`."""
    import psycopg

    with open_for_reading(url) as connection:
        try:
            names = [
                row[0] for row in connection.execute("SELECT name FROM lobewright.benches ORDER BY name")
            ]
            return Proof(tuple(_of_bench(connection, name) for name in names))
        except psycopg.Error as error:
            raise StoreError(
                "archive_broke_off", f"The archive was not proved: {first_line(error)}."
            ) from None


def _of_bench(connection: Connection[tuple[Any, ...]], bench: str) -> BenchProof:
    trouble: list[str] = []
    documents = _documents(connection, bench, trouble)
    blocks, readings = _blocks(connection, bench, trouble)
    signoffs, seal = _chain(connection, bench, documents, blocks, trouble)
    return BenchProof(bench, len(documents), len(blocks), readings, signoffs, seal.hex(), tuple(trouble))


def _documents(connection: Connection[tuple[Any, ...]], bench: str, trouble: list[str]) -> Found:
    """Prove every document by itself; tells them all."""
    found: Found = {}
    with connection.cursor("documents") as cursor:
        cursor.itersize = AT_ONCE
        cursor.execute(
            "SELECT kind, key, version, sha256, body FROM lobewright.documents WHERE bench = %s"
            " ORDER BY kind, key, version",
            (bench,),
        )
        for kind, key, version, sha256, body in cursor:
            real = hashlib.sha256(body).digest()
            found[kind, key, version] = real
            if real != sha256:
                trouble.append(f"{bench}: {kind} {key}, version {version}, is not what was sent.")
    return found


def _blocks(connection: Connection[tuple[Any, ...]], bench: str, trouble: list[str]) -> tuple[Found, int]:
    """Prove every block by itself; tells them all and how many readings they hold."""
    found: Found = {}
    readings = 0
    with connection.cursor("blocks", binary=True) as cursor:
        cursor.itersize = AT_ONCE
        cursor.execute(
            f"SELECT run_id, {', '.join(BLOCK_COLUMNS)}, sha256, data FROM lobewright.blocks"
            " WHERE bench = %s ORDER BY channel_id, first, lines".encode(),
            (bench,),
        )
        for run_id, *place, sha256, data in cursor:
            real = block_sha256(run_id, place, data)
            found[tuple(place[:3])] = real
            readings += place[2]
            if real != sha256:
                trouble.append(
                    f"{bench}: the readings from {place[1]:,} of channel {place[0]} are not what was sent."
                )
    return found, readings


def _chain(
    connection: Connection[tuple[Any, ...]], bench: str, documents: Found, blocks: Found, trouble: list[str]
) -> tuple[int, bytes]:
    """Follow the sign-offs from the first, each by the seal before it; tells how many there are and the last seal."""
    count, seal = 0, b""
    rows = connection.execute(
        "SELECT number, fact, before, seal, manifest FROM lobewright.signoffs WHERE bench = %s ORDER BY number",
        (bench,),
    )
    for number, fact, before, told, manifest in rows:
        count += 1
        name = f"{bench}: sign-off {number} (job {fact.partition('/')[0]})"
        if number != count:
            trouble.append(f"{bench}: sign-off {count} is missing.")
            count = number
        if before != seal:
            trouble.append(f"{name} does not go on from the one before it.")
        seal = seal_of(before, manifest)
        if seal != told:
            trouble.append(f"{name} does not bear its own seal.")
        trouble += [f"{name}: {what}" for what in _misfits(manifest, bench, fact, documents, blocks)]
    signed = {row[0] for row in connection.execute(_SIGNED, (bench,))}
    trouble += [
        f"{bench}: job {fact.partition('/')[0]} is signed off without a seal." for fact in sorted(signed)
    ]
    return count, seal


_SIGNED = """
    SELECT DISTINCT d.key FROM lobewright.documents d WHERE d.bench = %s AND d.kind = 'job_facts'
        AND convert_from(d.body, 'UTF8')::jsonb ->> 'kind' = 'signed_off'
        AND NOT EXISTS (SELECT 1 FROM lobewright.signoffs s WHERE s.bench = d.bench AND s.fact = d.key)
"""


def _misfits(manifest: bytes, bench: str, fact: str, documents: Found, blocks: Found) -> list[str]:
    """Hold what was signed against what is there now."""
    try:
        told = json.loads(manifest)
        named = [(tuple(row[:-1]), bytes.fromhex(row[-1])) for row in told["documents"]]
        read = [(tuple(row[:-1]), bytes.fromhex(row[-1])) for row in told["blocks"]]
        belongs = (told["bench"], told["fact"]) == (bench, fact)
    except (ValueError, KeyError, TypeError, IndexError):
        return ["what was signed cannot be read."]
    found = [] if belongs else ["it was made for another."]
    for (kind, key, version), sha256 in named:
        real = documents.get((kind, key, version))
        if real != sha256:
            found.append(
                f"{kind} {key}, version {version}, {'is missing' if real is None else 'was changed'}."
            )
    for key, sha256 in read:
        real = blocks.get(key)
        if real != sha256:
            what = "are missing" if real is None else "were changed"
            found.append(f"the readings from {key[1]:,} of channel {key[0]} {what}.")
    return found
