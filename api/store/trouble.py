"""What SQLite says when a file cannot be used, told to people: which file, what is wrong with it, what to do."""

from __future__ import annotations

import os
import sqlite3
from pathlib import Path

from api.base import StoreError
from capture.store import lies_read_only

KIND = 0xFF
READ_ONLY = {sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_IOERR}
MAY_NOT = {sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM}
DAMAGED = {sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB}
WHAT_THEN = (
    "stop the service and restore the last backup (lobewright restore FILE --replace), which sets the damaged "
    "one aside"
)


def damaged(path: Path, why: object) -> StoreError:
    """Say that a file is damaged."""
    return StoreError("bad_shop_file", f"{path} is damaged ({why}) and cannot be used; {WHAT_THEN}.")


def read_only(path: Path) -> StoreError:
    """Say that nothing can be kept, and that nothing is wrong with what is."""
    return StoreError("read_only", f"{read_only_words(path)}.")


def read_only_words(path: Path) -> str:
    """Say it as part of a sentence."""
    return (
        f"{path.parent} lies on a medium that is read-only now, so nothing can be kept; what is there can be "
        "read, and backed up to another medium. Look at the medium, make it writable, and start the service again"
    )


def not_readable_words(path: Path) -> str:
    """Say it as part of a sentence."""
    return (
        f"{path} may not be read by this account; run it by the account whose it is, or give it back: "
        f"`sudo chown -R $USER {path.parent}`"
    )


def store_error(error: sqlite3.Error, path: Path, *, writing: bool = False) -> StoreError | None:
    """Turn what SQLite says of a file into an error of ours; `None` where the file is not to blame."""
    kind = getattr(error, "sqlite_errorcode", 0) & KIND
    if not_allowed := _not_allowed(error, kind, path, writing=writing):
        return not_allowed
    if kind == sqlite3.SQLITE_FULL:
        return StoreError(
            "disk_full",
            f"The disk of {path} is full; make room. What was kept before is safe, this was not kept.",
        )
    if kind == sqlite3.SQLITE_IOERR:
        return StoreError(
            "disk_failed",
            f"The disk of {path} does not do what it should ({error}); look at it, and back up.",
        )
    if kind in DAMAGED or "decode to UTF-8" in str(error):
        return damaged(path, error)
    return None


def _not_allowed(error: sqlite3.Error, kind: int, path: Path, *, writing: bool) -> StoreError | None:
    """Tell a medium or an account that does not let us from a file that is damaged."""
    if kind in READ_ONLY and lies_read_only(path):
        return read_only(path)
    if kind not in MAY_NOT:
        return None
    if path.exists() and not os.access(path, os.R_OK):
        return StoreError("not_readable", f"{not_readable_words(path)}.")
    if writing:
        return StoreError(
            "not_writable",
            f"{path} cannot be written by this account ({error}); look at whose it is, and its rights.",
        )
    return None
