"""What this system can do, asked once: the rest of the house looks here and never at names of systems."""

from __future__ import annotations

import os
import socket
import sys
from importlib.util import find_spec

HAS_DESCRIPTORS = find_spec("termios") is not None and find_spec("fcntl") is not None
"""Serial devices are files with a descriptor that can be waited for (POSIX)."""
HAS_LOCAL_SOCKETS = hasattr(socket, "AF_UNIX") and sys.platform != "win32"
"""Sockets with a name in the file system that obey its permissions."""

if sys.platform == "win32" or not HAS_DESCRIPTORS:
    if sys.platform == "win32":
        import msvcrt

        def _take(descriptor: int) -> None:
            os.lseek(descriptor, _LOCKED_BYTE, os.SEEK_SET)
            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
            os.lseek(descriptor, 0, os.SEEK_SET)
    else:

        def _take(descriptor: int) -> None:
            os.lockf(descriptor, os.F_TLOCK, 0)
else:
    import fcntl

    def _take(descriptor: int) -> None:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)


_LOCKED_BYTE = 1 << 30
"""Far behind what the file says: Windows lets nobody else read a locked byte."""


def lock_for_life(descriptor: int) -> None:
    """Lock an open file until it is closed or the process ends, however it ends.

    Raises
    ------
    OSError
        Another process has it.
    """
    _take(descriptor)


def ask_for_priority() -> None:
    """Ask to be run before others; where it is not allowed, or not known, so be it."""
    if sys.platform == "win32" or not hasattr(os, "nice"):
        return
    try:
        os.nice(-15)
    except OSError:
        return
