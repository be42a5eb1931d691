"""What the shop keeps is for the owner's account alone, whatever the shell that started us would have made of it."""

from __future__ import annotations

import contextlib
import os
import stat
from pathlib import Path

from api.base import MisuseError

OTHERS = stat.S_IRWXG | stat.S_IRWXO


def keep_private(data_dir: Path | None = None) -> None:
    """Make files of this process, and of those it starts, for their owner alone; close a folder that was open."""
    os.umask(OTHERS)
    if data_dir is None or not data_dir.is_dir():
        return
    for path in (data_dir, *data_dir.rglob("*")):
        with contextlib.suppress(OSError):  # not ours, or gone meanwhile
            found = path.lstat()
            if not stat.S_ISLNK(found.st_mode) and found.st_mode & OTHERS:
                path.chmod(stat.S_IMODE(found.st_mode) & ~OTHERS)


def refuse_open_password_file(name: str) -> None:
    """Refuse a password file that others may read: a client of its own would only pass it over, or read it."""
    try:
        if name and os.name == "posix" and Path(name).stat().st_mode & OTHERS:
            raise MisuseError(
                "open_password_file", f"{name} holds a password and others may read it: chmod 600 {name}"
            )
    except OSError:
        return
