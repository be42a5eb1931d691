"""Requests that may come again: each is noted in the very change that it makes, and its answer beside it.

A screen that lost an answer asks again with the same key. Because the note is part of the change, there is no
moment at which one is on the disk without the other, whatever ends the service.
"""

from __future__ import annotations

import datetime as dt
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from typing import TypeVar

from sqlite_utils import Database

T = TypeVar("T")
KEPT_DAYS = 2
_ASKED: ContextVar[AskedOnce | None] = ContextVar("asked_once", default=None)


@dataclass(slots=True)
class AskedOnce:
    """A request with a key: its name among all, and what it brought; `is_open` while it is being answered."""

    name: str
    body_sha256: str
    is_open: bool = True


@dataclass(frozen=True, slots=True)
class Answered:
    """What is known of a request that changed something; `status` is `None` where its answer was never kept."""

    body_sha256: str
    status: int | None
    media_type: str
    body: bytes


def create_request_keys(db: Database) -> None:
    """Create the table; `name` is a digest, so that nobody who reads the file can repeat a request."""
    db.table("request_keys").create(
        {"name": str, "body_sha256": str, "at": str, "status": int, "media_type": str, "answer": bytes},
        pk="name",
        not_null={"name", "body_sha256", "at"},
        strict=True,
    )
    db.table("request_keys").create_index(["at"])


@contextmanager
def asked_once(asked: AskedOnce) -> Iterator[None]:
    """Let every change made inside be noted as this request's."""
    token = _ASKED.set(asked)
    try:
        yield
    finally:
        asked.is_open = False  # work it began goes on under its own name
        _ASKED.reset(token)


def noting(change: Callable[[Database], T]) -> Callable[[Database], T]:
    """Give the change that notes the request it belongs to as well, where there is one with a key."""
    asked = _ASKED.get()
    if asked is None or not asked.is_open:
        return change

    def both(db: Database) -> T:
        """The change and its key together: what was done is known to have been done."""
        outcome = change(db)
        now = dt.datetime.now(dt.UTC)
        oldest = (now - dt.timedelta(days=KEPT_DAYS)).isoformat()
        db.execute("DELETE FROM request_keys WHERE at < ?", (oldest,))
        db.execute(
            "INSERT OR IGNORE INTO request_keys (name, body_sha256, at) VALUES (?, ?, ?)",
            (asked.name, asked.body_sha256, now.isoformat()),
        )
        return outcome

    return both


def keeping_answer(asked: AskedOnce, status: int, media_type: str, body: bytes) -> Callable[[Database], None]:
    """Give the change that keeps an answer beside its request; of one that changed nothing, nothing is kept."""
    packed = zlib.compress(body, 6)

    def change(db: Database) -> None:
        """Keep the answer beside its key."""
        db.execute(
            "UPDATE request_keys SET status = ?, media_type = ?, answer = ? WHERE name = ?",
            (status, media_type, packed, asked.name),
        )

    return change
