"""The screens that are paired with the bench: a small file of their own in the data folder.

A screen's token is kept by the screen alone; the file holds its SHA-256, from which it cannot be had back. The
tokens are 256 random bits, so nothing slower is needed.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import hashlib
import hmac
import os
import secrets
import threading
from dataclasses import dataclass
from pathlib import Path

from pydantic import BaseModel, ConfigDict, ValidationError

from api.base import ConflictError, NotFoundError, StoreError

FILE_NAME = "screens.json"
MOST_SCREENS = 64
LIFETIME_DAYS = 400
"""The longest that browsers keep a cookie."""


class PairedScreen(BaseModel):
    """One paired screen; `seen_on` is the last day it was used."""

    model_config = ConfigDict(extra="forbid", frozen=True)
    number: int
    name: str
    token_sha256: str
    paired_at: dt.datetime
    seen_on: dt.date


class _File(BaseModel):
    model_config = ConfigDict(extra="forbid")
    format: int = 1
    last_number: int = 0
    screens: list[PairedScreen] = []


@dataclass(frozen=True, slots=True)
class _Stamp:
    """What tells one state of the file from another."""

    mtime_ns: int
    size: int
    inode: int


class PairedScreens:
    """The list, read again whenever another process has written it; safe to use from several threads."""

    def __init__(self, data_dir: Path) -> None:
        self._path = data_dir / FILE_NAME
        self._lock = threading.Lock()
        self._stamp: _Stamp | None = None
        self._file = _File()

    def listed(self, today: dt.date | None = None) -> list[PairedScreen]:
        """Give every screen whose pairing has not lapsed."""
        with self._lock:
            return self._valid(today or _now().date())

    def add(self, name: str) -> str:
        """Pair a screen and give its token, which nobody will see again."""
        with self._lock:
            screens = self._valid(_now().date())
            if len(screens) >= MOST_SCREENS:
                raise ConflictError(
                    "too_many_screens", f"{MOST_SCREENS} screens are paired already; revoke one first."
                )
            token = secrets.token_urlsafe(32)
            now, number = _now(), self._file.last_number + 1
            screen = PairedScreen(
                number=number,
                name=name,
                token_sha256=_digest(token),
                paired_at=now,
                seen_on=now.date(),
            )
            self._write(_File(last_number=number, screens=[*screens, screen]))
            return token

    def knows(self, token: str) -> bool:
        """Tell whether a token is that of a paired screen; notes the day."""
        if not token or len(token) > 100:
            return False
        digest, today = _digest(token), _now().date()
        with self._lock:
            try:
                screens = self._valid(today)
            except StoreError:
                return False  # a damaged list lets nobody in
            found = [one for one in screens if hmac.compare_digest(one.token_sha256, digest)]
            if found and found[0].seen_on != today:
                self._note_seen(found[0], today)
            return bool(found)

    def revoke(self, number: int | None) -> int:
        """Forget one screen, or all with `None`; gives how many were forgotten."""
        with self._lock:
            screens = self._valid(_now().date())
            left = [one for one in screens if number is not None and one.number != number]
            if number is not None and len(left) == len(screens):
                raise NotFoundError("no_such_screen", f"there is no paired screen {number}.")
            self._write(_File(last_number=self._file.last_number, screens=left))
            return len(screens) - len(left)

    def _note_seen(self, screen: PairedScreen, today: dt.date) -> None:
        seen = [
            one.model_copy(update={"seen_on": today}) if one.number == screen.number else one
            for one in self._file.screens
        ]
        with contextlib.suppress(StoreError):  # a full disk must not keep a paired screen out
            self._write(_File(last_number=self._file.last_number, screens=seen))

    def _valid(self, today: dt.date) -> list[PairedScreen]:
        self._read()
        oldest = today - dt.timedelta(days=LIFETIME_DAYS)
        return [one for one in self._file.screens if one.paired_at.date() >= oldest]

    def _read(self) -> None:
        try:
            stat = self._path.stat()
            stamp = _Stamp(stat.st_mtime_ns, stat.st_size, stat.st_ino)
            if stamp != self._stamp:
                self._file = _File.model_validate_json(self._path.read_bytes())
                self._stamp = stamp
        except FileNotFoundError:
            self._file, self._stamp = _File(), None
        except (OSError, ValidationError):
            raise StoreError(
                "bad_screens_file",
                f"{self._path} cannot be read, so no screen counts as paired; remove it and pair again.",
            ) from None

    def _write(self, file: _File) -> None:
        new = self._path.with_suffix(".new")
        try:
            handle = os.open(new, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
            with os.fdopen(handle, "w", encoding="utf-8") as out:
                out.write(file.model_dump_json(indent=1))
                out.flush()
                os.fsync(out.fileno())
            new.replace(self._path)
        except OSError as error:
            raise StoreError(
                "screens_not_kept", f"{self._path} cannot be written ({error.strerror}); check the disk."
            ) from None
        self._stamp = None


def _now() -> dt.datetime:
    return dt.datetime.now(dt.UTC)


def _digest(token: str) -> str:
    return hashlib.sha256(token.encode("utf-8", "surrogatepass")).hexdigest()
