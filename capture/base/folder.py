"""The data folder: one capture process writes to it, and says there where it can be reached."""

from __future__ import annotations

import contextlib
import json
import os
from pathlib import Path
from typing import Any, Self

from capture.base.errors import DataFolderBusy
from capture.base.system import lock_for_life

LOCK_NAME = "capture.lock"
FACTS_NAME = "capture.json"


class FolderLock:
    """Held for the life of the process; the kernel lets go of it however the process ends.

    Parameters
    ----------
    name : str
        Of the file that is locked: by default the one that a capture process holds.

    Raises
    ------
    DataFolderBusy
        When another process holds it; says which.
    """

    def __init__(self, data_dir: Path, name: str = LOCK_NAME) -> None:
        data_dir.mkdir(parents=True, exist_ok=True)
        self._fd = os.open(data_dir / name, os.O_RDWR | os.O_CREAT, 0o644)
        try:
            lock_for_life(self._fd)
        except OSError as error:
            pid = os.read(self._fd, 32).decode("ascii", "replace").strip() or "unknown"
            os.close(self._fd)
            does = (
                "capture (process {}) already records into"
                if name == LOCK_NAME
                else "Lobewright (process {}) uses"
            )
            raise DataFolderBusy(
                f"another {does.format(pid)} {data_dir}; stop it, or choose another --data folder"
            ) from error
        self._note_pid()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.release()

    def release(self) -> None:
        """Let another process have it."""
        os.close(self._fd)

    def _note_pid(self) -> None:
        with contextlib.suppress(OSError):  # on a full disk the lock holds all the same
            os.ftruncate(self._fd, 0)
            os.write(self._fd, str(os.getpid()).encode())


def is_held(data_dir: Path) -> bool:
    """Tell whether a capture process holds a data folder at this moment."""
    try:
        with FolderLock(data_dir):
            return False
    except DataFolderBusy:
        return True


def folder_mark(data_dir: Path) -> str:
    """Tell a data folder from every other, and from a copy of it: by its lock file; empty where there is none."""
    try:
        own = (data_dir / LOCK_NAME).stat()
    except OSError:
        return ""
    return f"{own.st_dev}:{own.st_ino}"


def publish_facts(data_dir: Path, facts: dict[str, Any]) -> None:
    """Write ``capture.json`` in one step, so that nobody reads half of it."""
    temporary = data_dir / f"{FACTS_NAME}.{os.getpid()}"
    temporary.write_text(json.dumps(facts))
    temporary.replace(data_dir / FACTS_NAME)


def read_facts(data_dir: Path) -> dict[str, Any] | None:
    """What ``capture.json`` says, or `None` when there is none (to be read)."""
    try:
        facts = json.loads((data_dir / FACTS_NAME).read_text())
    except (OSError, ValueError):
        return None
    return facts if isinstance(facts, dict) else None


def withdraw_facts(data_dir: Path) -> None:
    """Remove ``capture.json``: the process stops in good order."""
    with contextlib.suppress(OSError):
        (data_dir / FACTS_NAME).unlink()
