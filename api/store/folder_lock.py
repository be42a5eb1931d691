"""A lock file that one process holds for as long as it lives; a killed holder lets go by itself."""

from __future__ import annotations

import os
import sys
from pathlib import Path

from api.base import StoreError

if sys.platform == "win32":
    import msvcrt

    def _take(handle: int) -> None:
        msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
else:
    import fcntl

    def _take(handle: int) -> None:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)


class FolderLock:
    """Holds `path` locked until `release`.

    Raises
    ------
    StoreError
        Another process holds it.
    """

    def __init__(self, path: Path) -> None:
        self._handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o644)
        try:
            _take(self._handle)
        except OSError:
            holder = os.read(self._handle, 20).decode("ascii", "replace").strip() or "unknown"
            os.close(self._handle)
            raise StoreError(
                "folder_in_use",
                f"another Lobewright (process {holder}) uses {path.parent}; "
                "stop it, or choose another folder.",
            ) from None
        os.ftruncate(self._handle, 0)
        os.write(self._handle, str(os.getpid()).encode())

    def release(self) -> None:
        """Let another process have it."""
        os.close(self._handle)
