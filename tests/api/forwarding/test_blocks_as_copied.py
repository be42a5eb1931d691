"""Blocks go into the archive as they lie in the stream store, whatever numbers and readings are in them."""

from __future__ import annotations

import hashlib
import random
import sqlite3
import struct
from collections.abc import Iterator
from pathlib import Path

import psycopg
import pytest
from kept_shop import add_run
from postgres import Server

from api.base import ConflictError
from api.forwarding.adding import add_blocks
from api.forwarding.blocks import BLOCKS_A_PIECE, COPIED, CopiedBlocks, KeptBlock
from api.forwarding.connecting import BenchName
from api.forwarding.kept import KeptHere

LEAST, MOST = -(2**63), 2**63 - 1
EAST = BenchName("east", "")


def made(number: int, rng: random.Random) -> KeptBlock:
    """Any block; the first two have the least and the most that a number can be, and no reading at all."""
    places = (
        [[LEAST] * 9, [MOST] * 9][number] if number < 2 else [rng.randrange(LEAST, MOST) for _ in range(9)]
    )
    return KeptBlock(rng.randrange(MOST), *places, rng.randbytes(rng.randrange(2000) if number >= 2 else 0))


def there(url: str) -> list[tuple[object, ...]]:
    """Rows as the server gives them, which it checked itself and hashed itself."""
    rest = ", ".join(COPIED[1:-2])
    with psycopg.connect(url) as connection:
        return connection.execute(
            f"SELECT {rest}, data, sha256, bench FROM lobewright.blocks ORDER BY {rest}".encode()
        ).fetchall()


def as_there(blocks: list[KeptBlock]) -> list[tuple[object, ...]]:
    return sorted(
        (*block, hashlib.sha256(struct.pack(">10q", *block[:-1]) + block.data).digest(), "east")
        for block in blocks
    )


def test_any_block_arrives_as_it_is(server: Server, archive: str) -> None:
    rng = random.Random(4)
    blocks = [made(number, rng) for number in range(2 * BLOCKS_A_PIECE + 3)]
    with psycopg.connect(server.url(archive, "lobewright_east")) as connection:
        add_blocks(connection, EAST, CopiedBlocks("east", blocks))
    assert there(server.url(archive)) == as_there(blocks)


@pytest.mark.parametrize("where", [0, BLOCKS_A_PIECE, 2 * BLOCKS_A_PIECE + 2])
def test_what_is_there_already_is_not_added_twice_wherever_it_comes(
    server: Server, archive: str, where: int
) -> None:
    rng = random.Random(5)
    blocks = [made(number, rng) for number in range(2 * BLOCKS_A_PIECE + 3)]
    with psycopg.connect(server.url(archive, "lobewright_east")) as connection:
        add_blocks(connection, EAST, CopiedBlocks("east", [blocks[where]]))
        connection.commit()
        once_read = iter(blocks)
        add_blocks(connection, EAST, CopiedBlocks("east", once_read))
        connection.commit()
        other = blocks[where]._replace(data=b"another content in the same place")
        with pytest.raises(ConflictError, match="two folders have worked under one name"):
            add_blocks(connection, EAST, CopiedBlocks("east", [*blocks[:where], other, *blocks[where + 1 :]]))
        connection.rollback()
    assert there(server.url(archive)) == as_there(blocks)


def test_readings_that_cannot_be_read_leave_nothing_half_sent(server: Server, archive: str) -> None:
    rng = random.Random(6)

    def broken_off() -> Iterator[KeptBlock]:
        yield from (made(number, rng) for number in range(BLOCKS_A_PIECE + 1))
        raise OSError("the disk is gone")

    with psycopg.connect(server.url(archive, "lobewright_east")) as connection:
        with pytest.raises(OSError, match="the disk is gone"), connection.transaction():
            add_blocks(connection, EAST, CopiedBlocks("east", broken_off()))
        add_blocks(connection, EAST, CopiedBlocks("east", []))  # and the connection is still of use
    assert there(server.url(archive)) == []


def test_a_slow_taker_holds_no_question_open(tmp_path: Path) -> None:
    """A store that is read from for long cannot shorten its log; it can be emptied between two pieces."""
    add_run(tmp_path, 3 * BLOCKS_A_PIECE)
    taking = KeptHere(tmp_path).blocks(1, {1: -1, 2: -1}, settled=False)
    next(taking)
    with sqlite3.connect(tmp_path / "streams.db", timeout=0.0, isolation_level=None) as writer:
        writer.execute("UPDATE runs SET ending = 'looked at'")
        assert writer.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone() == (0, 0, 0)
    writer.close()
    assert sum(1 for _ in taking) == 2 * 3 * BLOCKS_A_PIECE - 1


def test_the_newest_block_waits_until_it_grows_no_more(tmp_path: Path) -> None:
    add_run(tmp_path, BLOCKS_A_PIECE + 5)
    here = KeptHere(tmp_path)
    last = (BLOCKS_A_PIECE + 4) * 250
    for settled, upto in ((True, last - 250), (False, last)):
        taken = list(here.blocks(1, {1: 0, 2: last - 500}, settled=settled))
        assert [one.first for one in taken if one.channel_id == 1] == list(range(250, upto + 1, 250))
        assert [one.first for one in taken if one.channel_id == 2] == list(range(last - 250, upto + 1, 250))
    assert [one.first for one in here.growing(1, {1: last - 250, 2: last})] == [last]
