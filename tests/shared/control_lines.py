"""A serial server that sees the control lines: RFC 2217 on a TCP port, with an instrument of the tests' own behind it.

The server's side of RFC 2217 is pyserial's `PortManager`, over a plain socket.
"""

from __future__ import annotations

import contextlib
import ctypes
import select
import socket
import struct
import threading
import time
from collections.abc import Callable
from typing import Any

import serial
from serial import rfc2217

PACE_S = 0.005
CABLE_S = 0.05  # what adapters and servers hold back
SO_ATTACH_FILTER, TCP_REPAIR = 26, 19  # Linux; not among the names of the socket module
SETTINGS = {"dtr", "rts", "xonxoff", "rtscts", "baudrate", "bytesize", "parity", "stopbits"}


class Wire:
    """What `PortManager` takes for a serial port: remembers how it was set, and every order in its turn."""

    def __init__(self) -> None:
        self.orders: list[tuple[str, Any]] = []
        self.dtr = self.rts = self.xonxoff = self.rtscts = False
        self.cts = self.dsr = self.ri = self.cd = False
        self.baudrate, self.bytesize, self.parity, self.stopbits = 9600, 8, serial.PARITY_NONE, 1
        self.orders.clear()

    def __setattr__(self, name: str, value: Any) -> None:
        object.__setattr__(self, name, value)
        if name in SETTINGS:
            self.orders.append((name, value))

    def reset_input_buffer(self) -> None:
        """Nothing is held back here."""

    reset_output_buffer = reset_input_buffer


class SpeaksOnlyWith:
    """A gauge whose sending side lives on the control lines; at a wrong speed it is heard as noise.

    Speaks 20 times a second, or whenever it is asked.
    """

    def __init__(
        self, *, dtr: bool | None = None, rts: bool | None = None, baud: int = 9600, request: bytes = b""
    ) -> None:
        self.dtr, self.rts, self.baud, self.request = dtr, rts, baud, request
        self._due_s, self._heard = 0.0, b""

    def hears(self, come: bytes) -> None:
        self._heard += come

    def says(self, wire: Wire, now_s: float) -> bytes:
        fed = self.dtr in {None, wire.dtr} and self.rts in {None, wire.rts}
        due = self.request in self._heard if self.request else now_s >= self._due_s
        if not fed or not due:
            return b""
        self._heard = b""
        self._due_s = now_s + 0.05
        return b"+12.345\r\n" if wire.baudrate == self.baud else b"\xf8\x80\x1e\x00\xf8\xe0"


class RestartsWithDtr:
    """A board with a counter: each time DTR is raised it says who it is, rests, and counts from nought.

    `last_words` lines from before are still in the cable then, and come a little after.
    """

    def __init__(self, *, rests_s: float, last_words: int = 0, count: int = 0) -> None:
        self.rests_s, self.last_words, self.count = rests_s, last_words, count
        self.restarts = 0
        self._raised, self._speaks_at_s = False, 0.0
        self._left: list[bytes] = []

    def hears(self, come: bytes) -> None:
        """It obeys nobody."""

    def says(self, wire: Wire, now_s: float) -> bytes:
        raised, self._raised = wire.dtr and not self._raised, wire.dtr
        if raised:
            self.restarts += 1
            self._speaks_at_s = now_s + self.rests_s
            self._left = [b"%d\r\n" % self.count] * self.last_words + [b"\r\ncounter 1.4, ready\r\n"]
            self.count = 0
        if not wire.dtr:
            return b""
        if self._left and now_s > self._speaks_at_s - self.rests_s + CABLE_S:
            return self._left.pop(0)
        return b"%d\r\n" % self.count if now_s >= self._speaks_at_s else b""


class LineServer:
    """Serves one caller at a time, as serial servers do; when he goes, both lines fall.

    Parameters
    ----------
    instrument : SpeaksOnlyWith or RestartsWithDtr
    telnet : bool
        RFC 2217; else bytes as they are.
    """

    def __init__(self, instrument: SpeaksOnlyWith | RestartsWithDtr, *, telnet: bool = True) -> None:
        self.instrument, self.telnet, self.wire = instrument, telnet, Wire()
        self.callers = 0
        self.deaf = False
        """All that the caller sends is dropped before this side's kernel sees it, acknowledgements and all."""
        self._stop = threading.Event()
        self._listening: socket.socket | None = None
        self._thread: threading.Thread | None = None
        self.port = 0

    @property
    def url(self) -> str:
        return f"{'rfc2217' if self.telnet else 'socket'}://127.0.0.1:{self.port}"

    def start(self) -> float:
        """Listen; gives the time from when on."""
        self._stop.clear()
        self._listening = socket.socket()
        self._listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        self._listening.bind(("127.0.0.1", self.port))
        self.port = self._listening.getsockname()[1]
        self._listening.listen(1)
        self._thread = threading.Thread(target=self._serve, args=(self._listening,), daemon=True)
        self._thread.start()
        return time.monotonic()

    def stop(self) -> None:
        self._stop.set()
        if self._thread:
            self._thread.join(5)
            self._thread = None

    def _serve(self, listening: socket.socket) -> None:
        with listening:
            while not self._stop.is_set():
                if select.select([listening], [], [], 0.02)[0]:
                    connection, _ = listening.accept()
                    with connection, contextlib.suppress(OSError):
                        self._attend(connection, listening)
                    self.wire.dtr = self.wire.rts = False
                    self.instrument.says(self.wire, time.monotonic())

    def _attend(self, connection: socket.socket, listening: socket.socket) -> None:
        self.callers += 1
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        write: Callable[[bytes], object] = connection.sendall
        manager = rfc2217.PortManager(self.wire, _Written(write)) if self.telnet else None
        while not self._stop.is_set():
            if self.deaf:
                self._vanish(connection, listening)
                return
            if select.select([connection], [], [], PACE_S)[0]:
                come = connection.recv(1024)
                if not come:
                    return
                self.instrument.hears(b"".join(manager.filter(come)) if manager else come)
            said = self.instrument.says(self.wire, time.monotonic())
            if said:
                write(b"".join(manager.escape(said)) if manager else said)

    def _vanish(self, connection: socket.socket, listening: socket.socket) -> None:
        """Nothing goes either way from now on, and nobody listens: a firewall that drops, a cable that is cut."""
        listening.close()
        drop_all_that_comes(connection)
        self._stop.wait(60)
        go_without_a_word(connection)


class _Written:
    def __init__(self, write: Callable[[bytes], object]) -> None:
        self.write = write


def drop_all_that_comes(connection: socket.socket) -> None:
    """Have the kernel drop every segment to this socket, before it acknowledges it (Linux)."""
    nothing_passes = ctypes.create_string_buffer(struct.pack("HBBI", 0x06, 0, 0, 0), 8)  # return 0
    program = struct.pack("HP", 1, ctypes.addressof(nothing_passes))
    connection.setsockopt(socket.SOL_SOCKET, SO_ATTACH_FILTER, program)


def go_without_a_word(connection: socket.socket) -> None:
    """Close and tell nobody, where the kernel gives leave; else it says goodbye, to somebody who left long ago."""
    with contextlib.suppress(OSError):
        connection.setsockopt(socket.IPPROTO_TCP, TCP_REPAIR, 1)
