"""The time on the instruments' wires: when a reading came, and what "now" is beside it.

Real instruments live in this machine's own time. A simulated bench may keep a time of its own, in a folder that
`BENCH_CLOCK` names, so that what is measured on it is the same however busy the machine is:

``now``
    Nanoseconds, eight bytes in this machine's order; the bench alone sets them.
``NAME.progress``
    There, and not empty, while the port NAME is open: how many of its bytes were read and stamped since, how many were
    written to it, and when the next are due, likewise. The bench does not go on before its last line was taken, nor past
    such a time before it was asked.

Only stamps, and what is compared with stamps, come from here. What watches over processes (time-outs, signs of life,
pauses) keeps to the machine's time.
"""

from __future__ import annotations

import contextlib
import mmap
import os
import sys
import time
from collections.abc import Callable
from functools import cache
from pathlib import Path

from capture.base.errors import CaptureError

BENCH_CLOCK = "LOBEWRIGHT_BENCH_CLOCK"
NEVER_NS = 2**63
LOOK_EVERY_S = 0.0005


def bench_keeps_time() -> bool:
    """Whether a simulated bench keeps a time of its own."""
    return _folder() is not None


def wire_now_ns() -> int:
    """Nanoseconds on the instruments' wires; the monotonic clock, unless a simulated bench keeps its own."""
    return _now()()


@cache
def _now() -> Callable[[], int]:
    folder = _folder()
    if folder is None:
        return time.monotonic_ns
    try:
        with (folder / "now").open("rb") as file:
            page = memoryview(mmap.mmap(file.fileno(), 8, access=mmap.ACCESS_READ)).cast("Q")
    except (OSError, ValueError):
        raise CaptureError(f"{BENCH_CLOCK} names {folder}, where no bench keeps its time; unset it") from None
    return lambda: page[0]


def _folder() -> Path | None:
    named = os.environ.get(BENCH_CLOCK)
    return Path(named) if named else None


def wire_pause_s(due_ns: int, longest_s: float) -> float:
    """How many seconds to sleep before `due_ns` is looked for again: no one is woken when a bench's own time has come."""
    left_s = max(0.0, (due_ns - wire_now_ns()) / 1e9)
    return min(longest_s, LOOK_EVERY_S if bench_keeps_time() else left_s)


class PortProgress:
    """Tells a bench that keeps its own time how far the reader of a port is; of a real bench nobody asks.

    Parameters
    ----------
    port : str
        As in the bench file.
    """

    def __init__(self, port: str) -> None:
        folder = _folder()
        self._path = folder / f"{Path(port).name}.progress" if folder else None
        self._file = -1
        self._taken = self._asked = 0

    def begin(self) -> None:
        """The port was opened and emptied."""
        if self._path:
            self._file = os.open(self._path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o644)
            self._taken = self._asked = 0
            self._put(0, NEVER_NS, 0, 0)

    def taken(self, count: int) -> None:
        """So many bytes more were read, stamped and handed on."""
        self._taken += count
        self._put(2, self._taken)

    def asked(self, count: int) -> None:
        """So many bytes more were written."""
        self._asked += count
        self._put(1, self._asked)

    def asks_at(self, due_ns: int) -> None:
        """The next will be written then."""
        self._put(0, due_ns)

    def end(self) -> None:
        """The port is closed."""
        if self._path and self._file >= 0:
            os.ftruncate(self._file, 0)  # who has it open sees that it has ended
            os.close(self._file)
            with contextlib.suppress(OSError):
                self._path.unlink()
            self._file = -1

    def _put(self, place: int, *numbers: int) -> None:
        if self._file >= 0:
            told = b"".join(number.to_bytes(8, sys.byteorder) for number in numbers)
            os.lseek(self._file, 8 * place, os.SEEK_SET)  # no pwrite on Windows
            os.write(self._file, told)
