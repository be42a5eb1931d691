"""One serial port: open it for ourselves alone, read what is there, write with a limit.

Bulk reads only: whatever has arrived, into the caller's bounded buffer; never a line at a time.
"""

from __future__ import annotations

import contextlib
import errno
import os
import sys
from pathlib import Path
from types import TracebackType
from typing import Self

from capture.base import PortBusy, PortDenied, PortError, PortLost, PortMissing, PortUnusable
from capture.bench import Instrument
from capture.port.device_line import DEVICE_ERRORS, device_line
from capture.port.devices import device_number, holders, identity, is_device_path
from capture.port.lines import CHUNK_BYTES, READ_TIMEOUT_S, WRITE_TIMEOUT_S, Line, PyserialLine, TcpLine

__all__ = ["CHUNK_BYTES", "READ_TIMEOUT_S", "WRITE_TIMEOUT_S", "Port"]

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
        self._line = _opened(instrument)
        self.rdev = self._line.rdev
        self.at_server = _is_server(self.name)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def read(self, timeout_s: float = READ_TIMEOUT_S) -> bytes:
        """Whatever has arrived, at most `CHUNK_BYTES`; empty when nothing came in time; raises `PortLost`."""
        try:
            return self._line.read(timeout_s)
        except DEVICE_ERRORS as error:
            raise PortLost(self._gone()) from error

    def waiting(self) -> bool:
        """Whether more has arrived; raises `PortLost`."""
        try:
            return self._line.waiting()
        except DEVICE_ERRORS as error:
            raise PortLost(self._gone()) from error

    def write(self, data: bytes) -> bool:
        """Send; false when the device did not take it within `WRITE_TIMEOUT_S`; raises `PortLost`."""
        try:
            return self._line.write(data)
        except DEVICE_ERRORS as error:
            raise PortLost(self._gone()) from error

    def empty(self) -> None:
        """Throw away what has arrived and was not read."""
        with contextlib.suppress(*DEVICE_ERRORS):
            self._line.empty()

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
        with contextlib.suppress(*DEVICE_ERRORS):
            self._line.close()

    def _gone(self) -> str:
        if self.at_server:
            return f"port {self.name} broke off; is the serial server on, and the cable behind it plugged in?"
        return f"port {self.name} went away; plug it in again"


def _is_server(port: str) -> bool:
    return port.startswith(("socket://", "rfc2217://"))


def _opened(instrument: Instrument) -> Line:
    port = instrument.port
    try:
        if port.startswith("socket://"):
            return TcpLine(port)
        return device_line(instrument) if is_device_path(port) else PyserialLine(instrument)
    except DEVICE_ERRORS as error:
        raise _refusal(port, error) from error
    except ValueError as error:
        raise PortUnusable(f"port {port} cannot be opened: {error}; correct the bench file") from error


def _refusal(port: str, error: Exception) -> PortError:
    """What a failed opening means, in a sentence."""
    number = error.errno if isinstance(error, OSError) else None
    if isinstance(error.__context__, OSError):
        number = number or error.__context__.errno
    if _is_server(port):
        return PortMissing(
            f"port {port}: no serial server answers there ({error.__context__ or error}); "
            "switch it on, or correct the bench file"
        )
    if number in {errno.EACCES, errno.EPERM}:
        return PortDenied(
            f"no permission to open {port}; add this account to the group that owns it "
            f"({_owner_group(port)}) and log in again"
        )
    if number in {errno.EBUSY, errno.EAGAIN}:
        return PortBusy(f"port {port} is busy: {_who_has(port)} has it; close that program")
    if number in _MISSING or (is_device_path(port) and not os.path.lexists(port)):
        return PortMissing(f"port {port} is not there; plug the instrument in or correct the bench file")
    if is_device_path(port) and device_number(port) is None and Path(port).exists():
        return PortUnusable(f"{port} is not a serial port; correct the bench file")
    return PortMissing(f"port {port} cannot be opened: {error}; check the cable and the bench file")


def _who_has(port: str) -> str:
    rdev = device_number(port)
    others = holders({rdev}).get(rdev, []) if rdev is not None else []
    return str(others[0]) if others else "another program"


def _owner_group(port: str) -> str:
    if sys.platform == "win32":
        return "often dialout"
    try:
        return Path(port).group()
    except (OSError, KeyError, NotImplementedError, ImportError):
        return "often dialout"
