r"""A pseudo-terminal behind a stable name, and a journal of every line that it accepted.

The link is written atomically (a new link renamed over the old), so that a replugged device appears under the
same name as with udev. Writing never blocks: what the terminal has no room for is dropped, as a
device drops what nobody takes. While nobody has the port open, nothing is sent at all.
"""

from __future__ import annotations

import contextlib
import os
import select
import sys
import termios
import tty
from pathlib import Path

from simulated_devices.machine import MachineClock, SimulatorError
from simulated_devices.wire.line import JournalledLine

assert sys.platform != "win32"  # nothing below is looked at there


class PtyLine(JournalledLine):
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
        super().__init__(journal, clock)
        self.link = link
        self._master = -1
        self._device = ""
        self._points_to = ""

    @property
    def name(self) -> str:
        """What the bench file calls the port."""
        return str(self.link)

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

    def swap_links(self, other: JournalledLine) -> None:
        """Let each of two links lead to the other's terminal, as when two cables change places."""
        if isinstance(other, PtyLine):
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

    def _arrived(self) -> bytes:
        if not self.plugged:
            return b""
        try:
            return os.read(self._master, 4096)
        except OSError:
            return b""

    def _write(self, data: bytes) -> int:
        return os.write(self._master, data)
