"""A simulated line as a serial server's TCP port, for systems without pseudo-terminals.

One reader at a time; nothing is sent while nobody reads, and what the connection has no room for is dropped.
"""

from __future__ import annotations

import contextlib
import os
import socket
from pathlib import Path

from simulated_devices.machine import CommandError, MachineClock, SimulatorError
from simulated_devices.wire.line import JournalledLine

LOOPBACK = "127.0.0.1"


class SocketLine(JournalledLine):
    """One simulated serial line behind ``socket://127.0.0.1:port``.

    Parameters
    ----------
    journal : Path, optional
        Where accepted lines are written down, appended.
    clock : MachineClock, optional
        The time that is written beside them.
    """

    def __init__(self, tcp_port: int, journal: Path | None = None, clock: MachineClock | None = None) -> None:
        super().__init__(journal, clock)
        self._tcp_port = tcp_port
        self._listening: socket.socket | None = None
        self._reader: socket.socket | None = None
        self._heard = b""

    @property
    def name(self) -> str:
        """What the bench file calls the port."""
        return f"socket://{LOOPBACK}:{self._tcp_port}"

    @property
    def plugged(self) -> bool:
        """Whether somebody listens behind the name."""
        return self._listening is not None

    def plug(self) -> None:
        """Listen."""
        if self._listening is not None:
            return
        listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        if os.name == "posix":  # elsewhere it would let two listen at one port
            listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            listening.bind((LOOPBACK, self._tcp_port))
        except OSError as error:
            listening.close()
            raise SimulatorError(
                f"{self.name} is taken: {error.strerror}; choose another --sockets-from"
            ) from error
        listening.listen(1)
        listening.setblocking(False)
        self._listening, self._rest, self._had_reader = listening, None, False

    def unplug(self, half_line: bytes = b"") -> None:
        """Pull the cable: no one listens any more."""
        if half_line and self._reader is not None:
            with contextlib.suppress(OSError):
                self._reader.send(half_line)
        self._hang_up()
        if self._listening is not None:
            self._listening.close()
        self._listening = None

    def swap_links(self, other: JournalledLine) -> None:
        """Two TCP ports do not change places."""
        raise CommandError("cables change places only where instruments are on pseudo-terminals")

    def has_reader(self) -> bool:
        """Whether anybody has the port open."""
        if self._listening is not None and self._reader is None:
            with contextlib.suppress(BlockingIOError):
                self._reader, _ = self._listening.accept()
                self._reader.setblocking(False)
                self._reader.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._listen_to_reader()
        self._had_reader = self._reader is not None
        return self._had_reader

    def _arrived(self) -> bytes:
        self.has_reader()
        heard, self._heard = self._heard, b""
        return heard

    def _listen_to_reader(self) -> None:
        if self._reader is None:
            return
        try:
            heard = self._reader.recv(4096)
        except BlockingIOError:
            return
        except OSError:
            heard = b""
        self._heard += heard
        if not heard:
            self._hang_up()

    def _hang_up(self) -> None:
        if self._reader is not None:
            self._reader.close()
        self._reader, self._rest = None, None

    def _write(self, data: bytes) -> int:
        if self._reader is None:
            raise ConnectionError("nobody reads")
        return self._reader.send(data)
