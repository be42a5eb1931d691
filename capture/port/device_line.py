"""A serial device as a file with a descriptor: bulk reads, writes with a limit, nobody else let in."""

from __future__ import annotations

import contextlib
import os
import select
import sys
import time

import serial

from capture.base import HAS_DESCRIPTORS
from capture.bench import Instrument
from capture.port.devices import is_pty
from capture.port.lines import CHUNK_BYTES, WRITE_TIMEOUT_S, Line, PyserialLine, opened

if sys.platform == "win32" or not HAS_DESCRIPTORS:
    DEVICE_ERRORS: tuple[type[Exception], ...] = (OSError, serial.SerialException, TypeError)

    def device_line(instrument: Instrument) -> Line:
        """Open the device as this system can."""
        return PyserialLine(instrument)

else:
    import fcntl
    import termios

    DEVICE_ERRORS = (OSError, serial.SerialException, termios.error, TypeError)

    class DeviceLine:
        """A device that was opened by pyserial and is read by its descriptor."""

        rdev: int | None

        def __init__(self, instrument: Instrument) -> None:
            self._serial = opened(instrument, exclusive=True)
            self._fd = int(self._serial.fileno())
            self.rdev = os.fstat(self._fd).st_rdev
            self._keep_others_out(self.rdev)

        def read(self, timeout_s: float) -> bytes:
            """See `Line.read`."""
            if not _ready(self._fd, select.POLLIN, timeout_s):
                return b""
            chunk = os.read(self._fd, CHUNK_BYTES)
            if not chunk:
                raise OSError("the device is gone")
            return chunk

        def waiting(self) -> bool:
            """See `Line.waiting`."""
            return bool(self._serial.in_waiting)

        def write(self, data: bytes) -> bool:
            """See `Line.write`."""
            deadline = time.monotonic() + WRITE_TIMEOUT_S
            left = data
            while left:
                if _ready(self._fd, select.POLLOUT, max(0.0, deadline - time.monotonic())):
                    with contextlib.suppress(BlockingIOError):
                        left = left[os.write(self._fd, left) :]
                elif time.monotonic() >= deadline:
                    return False
            return True

        def empty(self) -> None:
            """See `Line.empty`."""
            self._serial.reset_input_buffer()

        def close(self) -> None:
            """See `Line.close`."""
            with contextlib.suppress(*DEVICE_ERRORS):
                fcntl.ioctl(self._fd, termios.TIOCNXCL)
            self._serial.close()

        def _keep_others_out(self, rdev: int) -> None:
            """`exclusive` is a lock that only the polite ask for; TIOCEXCL makes the kernel refuse.

            Not on a pseudo-terminal: there it outlives us while the far end is open, and would keep us out
            ourselves after a crash.
            """
            if is_pty(rdev):
                return
            with contextlib.suppress(*DEVICE_ERRORS):
                fcntl.ioctl(self._fd, termios.TIOCEXCL)
            with contextlib.suppress(*DEVICE_ERRORS, ValueError, AttributeError, NotImplementedError):
                self._serial.set_low_latency_mode(True)

    def _ready(fd: int, what: int, timeout_s: float) -> bool:
        poll = select.poll()  # unlike select, any descriptor number will do
        poll.register(fd, what)
        return bool(poll.poll(timeout_s * 1000))

    def device_line(instrument: Instrument) -> Line:
        """Open the device as this system can."""
        return DeviceLine(instrument)
