r"""What every simulated serial line has: whole lines accepted or dropped, and a journal of them.

Journal
-------
One row for each line accepted whole, tab-separated: the monotonic time in nanoseconds at which its last byte
was accepted, the bytes (with ``\r``, ``\n``, ``\t``, ``\\`` and ``\xNN`` written out), and ``spoiled`` when a
fault had made them something other than the line meant.
"""

from __future__ import annotations

import os
from abc import ABC, abstractmethod
from pathlib import Path

from simulated_devices.machine import MachineClock
from simulated_devices.wire.line_faults import Outgoing


def escaped(sent: bytes) -> str:
    """Bytes as text of one line."""
    return sent.decode("latin-1").encode("unicode_escape").decode("ascii")


def unescaped(text: str) -> bytes:
    """The bytes that `escaped` wrote."""
    return text.encode("ascii").decode("unicode_escape").encode("latin-1")


def read_journal(path: Path) -> list[tuple[int, bytes, bool]]:
    """Rows of a journal: time in ns, bytes, spoiled. A row cut off at the end is left out."""
    rows = []
    for row in path.read_text().splitlines(keepends=True):
        if row.endswith("\n"):
            stamp, sent, mark = row[:-1].split("\t")
            rows.append((int(stamp), unescaped(sent), mark == "spoiled"))
    return rows


class JournalledLine(ABC):
    """Base of all simulated lines.

    Parameters
    ----------
    journal : Path, optional
        Where accepted lines are written down, appended.
    clock : MachineClock, optional
        The time that is written beside them.
    """

    def __init__(self, journal: Path | None = None, clock: MachineClock | None = None) -> None:
        self.accepted = 0
        self.written = 0
        self._received = 0
        self._come = b""
        self._clock = clock or MachineClock()
        self.dropped = 0
        self._journal = (
            -1 if journal is None else os.open(journal, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o644)
        )
        self._rest: tuple[bytes, Outgoing] | None = None
        self._had_reader = False
        self._rows: list[str] = []

    @property
    @abstractmethod
    def name(self) -> str:
        """What the bench file calls the port."""

    @property
    @abstractmethod
    def plugged(self) -> bool:
        """Whether there is something behind the name."""

    @abstractmethod
    def plug(self) -> None:
        """Put something behind the name."""

    @abstractmethod
    def unplug(self, half_line: bytes = b"") -> None:
        """Pull the cable, after half a line, if given."""

    @abstractmethod
    def swap_links(self, other: JournalledLine) -> None:
        """Let two cables change places, where that can be."""

    @abstractmethod
    def has_reader(self) -> bool:
        """Whether anybody has the port open."""

    def read(self) -> bytes:
        """What the reader of this port has written to it: requests."""
        self.received()
        come, self._come = self._come, b""
        return come

    def received(self) -> int:
        """Bytes that were written to this port, as far as they have come; `read` gives those that are new."""
        come = self._arrived()
        self._come += come
        self._received += len(come)
        return self._received

    @abstractmethod
    def _arrived(self) -> bytes:
        """Bytes that have come and were not taken yet."""

    @abstractmethod
    def _write(self, data: bytes) -> int:
        """Write without waiting; how many bytes were taken."""

    def close(self) -> None:
        """Unplug for good and close the journal."""
        self.unplug()
        if self._journal >= 0:
            os.close(self._journal)
            self._journal = -1

    @property
    def in_use(self) -> bool:
        """Whether anybody had the port open when the last line was due."""
        return self._had_reader

    def send(self, items: list[Outgoing]) -> None:
        """Send lines; those for which there is no room, or no reader, are dropped and counted."""
        if not items and self._rest is None:
            return
        if not self.has_reader():
            self.dropped += len(items)
            return
        if self._rest is not None and not self._send_rest():
            self.dropped += len(items)
            return
        self._write_journal()
        for place, item in enumerate(items):
            self._rest = (item.sent, item)
            if not self._send_rest():
                # A line begun has to be finished later; one not begun is dropped.
                if self._rest is not None and self._rest[0] == item.sent:
                    self._rest = None
                    self.dropped += 1
                self.dropped += len(items) - place - 1
                break
        self._write_journal()

    def _send_rest(self) -> bool:
        """Go on with the line begun; true when its last byte was accepted."""
        assert self._rest is not None
        left, item = self._rest
        try:
            while left:
                written = self._write(left[:1] if item.one_byte_writes else left)
                left = left[written:]
                self.written += written
        except OSError:
            self._rest = (left, item)
            return False
        self._rest = None
        self._accept(item)
        return True

    def _accept(self, item: Outgoing) -> None:
        self.accepted += 1
        if self._journal >= 0:
            mark = "spoiled" if item.spoiled else ""
            self._rows.append(f"{self._clock.now_ns()}\t{escaped(item.sent)}\t{mark}\n")

    def _write_journal(self) -> None:
        if self._rows:
            os.write(self._journal, "".join(self._rows).encode("ascii"))
            self._rows.clear()
