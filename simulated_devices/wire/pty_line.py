r"""A pseudo-terminal behind a stable name, and a journal of every line that it accepted.

The link is written atomically (a new link renamed over the old), so that a replugged device appears under the
same name as with udev. Writing never blocks: what the terminal has no room for is dropped, as a
device drops what nobody takes. While nobody has the port open, nothing is sent at all.

Journal
-------
One row for each line accepted whole, tab-separated: the monotonic time in nanoseconds at which its last byte
was accepted, the bytes (with ``\r``, ``\n``, ``\t``, ``\\`` and ``\xNN`` written out), and ``spoiled`` when a
fault had made them something other than the line meant.
"""

from __future__ import annotations

import contextlib
import os
import select
import termios
import tty
from pathlib import Path

from simulated_devices.machine import MachineClock, SimulatorError
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


class PtyLine:
    """One simulated serial line.

    Parameters
    ----------
    link : Path
        The stable name.
    journal : Path, optional
        Where accepted lines are written down, appended.
    clock : MachineClock, optional
        The time that is written beside them.
    """

    def __init__(self, link: Path, journal: Path | None = None, clock: MachineClock | None = None) -> None:
        self.link = link
        self.accepted = 0
        self.written = 0
        self._received = 0
        self._come = b""
        self._clock = clock or MachineClock()
        self.dropped = 0
        self._journal = (
            -1 if journal is None else os.open(journal, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o644)
        )
        self._master = -1
        self._device = ""
        self._points_to = ""
        self._rest: tuple[bytes, Outgoing] | None = None
        self._had_reader = False
        self._rows: list[str] = []

    @property
    def plugged(self) -> bool:
        """Whether there is a terminal behind the link."""
        return self._master >= 0

    @property
    def device(self) -> str:
        """The terminal's own name, such as ``/dev/pts/7``; empty when unplugged."""
        return self._device

    def plug(self) -> None:
        """Open a new terminal and point the link at it."""
        if self.plugged:
            return
        master, slave = os.openpty()
        tty.setraw(slave)
        os.set_blocking(master, False)
        self._device = os.ttyname(slave)
        os.close(slave)
        self._master, self._rest, self._had_reader = master, None, False
        self.point_link()

    def point_link(self, device: str | None = None) -> None:
        """Point the link at this line's terminal (or at another device), atomically."""
        target = device or self._device
        beside = self.link.with_name(f".{self.link.name}.{os.getpid()}")
        try:
            beside.unlink(missing_ok=True)
            beside.symlink_to(target)
            beside.replace(self.link)
        except OSError as error:
            with contextlib.suppress(OSError):
                beside.unlink()
            raise SimulatorError(
                f"{self.link} cannot be made a link: {error.strerror}; choose another --links folder"
            ) from error
        self._points_to = target

    def swap_links(self, other: PtyLine) -> None:
        """Let each of two links lead to the other's terminal, as when two cables change places."""
        self.point_link(other.device)
        other.point_link(self.device)

    def unplug(self, half_line: bytes = b"") -> None:
        """Pull the cable: close the terminal (after half a line, if given) and take the link away."""
        if not self.plugged:
            return
        if half_line and self.has_reader():
            with contextlib.suppress(OSError):
                os.write(self._master, half_line)
        os.close(self._master)
        self._master = -1
        if self.link.is_symlink() and str(self.link.readlink()) == self._points_to:
            self.link.unlink()
        self._device = ""

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

    def has_reader(self) -> bool:
        """Whether anybody has the port open; what an earlier reader left unread is thrown away."""
        if not self.plugged:
            return False
        poll = select.poll()
        poll.register(self._master, select.POLLOUT)
        reader = not any(event & select.POLLHUP for _, event in poll.poll(0))
        if reader and not self._had_reader:
            self._make_raw()
        if self._had_reader and not reader:
            self._forget_unread()
        self._had_reader = reader
        return reader

    def _make_raw(self) -> None:
        flags = termios.tcgetattr(self._master)
        if flags[3] & (termios.ICANON | termios.ECHO):
            tty.setraw(self._master)

    def _forget_unread(self) -> None:
        self._rest = None
        with contextlib.suppress(OSError, termios.error):
            slave = os.open(self._device, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
            termios.tcflush(slave, termios.TCIFLUSH)
            os.close(slave)

    def read(self) -> bytes:
        """What the reader of this port has written to it: requests."""
        self.received()
        come, self._come = self._come, b""
        return come

    def received(self) -> int:
        """Bytes that were written to this port, as far as they have come; `read` gives those that are new."""
        if self.plugged:
            with contextlib.suppress(OSError):
                come = os.read(self._master, 4096)
                self._come += come
                self._received += len(come)
        return self._received

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
                written = os.write(self._master, left[:1] if item.one_byte_writes else left)
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
