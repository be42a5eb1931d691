"""What is done to folders."""

from __future__ import annotations

import os
import sys
from pathlib import Path


def sync(folder: Path) -> None:
    """Have the names in a folder on the disk; where a system has no such call, it does so by itself."""
    if sys.platform == "win32":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
