"""One serial port: open it for ourselves alone, read what is there, write with a limit.

Bulk reads only: whatever has arrived, into the caller's bounded buffer; never a line at a time.
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import os
import select
import termios
import time
from types import TracebackType
from typing import Any, Self

import serial

from capture.base import PortBusy, PortDenied, PortError, PortLost, PortMissing, PortUnusable
from capture.bench import Instrument
from capture.port.devices import device_number, holders, identity, is_device_path, is_pty

READ_TIMEOUT_S = 0.2
WRITE_TIMEOUT_S = 0.4
CHUNK_BYTES = 4096
_GONE = (OSError, serial.SerialException, termios.error, TypeError)  # TypeError: closed under our feet
_MISSING = {errno.ENOENT, errno.ENXIO, errno.ENODEV, errno.EIO, errno.ENOTCONN, errno.ECONNREFUSED}


class Port:
    """An open port.

    Parameters
    ----------
    instrument : Instrument
        From the bench file.

    Raises
    ------
    PortRetryable
        Missing, busy or denied at the moment: try again later.
    PortUnusable
        Nothing can open a port of this name.
    """

    def __init__(self, instrument: Instrument) -> None:
        self.name = instrument.port
        self.identity = identity(self.name)
        self._serial: Any = _opened(instrument)
        self._fd = self._file_descriptor()
        self.rdev = os.fstat(self._fd).st_rdev if self._fd is not None else None
        self._keep_others_out()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def read(self, timeout_s: float = READ_TIMEOUT_S) -> bytes:
        """Whatever has arrived, at most `CHUNK_BYTES`; empty when nothing came in time.

        Raises
        ------
        PortLost
        """
        try:
            if self._fd is not None:
                return self._read_descriptor(self._fd, timeout_s)
            self._serial.timeout = timeout_s
            return bytes(self._serial.read(min(self._serial.in_waiting or 1, CHUNK_BYTES)))
        except _GONE as error:
            raise PortLost(self._sentence("went away; plug it in again")) from error

    def waiting(self) -> bool:
        """Whether more has arrived.

        Raises
        ------
        PortLost
        """
        try:
            return bool(self._serial.in_waiting)
        except _GONE as error:
            raise PortLost(self._sentence("went away; plug it in again")) from error

    def write(self, data: bytes) -> bool:
        """Send; false when the device did not take it within `WRITE_TIMEOUT_S`.

        Raises
        ------
        PortLost
        """
        try:
            if self._fd is not None:
                return self._write_descriptor(self._fd, data)
            self._serial.write(data)
        except serial.SerialTimeoutException:
            return False
        except _GONE as error:
            raise PortLost(self._sentence("went away; plug it in again")) from error
        return True

    def empty(self) -> None:
        """Throw away what has arrived and was not read."""
        with contextlib.suppress(*_GONE):
            self._serial.reset_input_buffer()

    def moved(self) -> bool:
        """Whether the name leads to another device now than the one that is open."""
        if self.rdev is None or not is_device_path(self.name):
            return False
        return device_number(self.name) not in {None, self.rdev} or identity(self.name) not in {
            "",
            self.identity,
        }

    def close(self) -> None:
        """Close; whatever the driver says about it."""
        with contextlib.suppress(*_GONE):
            if self._fd is not None:
                fcntl.ioctl(self._fd, termios.TIOCNXCL)
        with contextlib.suppress(*_GONE):
            self._serial.close()

    def _read_descriptor(self, fd: int, timeout_s: float) -> bytes:
        if not _ready(fd, select.POLLIN, timeout_s):
            return b""
        chunk = os.read(fd, CHUNK_BYTES)
        if not chunk:
            raise PortLost(self._sentence("went away; plug it in again"))
        return chunk

    @staticmethod
    def _write_descriptor(fd: int, data: bytes) -> bool:
        deadline = time.monotonic() + WRITE_TIMEOUT_S
        left = data
        while left:
            if _ready(fd, select.POLLOUT, max(0.0, deadline - time.monotonic())):
                with contextlib.suppress(BlockingIOError):
                    left = left[os.write(fd, left) :]
            elif time.monotonic() >= deadline:
                return False
        return True

    def _file_descriptor(self) -> int | None:
        try:
            return int(self._serial.fileno()) if is_device_path(self.name) else None
        except (OSError, AttributeError):
            return None

    def _keep_others_out(self) -> None:
        """`exclusive` is a lock that only the polite ask for; TIOCEXCL makes the kernel refuse.

        Not on a pseudo-terminal: there it outlives us while the far end is open, and would keep us out
        ourselves after a crash.
        """
        if self._fd is None or self.rdev is None or is_pty(self.rdev):
            return
        with contextlib.suppress(*_GONE):
            fcntl.ioctl(self._fd, termios.TIOCEXCL)
        with contextlib.suppress(*_GONE, ValueError, AttributeError, NotImplementedError):
            self._serial.set_low_latency_mode(True)

    def _sentence(self, what: str) -> str:
        return f"port {self.name} {what}"


def _ready(fd: int, what: int, timeout_s: float) -> bool:
    poll = select.poll()  # unlike select, any descriptor number will do
    poll.register(fd, what)
    return bool(poll.poll(timeout_s * 1000))


def _opened(instrument: Instrument) -> Any:
    port = instrument.port
    try:
        opening: Any = serial.serial_for_url(
            port,
            do_not_open=True,
            baudrate=instrument.baud,
            bytesize=int(instrument.framing[0]),
            parity=instrument.framing[1],
            stopbits=float(instrument.framing[2:]),
            timeout=READ_TIMEOUT_S,
            write_timeout=WRITE_TIMEOUT_S,
            exclusive=True if is_device_path(port) else None,
        )
        opening.dtr = False  # many boards restart when it is raised
        opening.open()
    except _GONE as error:
        raise _refusal(port, error) from error
    except ValueError as error:
        raise PortUnusable(f"port {port} cannot be opened: {error}; correct the bench file") from error
    return opening


def _refusal(port: str, error: Exception) -> PortError:
    """What a failed opening means, in a sentence."""
    number = error.errno if isinstance(error, OSError) else None
    if isinstance(error.__context__, OSError):
        number = number or error.__context__.errno
    if number in {errno.EACCES, errno.EPERM}:
        return PortDenied(
            f"no permission to open {port}; add this account to the group that owns it "
            f"({_owner_group(port)}) and log in again"
        )
    if number in {errno.EBUSY, errno.EAGAIN}:
        return PortBusy(f"port {port} is busy: {_who_has(port)} has it; close that program")
    if number in _MISSING or (is_device_path(port) and not os.path.lexists(port)):
        return PortMissing(f"port {port} is not there; plug the instrument in or correct the bench file")
    if is_device_path(port) and device_number(port) is None and os.path.exists(port):  # noqa: PTH110
        return PortUnusable(f"{port} is not a serial port; correct the bench file")
    return PortMissing(f"port {port} cannot be opened: {error}; check the cable and the bench file")


def _who_has(port: str) -> str:
    rdev = device_number(port)
    others = holders({rdev}).get(rdev, []) if rdev is not None else []
    return str(others[0]) if others else "another program"


def _owner_group(port: str) -> str:
    import grp

    try:
        return grp.getgrgid(os.stat(port).st_gid).gr_name  # noqa: PTH116
    except (OSError, KeyError):
        return "often dialout"
