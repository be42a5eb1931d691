"""A block of readings on its way: as it lies in the stream store, the hash of it, and the form in which COPY takes it."""

from __future__ import annotations

import hashlib
import struct
from collections.abc import Callable, Iterable, Iterator
from itertools import islice
from typing import NamedTuple

BLOCK_COLUMNS = (
    "channel_id",
    "first",
    "lines",
    "segment",
    "kept",
    "start_ns",
    "end_ns",
    "tail_ns",
    "tail_lines",
)
COPIED = ("bench", "run_id", *BLOCK_COLUMNS, "sha256", "data")
"""The columns of the archive, in the order in which `CopiedBlocks` gives them."""
BLOCKS_A_PIECE = 200
_PLACE = struct.Struct(f">{len(BLOCK_COLUMNS) + 1}q")
_WIDE = _PLACE.size // (len(BLOCK_COLUMNS) + 1)
_BEGINS = b"PGCOPY\n\xff\r\n\0" + struct.pack(">ii", 0, 0)
_ENDS = struct.pack(">h", -1)


class KeptBlock(NamedTuple):
    """One block of readings, packed as it lies in the stream store; made by the ten thousand, as no dataclass can be."""

    run_id: int
    channel_id: int
    first: int
    lines: int
    segment: int
    kept: int
    start_ns: int
    end_ns: int
    tail_ns: int
    tail_lines: int
    data: bytes

    @property
    def key(self) -> tuple[int, int, int]:
        """Channel, number of the first reading, readings accounted for."""
        return self[1:4]

    @property
    def sha256(self) -> bytes:
        """Hash of what is in it, and of where it belongs."""
        return block_sha256(self.run_id, self[1:-1], self.data)


def block_sha256(run_id: int, place: Iterable[int], data: bytes) -> bytes:
    """Hash a block: its place among the readings, and the readings."""
    return hashlib.sha256(_PLACE.pack(run_id, *place) + data).digest()


class CopiedBlocks:
    """Blocks as PostgreSQL's binary COPY takes them (its manual, COPY, "Binary Format"): each field led by its length.

    They are read and packed while they are sent, so that this machine and the server work at the same time. What was
    packed is kept, for COPY may have to begin again, and the rows are not: a row that is converted field by field costs
    three times as much, and ten thousand rows that live on set off the collector of garbage.

    Parameters
    ----------
    bench
        The name under which the archive is to have them.
    blocks
        Those of each channel in order.

    Attributes
    ----------
    upto
        First reading of the last block that was packed, by channel.
    """

    def __init__(self, bench: str, blocks: Iterable[KeptBlock]) -> None:
        self.upto: dict[int, int] = {}
        self._coming, self._one_row = iter(blocks), _row_form(bench)
        self._pieces, self._number = list[bytes](), 0

    def __len__(self) -> int:
        """Count those that were packed."""
        return self._number

    def __bool__(self) -> bool:
        """Tell whether there are any."""
        return bool(self._pieces) or self._pack()

    def __iter__(self) -> Iterator[bytes]:
        """Give them from the first byte of the form to its last."""
        yield _BEGINS
        yield from self._pieces
        while self._pack():
            yield self._pieces[-1]
        yield _ENDS

    def _pack(self) -> bool:
        piece = list(islice(self._coming, BLOCKS_A_PIECE))
        if not piece:
            return False
        one_row = self._one_row
        self._pieces.append(b"".join([part for block in piece for part in one_row(block)]))
        self._number += len(piece)
        self.upto |= {block.channel_id: block.first for block in piece}
        return True


def _row_form(bench: str) -> Callable[[KeptBlock], tuple[bytes, bytes]]:
    """Give what packs a block as a row of binary `COPY`, for all blocks of one bench: names and widths are packed once."""
    name = bench.encode()
    row = struct.Struct(f">hi{len(name)}s{'iq' * (len(BLOCK_COLUMNS) + 1)}i32si").pack
    place, sha256, fields, wide = _PLACE.pack, hashlib.sha256, len(COPIED), _WIDE

    def one_row(block: KeptBlock) -> tuple[bytes, bytes]:
        """One block as the archive's binary COPY takes it, with the hash of all of it."""
        run, channel, first, lines, segment, kept, start, end, tail, tail_lines, data = block
        hashed = sha256(
            place(run, channel, first, lines, segment, kept, start, end, tail, tail_lines) + data
        ).digest()
        # fmt: off
        head = row(
            fields, len(name), name, wide, run, wide, channel, wide, first, wide, lines, wide, segment, wide, kept,
            wide, start, wide, end, wide, tail, wide, tail_lines, len(hashed), hashed, len(data),
        )
        # fmt: on
        return head, data

    return one_row
