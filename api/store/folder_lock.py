"""A lock file that one process holds for as long as it lives; a killed holder lets go by itself."""

from __future__ import annotations

import os
from pathlib import Path

from api.base import StoreError
from capture.base import lock_for_life


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
            lock_for_life(self._handle)
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
