"""Who records into a data folder: by its lock, by what answers on its feed, and by the kernel's own list of locks.

A process number in a file may be anybody's by now, and a folder may be a copy. Nothing is ended here that does
not hold this very folder's lock at that moment.
"""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from capture.base import LOCK_NAME, FeedError, is_held
from capture.feed import LiveClient

ANSWER_S = 5.0
STOP_S = 3.0
KERNEL_LOCKS = Path("/proc/locks")
PROCESSES = Path("/proc")


def what_answers(data_dir: Path) -> dict[str, Any] | None:
    """Give what the capture of a folder says of itself, with its health; `None` where it does not answer."""
    try:
        with LiveClient(data_dir, ANSWER_S) as client:
            return client.hello | {"beating": client.ask("health").get("beating", True) is True}
    except (FeedError, OSError):
        return None


def end_capture(data_dir: Path) -> bool:
    """End whatever records into a folder: by asking, else by a signal to the holder of its lock."""
    with contextlib.suppress(FeedError, OSError), LiveClient(data_dir, ANSWER_S) as client:
        client.ask("stop")
    if _let_go(data_dir):
        return True
    for name in ("SIGTERM", "SIGKILL"):
        if hasattr(signal, name):
            _signal_holder(data_dir / LOCK_NAME, getattr(signal, name))
        if _let_go(data_dir):
            return True
    return False


def _let_go(data_dir: Path) -> bool:
    until_s = time.monotonic() + STOP_S
    while is_held(data_dir):
        if time.monotonic() > until_s:
            return False
        time.sleep(0.05)
    return True


def _signal_holder(lock: Path, number: int) -> None:
    """Signal the process that holds a lock file, as the kernel tells it; does nothing where it tells nothing."""
    if sys.platform != "linux":
        return
    for pid in _holders(lock):
        with contextlib.suppress(OSError):
            handle = os.pidfd_open(pid)
            try:
                if _has_open(pid, lock):  # looked at again: now the handle cannot become another's
                    signal.pidfd_send_signal(handle, number)
            finally:
                os.close(handle)


def _holders(lock: Path) -> Iterator[int]:
    """Give the processes that hold a lock on a file and have it open."""
    try:
        number, lines = str(lock.stat().st_ino), KERNEL_LOCKS.read_text().splitlines()
    except OSError:
        return
    for line in lines:
        words = line.split()
        if "FLOCK" in words and "WRITE" in words:
            at = words.index("WRITE")
            pid, inode = words[at + 1], words[at + 2].rpartition(":")[2]
            if inode == number and pid.isdecimal() and _has_open(int(pid), lock):
                yield int(pid)


def _has_open(pid: int, path: Path) -> bool:
    own = path.stat()
    with contextlib.suppress(OSError):
        for handle in (PROCESSES / str(pid) / "fd").iterdir():
            with contextlib.suppress(OSError):
                there = handle.stat()
                if (there.st_dev, there.st_ino) == (own.st_dev, own.st_ino):
                    return True
    return False


def end_child(child: subprocess.Popen[bytes], within_s: float) -> bool:
    """End a process that we have started: by asking, else by force; tells whether asking was enough."""
    child.terminate()
    try:
        child.wait(within_s)
    except subprocess.TimeoutExpired:
        child.kill()
        child.wait()
        return False
    return True
