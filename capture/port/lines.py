"""What carries the bytes of a port: a connection to a serial server, or whatever pyserial opens.

Devices of a system with descriptors have `capture.port.device_line`, which can do more.
"""

from __future__ import annotations

import contextlib
import select
import socket
import sys
import time
from typing import Any, Protocol
from urllib.parse import urlsplit

import serial
from serial import rfc2217

from capture.bench import Instrument

READ_TIMEOUT_S = 0.2
WRITE_TIMEOUT_S = 0.4
CONNECT_TIMEOUT_S = 2.0
CHUNK_BYTES = 4096
_POLL_S = 0.02
_KEEP_ALIVE = {"TCP_KEEPIDLE": 1, "TCP_KEEPALIVE": 1, "TCP_KEEPINTVL": 1, "TCP_KEEPCNT": 3}
"""Seconds until a quiet connection is asked whether it still stands, seconds between, times asked."""
_GIVE_UP_AFTER_S = 4
_GIVE_UP = {"linux": (18, 1000), "darwin": (0x80, 1), "win32": (5, 1)}
"""TCP_USER_TIMEOUT, TCP_RXT_CONNDROPTIME, TCP_MAXRT, and what each counts a second as; the last two untried."""


class Line(Protocol):
    """What every carrier can do; a line that is gone raises `OSError` or one of pyserial's errors."""

    rdev: int | None

    def read(self, timeout_s: float) -> bytes:
        """Whatever has arrived, at most `CHUNK_BYTES`; empty when nothing came in time."""

    def waiting(self) -> bool:
        """Whether more has arrived."""

    def write(self, data: bytes) -> bool:
        """Send; false when it was not taken within `WRITE_TIMEOUT_S`."""

    def empty(self) -> None:
        """Throw away what has arrived and was not read."""

    def close(self) -> None:
        """Let go of it."""


class TcpLine:
    """A serial server that passes bytes on as they are: ``socket://host:port``.

    Raises
    ------
    OSError
        Nobody answers there.
    ValueError
        The address is none.
    """

    rdev: int | None = None

    def __init__(self, url: str) -> None:
        place = urlsplit(url)
        if not place.hostname or not place.port:
            raise ValueError("write socket://host:port")
        self._socket = socket.create_connection((place.hostname, place.port), CONNECT_TIMEOUT_S)
        self._socket.settimeout(WRITE_TIMEOUT_S)
        keep_alive(self._socket)

    def read(self, timeout_s: float) -> bytes:
        """See `Line.read`."""
        if not self._ready(timeout_s):
            return b""
        chunk = self._socket.recv(CHUNK_BYTES)
        if not chunk:
            raise ConnectionResetError("the server closed the connection")
        return chunk

    def waiting(self) -> bool:
        """See `Line.waiting`."""
        return self._ready(0.0)

    def write(self, data: bytes) -> bool:
        """See `Line.write`."""
        try:
            self._socket.sendall(data)
        except TimeoutError:
            return False
        return True

    def empty(self) -> None:
        """See `Line.empty`."""
        while self._ready(0.0) and self._socket.recv(CHUNK_BYTES):
            pass

    def close(self) -> None:
        """See `Line.close`."""
        self._socket.close()

    def _ready(self, timeout_s: float) -> bool:
        return bool(select.select([self._socket], [], [], timeout_s)[0])


class Rfc2217Connection(rfc2217.Serial):
    """pyserial's client, for servers as they are.

    Servers differ in whether they answer an order to a control line, above all where the device has none:
    such orders are sent and not waited for. What is sent gets a limit of time.
    """

    _socket: socket.socket
    _network_timeout: float
    _rfc2217_options: dict[str, Any]

    def from_url(self, url: str) -> tuple[str, int]:
        """Host and port; called by `open`, which has just set its patience to far too long."""
        place: tuple[str, int] = super().from_url(url)
        self._network_timeout = min(self._network_timeout, CONNECT_TIMEOUT_S)
        return place

    def rfc2217_set_control(self, value: bytes) -> None:
        """Send an order to a control line."""
        self._rfc2217_options["control"].set(value)

    def limit(self) -> None:
        """Once open: bound writing, and notice a peer that is no longer there."""
        self._socket.settimeout(WRITE_TIMEOUT_S)
        keep_alive(self._socket)


class PyserialLine:
    """Whatever else pyserial opens: ``rfc2217://`` servers, and the ports of systems without descriptors."""

    rdev: int | None = None

    def __init__(self, instrument: Instrument) -> None:
        self._serial = opened(instrument)
        if isinstance(self._serial, Rfc2217Connection):
            self._serial.limit()

    def read(self, timeout_s: float) -> bytes:
        """See `Line.read`. The port's own patience is never changed: each change sends all settings anew."""
        until_s = time.monotonic() + timeout_s
        while True:
            chunk = bytes(self._serial.read(min(self._serial.in_waiting or 1, CHUNK_BYTES)))
            if chunk or time.monotonic() >= until_s:
                return chunk

    def waiting(self) -> bool:
        """See `Line.waiting`."""
        return bool(self._serial.in_waiting)

    def write(self, data: bytes) -> bool:
        """See `Line.write`."""
        try:
            self._serial.write(data)
        except serial.SerialTimeoutException:
            return False
        return True

    def empty(self) -> None:
        """See `Line.empty`."""
        self._serial.reset_input_buffer()

    def close(self) -> None:
        """See `Line.close`."""
        self._serial.close()


def opened(instrument: Instrument, *, exclusive: bool | None = None) -> Any:
    """An open port of pyserial, set as the bench file says."""
    port = instrument.port
    over_telnet = port.startswith("rfc2217://")
    settings: dict[str, Any] = {
        "baudrate": instrument.baud,
        "bytesize": int(instrument.framing[0]),
        "parity": instrument.framing[1],
        "stopbits": float(instrument.framing[2:]),
        "rtscts": instrument.flow == "rtscts",
        "xonxoff": instrument.flow == "xonxoff",
        "timeout": _POLL_S,
    }
    if over_telnet:
        opening: Any = Rfc2217Connection(None, **settings)
        opening.port = port
    else:
        settings |= {"write_timeout": WRITE_TIMEOUT_S, "exclusive": exclusive}
        opening = serial.serial_for_url(port, do_not_open=True, **settings)
    opening.dtr = (
        instrument.dtr
    )  # lowered unless the bench file says so: many boards restart when it is raised
    opening.rts = instrument.rts
    opening.open()
    return opening


def keep_alive(connection: socket.socket) -> None:
    """Have the system ask, while nothing comes, whether the other end is still there.

    It does not ask while something that was sent is not acknowledged, a request to a gauge above all; that
    it would send again for a quarter of an hour.
    """
    connection.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    for name, value in _KEEP_ALIVE.items():
        option = getattr(socket, name, None)  # systems differ in what they let us choose
        if option is not None:
            with contextlib.suppress(OSError):
                connection.setsockopt(socket.IPPROTO_TCP, option, value)
    if sys.platform in _GIVE_UP:
        number, a_second = _GIVE_UP[sys.platform]
        with contextlib.suppress(OSError):
            connection.setsockopt(socket.IPPROTO_TCP, number, _GIVE_UP_AFTER_S * a_second)
