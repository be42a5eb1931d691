"""Blocks: how readings are packed for the store. Pure: no file, no clock.

A block holds up to 250 kept readings of one segment as delta-coded integers, byte planes apart, zlib
level 1.

**A bench that stands still stores next to nothing.** When the value does not change, the first reading
of the stretch and the last are kept; those between are counted, not kept (`folded`). After a block has
been closed, a stretch that goes on only moves the block's tail (`tail_ns`, `tail_lines`). A gauge is
kept in full for the first `GAUGE_HOLD_NS` of a stretch, because readings near a dwell carry weight
there. A stretch never spans a pause of more than `LONGEST_FOLDED_PAUSE_NS`, so silence is never hidden.
The count of lines is exact: kept + folded = lines accepted, and the values of folded lines are known;
only their stamps are not.
"""

from __future__ import annotations

import sys
import zlib
from array import array
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from capture.base import Channel, Segment

BLOCK_READINGS = 250
GAUGE_HOLD_NS = 5_000_000_000
LONGEST_FOLDED_PAUSE_NS = 1_000_000_000
_WIDTH = 8


@dataclass(slots=True, eq=False)
class Block:
    """Kept readings of one segment, and a tail that may still grow while the value stands still.

    Attributes
    ----------
    first : int
        Sequence number of the first reading.
    t_ns, raw, folded : list of int
        Stamp, value, and how many equal readings just before this one were counted and not kept.
    tail_ns, tail_lines : int
        Stamp of the last of `tail_lines` more readings equal to the last kept one; 0 when there are none.
    row_id : int or None
        Set once the block is durably stored.
    """

    channel: Channel
    segment: Segment
    first: int
    t_ns: list[int] = field(default_factory=list)
    raw: list[int] = field(default_factory=list)
    folded: list[int] = field(default_factory=list)
    tail_ns: int = 0
    tail_lines: int = 0
    row_id: int | None = None

    @property
    def lines(self) -> int:
        """Accepted lines that this block accounts for."""
        return len(self.t_ns) + sum(self.folded) + self.tail_lines

    @property
    def last(self) -> int:
        """Sequence number of the last reading accounted for."""
        return self.first + self.lines - 1

    @property
    def end_ns(self) -> int:
        """Stamp of the last reading accounted for."""
        return self.tail_ns if self.tail_lines else self.t_ns[-1]

    def packed(self) -> bytes:
        """The kept readings as bytes; see `capture.unpacking.unpack`."""
        times = _deltas(self.t_ns, self.t_ns[0])
        values = (_zigzag(delta) for delta in _deltas(self.raw, 0))
        return zlib.compress(_planes(times) + _planes(values) + _planes(self.folded), 1)


def _deltas(numbers: Sequence[int], start: int) -> Iterable[int]:
    before = start
    for number in numbers:
        yield number - before
        before = number


def _zigzag(number: int) -> int:
    """Small negative numbers become small positive ones, so that the high byte planes stay empty."""
    return number << 1 if number >= 0 else (-number << 1) - 1


def _planes(numbers: Iterable[int]) -> bytes:
    packed = array("Q", numbers)
    if sys.byteorder == "big":
        packed.byteswap()
    whole = packed.tobytes()
    return b"".join(whole[plane::_WIDTH] for plane in range(_WIDTH))


class BlockBuilder:
    """Gathers the readings of one channel into blocks.

    A standing value is kept in full for 5 s of a gauge, not at all of the crank.
    """

    def __init__(self, channel: Channel) -> None:
        self.channel = channel
        self._hold_ns = 0 if channel.quantity == "crank" else GAUGE_HOLD_NS
        self._block: Block | None = None
        self._open = False
        self._run_start_ns = 0
        self._run_kept = 0
        self._next = 0

    def add(self, segment: Segment, sequence: int, t_ns: int, raw: int) -> Block | None:
        """Take one reading.

        Returns
        -------
        Block or None
            The block that this reading touched, when it is one the caller has to store (again):
            a full one, or a closed one whose tail grew.
        """
        block, expected = self._block, self._next
        self._next = sequence + 1
        if block is None or block.segment is not segment or sequence != expected:
            closed = self.close()
            self._begin(segment, sequence, t_ns, raw, standing=False)
            return closed
        standing = raw == block.raw[-1] and t_ns - block.end_ns <= LONGEST_FOLDED_PAUSE_NS
        foldable = standing and t_ns - self._run_start_ns > self._hold_ns
        if not self._open and not foldable:
            self._begin(segment, sequence, t_ns, raw, standing=standing)
            return None
        if not self._open:
            block.tail_ns, block.tail_lines = t_ns, block.tail_lines + 1
            return block
        if foldable and self._run_kept >= 2:
            block.t_ns[-1] = t_ns
            block.folded[-1] += 1
            return None
        return self._append(block, t_ns, raw, standing=standing)

    def close(self) -> Block | None:
        """End the open block, if there is one; its tail may still grow."""
        if not self._open:
            return None
        self._open = False
        return self._block

    @property
    def kept(self) -> int:
        """Readings in the open block."""
        return len(self._block.t_ns) if self._open and self._block else 0

    def _begin(self, segment: Segment, sequence: int, t_ns: int, raw: int, *, standing: bool) -> None:
        self._block = Block(self.channel, segment, sequence, [t_ns], [raw], [0])
        self._open = True
        self._note(t_ns, standing=standing)

    def _append(self, block: Block, t_ns: int, raw: int, *, standing: bool) -> Block | None:
        block.t_ns.append(t_ns)
        block.raw.append(raw)
        block.folded.append(0)
        self._note(t_ns, standing=standing)
        return self.close() if len(block.t_ns) >= BLOCK_READINGS else None

    def _note(self, t_ns: int, *, standing: bool) -> None:
        if standing:
            self._run_kept += 1
        else:
            self._run_start_ns, self._run_kept = t_ns, 1
