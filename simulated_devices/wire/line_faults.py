r"""What goes wrong on the wire: wrappers round the lines of one channel, which can be stacked.

A `LineFault` is given the lines due now and gives back what is sent now: the same, spoiled, none (held or
lost) or more. `Outgoing.line` is what the instrument meant, `Outgoing.sent` what goes out.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

import numpy as np

Rng = np.random.Generator


@dataclass(frozen=True, slots=True)
class Outgoing:
    """One line on its way.

    Attributes
    ----------
    line : bytes
        As the instrument meant it; empty for bytes that are no line of it (a banner, noise).
    sent : bytes
        As it goes out.
    one_byte_writes : bool
        Whether every byte is written by itself.
    """

    line: bytes
    sent: bytes
    one_byte_writes: bool = False

    @property
    def spoiled(self) -> bool:
        """Whether what goes out can no longer be read as the line that was meant."""
        return not self.line or self.sent.strip(b"\r\n\0") != self.line.strip(b"\r\n")


class LineFault:
    """Does nothing; override `pass_on`."""

    name = "none"

    def pass_on(self, due: list[Outgoing], now_s: float, rng: Rng) -> list[Outgoing]:
        """What is sent now, given the lines due now (called at every turn of the line, also with none)."""
        return due


@dataclass
class OneByteWrites(LineFault):
    """Every byte by itself."""

    name = "one_byte_writes"

    def pass_on(self, due: list[Outgoing], now_s: float, rng: Rng) -> list[Outgoing]:
        """Mark the lines."""
        return [replace(item, one_byte_writes=True) for item in due]


@dataclass
class Bursts(LineFault):
    """Lines are held back until there are `size_bytes` of them, and then go out at once."""

    size_bytes: int = 4096
    name = "bursts"
    _held: list[Outgoing] = field(default_factory=list, init=False)

    def pass_on(self, due: list[Outgoing], now_s: float, rng: Rng) -> list[Outgoing]:
        """Hold, or let go."""
        self._held += due
        if sum(len(item.sent) for item in self._held) < self.size_bytes:
            return []
        released, self._held = self._held, []
        return released


@dataclass
class MixedLineEnds(LineFault):
    r"""Ends of lines in any mixture: CR, LF, CR LF, LF CR, doubled, with NUL before or after."""

    name = "mixed_line_ends"

    def pass_on(self, due: list[Outgoing], now_s: float, rng: Rng) -> list[Outgoing]:
        """Change the ends."""
        ends = (b"\r", b"\n", b"\r\n", b"\n\r", b"\r\n\r\n", b"\0\r\n", b"\r\n\0", b"\0\0\n")
        return [
            replace(item, sent=item.sent.rstrip(b"\r\n\0") + ends[int(rng.integers(len(ends)))])
            for item in due
        ]


@dataclass
class Corrupted(LineFault):
    """A share of the lines has one byte changed, dropped, doubled or a stretch cut out."""

    rate: float = 0.01
    name = "corrupted"

    def pass_on(self, due: list[Outgoing], now_s: float, rng: Rng) -> list[Outgoing]:
        """Spoil some."""
        return [
            replace(item, sent=_spoil(item.sent, rng)) if rng.random() < self.rate else item for item in due
        ]


def _spoil(sent: bytes, rng: Rng) -> bytes:
    """One byte changed, dropped or doubled, or a stretch cut out, before the line's end."""
    body, end = sent.rstrip(b"\r\n"), sent[len(sent.rstrip(b"\r\n")) :]
    if not body:
        return sent
    at, kind = int(rng.integers(len(body))), int(rng.integers(4))
    if kind == 0:
        changed = bytes([body[at] ^ (1 << int(rng.integers(8)))])
        return body[:at] + changed + body[at + 1 :] + end
    if kind == 1:
        return body[:at] + body[at + 1 :] + end
    if kind == 2:
        return body[:at] + body[at : at + 1] + body[at:] + end
    return body[:at] + body[at + int(rng.integers(1, 6)) :] + end


@dataclass
class Garbled(LineFault):
    """What a reader at the wrong baud rate sees: bytes with no relation to what was sent."""

    name = "garbled"

    def pass_on(self, due: list[Outgoing], now_s: float, rng: Rng) -> list[Outgoing]:
        """Replace every byte, a line end among them now and then."""
        choice = np.array(
            [0x00, 0x80, 0xE0, 0xF8, 0xFE, 0xFF, 0x1C, 0x66, 0x9E, 0x0A, 0x0D, 0xC3], dtype=np.uint8
        )
        return [replace(item, line=b"", sent=rng.choice(choice, len(item.sent)).tobytes()) for item in due]


@dataclass
class Silent(LineFault):
    """The port stays open and nothing comes; asked gauges are mute."""

    name = "silent"

    def pass_on(self, due: list[Outgoing], now_s: float, rng: Rng) -> list[Outgoing]:
        """Send nothing."""
        return []


@dataclass
class NoLineEnd(LineFault):
    """`size_bytes` without a line end, in pieces as fast as the port takes them, then lines as before."""

    size_bytes: int = 1_000_000
    piece_bytes: int = 4096
    name = "no_line_end"
    _left: int = field(default=-1, init=False)

    def pass_on(self, due: list[Outgoing], now_s: float, rng: Rng) -> list[Outgoing]:
        """Send the next piece instead of the lines; the last one ends with a line end."""
        if self._left < 0:
            self._left = self.size_bytes
        if self._left == 0:
            return due
        piece = min(self.piece_bytes, self._left)
        self._left -= piece
        end = b"\r\n" if self._left == 0 else b""
        return [Outgoing(b"", rng.integers(0x30, 0x3A, piece, dtype=np.uint8).tobytes() + end)]


@dataclass
class Late(LineFault):
    """Everything comes `by_s` late: an asked gauge answers after the asker has given up."""

    by_s: float = 1.0
    name = "late"
    _held: list[tuple[float, Outgoing]] = field(default_factory=list, init=False)

    def pass_on(self, due: list[Outgoing], now_s: float, rng: Rng) -> list[Outgoing]:
        """Hold, and let go what is old enough."""
        self._held += [(now_s + self.by_s, item) for item in due]
        ready = [item for at, item in self._held if at <= now_s]
        self._held = [(at, item) for at, item in self._held if at > now_s]
        return ready


@dataclass
class Lost(LineFault):
    """A share of the lines never goes out."""

    rate: float = 0.05
    name = "lost"

    def pass_on(self, due: list[Outgoing], now_s: float, rng: Rng) -> list[Outgoing]:
        """Drop some."""
        return [item for item in due if rng.random() >= self.rate]


@dataclass
class HeadLost(LineFault):
    """A share of the lines loses its first bytes: what is left may be a valid, wrong number."""

    rate: float = 0.01
    name = "head_lost"

    def pass_on(self, due: list[Outgoing], now_s: float, rng: Rng) -> list[Outgoing]:
        """Cut some."""
        return [
            replace(item, sent=item.sent[int(rng.integers(1, 4)) :]) if rng.random() < self.rate else item
            for item in due
        ]


LINE_FAULTS: Mapping[str, Callable[..., LineFault]] = {
    fault.name: fault
    for fault in (
        OneByteWrites,
        Bursts,
        MixedLineEnds,
        Corrupted,
        Garbled,
        Silent,
        NoLineEnd,
        Late,
        Lost,
        HeadLost,
    )
}
"""Every fault of the wire by name; sizes are keyword arguments."""
