"""What the benches of an archive share: versions of engines and cards, and jobs handed from one to another.

A thread of its own listens to the archive (``LISTEN``): what another bench has sent is here at once, and a look every
minute finds what no notification told of. Nothing is remembered of how far it has got: what is there and not here is
fetched, whatever order it came in. What a bench adds itself goes by the forwarder, as everything it keeps.
"""

from __future__ import annotations

import asyncio
import hashlib
import json
import logging
import threading
import time
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from pydantic import BaseModel

from analysis.base import EntryError
from analysis.timing import Engine
from api.base import ServiceError
from api.entry import refuse_impossible_card, refuse_impossible_engine
from api.forwarding.connecting import first_line
from api.forwarding.errand import Errand
from api.records import (
    answering,
    hand_overs,
    known_versions,
    learning_back,
    learning_given,
    take_in_versions,
    version_in,
)
from api.store import ShopStore, Version

if TYPE_CHECKING:
    from psycopg import Connection

log = logging.getLogger(__name__)
LOOKS_EVERY_S = 60.0
HEARS_WITHIN_S = 0.25
LONGEST_WAIT_S = 60.0
AT_ONCE = 100
LONGEST_BODY = 1 << 20


class ComingJob(BaseModel):
    """A job that another bench has handed over to this one, and that waits to be taken."""

    number: int
    bench: str
    reference: str
    by: str
    at: str


class OfferedJob(BaseModel):
    """A job that was handed over from here, and that the other bench has not taken yet: it can be taken back."""

    number: int
    job_id: int
    bench: str


class SharedStanding(BaseModel):
    """What this bench knows of the others.

    Attributes
    ----------
    bench
        Its own name in the archive; nothing where there is none.
    others
        The benches that a job can be handed to.
    coming
        Jobs that wait to be taken over.
    offered
        Jobs of this bench that wait to be taken over at others.
    sentence
        What cannot be shared at the moment, and why.
    """

    bench: str = ""
    others: list[str] = []
    coming: list[ComingJob] = []
    offered: list[OfferedJob] = []
    sentence: str = ""


class Sharer(Errand):
    """Fetches what other benches share; `start` begins a thread, `step` looks once in this one."""

    def __init__(
        self,
        shop: ShopStore,
        identity: Callable[[], str],
        url: str,
        name: str,
    ) -> None:
        super().__init__(url, name)
        self.shop, self.identify = shop, identity
        self.handing = threading.Lock()
        """Held while a job is handed over: what is only asked for is being answered."""
        self.taking = asyncio.Lock()
        """Held while a job is taken over, so that nobody lets go of what another has just taken in."""
        self._refused: dict[str, str] = {}
        self._standing = SharedStanding(bench=name)
        self._called = threading.Event()

    def standing(self) -> SharedStanding:
        """Give what is known of the others."""
        return self._standing

    def look_now(self) -> None:
        """Look again, without waiting for a notification."""
        self._called.set()

    # -- the thread

    def _run(self) -> None:
        wait_s = HEARS_WITHIN_S
        while not self._ending.wait(0.0):
            try:
                if not self.step():
                    self._wait()
                wait_s = HEARS_WITHIN_S
            except Exception as error:  # noqa: BLE001, whatever it is, the bench goes on with its own
                self.close()
                told = str(error) if isinstance(error, ServiceError) else first_line(error)
                log.debug("%s", told)
                self._standing = self._standing.model_copy(update={"sentence": told})
                wait_s = min(wait_s * 2, LONGEST_WAIT_S)
                self._ending.wait(wait_s)
        self.close()

    def _wait(self) -> None:
        """Wait until something was told, or until it is time to look without that."""
        until_s = time.monotonic() + LOOKS_EVERY_S
        while time.monotonic() < until_s and not self._ending.is_set() and not self._called.is_set():
            if self._connection is None:
                self._ending.wait(HEARS_WITHIN_S)
                return  # the bench's name is not claimed yet
            if list(self._connection.notifies(timeout=HEARS_WITHIN_S, stop_after=1)):
                break
        self._called.clear()

    # -- one look

    def step(self) -> bool:
        """Take in what is new, up to a fair piece; tells whether more may be waiting.

        Raises
        ------
        ServiceError
            The archive cannot be reached, or is of another version.
        """
        if not self.identify():
            return False
        connection = self._opened("SET TIME ZONE 'UTC'", "LISTEN lobewright")
        more = self._versions(connection)
        offered = self._handed(connection)
        others = connection.execute(
            "SELECT name FROM lobewright.benches WHERE name <> %s ORDER BY name", (self.name,)
        )
        self._standing = SharedStanding(
            bench=self.name,
            others=[name for (name,) in others],
            coming=self._coming(connection),
            offered=offered,
            sentence=" ".join(self._refused.values()),
        )
        return more

    def _versions(self, connection: Connection[tuple[Any, ...]]) -> bool:
        """Take in what is not here; one that cannot be read is told of and never asked for again."""
        there = {key for (key,) in connection.execute("SELECT DISTINCT key FROM lobewright.shared")}
        new = sorted(there - known_versions(self.shop.read) - self._refused.keys())[:AT_ONCE]
        if not new:
            return False
        rows = connection.execute(
            "SELECT DISTINCT ON (key) key, bench, sha256, body FROM lobewright.shared"
            " WHERE key = ANY(%s) ORDER BY key, arrived",
            (new,),
        ).fetchall()
        good: list[Version] = []
        for key, bench, sha256, body in rows:
            try:
                good.append(_checked(key, bench, sha256, body))
            except (ValueError, KeyError, TypeError, EntryError, ServiceError) as error:
                why = error.message if isinstance(error, EntryError | ServiceError) else str(error)
                self._refused[key] = (
                    f"An engine or a card of the bench {bench} cannot be taken in here ({why.rstrip('.')[:200]}): "
                    "it may come from a newer program; update this one."
                )
                log.warning("%s", self._refused[key])
        if good:
            self.shop.write(lambda db: take_in_versions(db, good))
        return len(new) == AT_ONCE

    def _handed(self, connection: Connection[tuple[Any, ...]]) -> list[OfferedJob]:
        """Bring what is noted here of jobs that left or came into line with what the archive holds of them."""
        with self.handing:
            with connection.transaction():  # a hand-over that broke off may still be on its way there
                connection.execute("SET LOCAL lock_timeout = '5s'")
                connection.execute(
                    "SELECT pg_advisory_xact_lock(hashtextextended('lobewright/handed/' || %s, 0))",
                    (self.name,),
                )
                given = connection.execute(
                    "SELECT number, job_id, to_bench, by_whom, at::text, back_at::text, waits"
                    " FROM lobewright.given ORDER BY number"
                ).fetchall()
            known = {one.number for one in hand_overs(self.shop.read, "given")}
            for number, job_id, bench, by, at, back_at, _ in given:
                if back_at is None and number not in known:
                    self._learn(job_id, bench, number, by, at)
                elif back_at is not None and number in known:
                    self._learn_back(number, back_at)
            for one in hand_overs(self.shop.read, "asked"):
                self._answer_no(one.id, one.at)
        waiting = {number for (number,) in connection.execute("SELECT number FROM lobewright.coming")}
        for one in hand_overs(self.shop.read, "taken"):
            if one.number in waiting:
                tell_taken(connection, self, one.number, one.job_id)
        return [
            OfferedJob(number=number, job_id=job_id, bench=bench)
            for number, job_id, bench, *_, waits in given
            if waits
        ]

    def _learn_back(self, number: int, at: str) -> None:
        self.shop.write(lambda db: learning_back(db, number, at))

    def _learn(self, job_id: int, bench: str, number: int, by: str, at: str) -> None:
        self.shop.write(lambda db: learning_given(db, job_id, bench, number, by, at))

    def _answer_no(self, number_here: int, at: str) -> None:
        self.shop.write(lambda db: answering(db, number_here, "refused", 0, at))

    def _coming(self, connection: Connection[tuple[Any, ...]]) -> list[ComingJob]:
        rows = connection.execute(
            "SELECT number, bench, reference, by_whom, at::text FROM lobewright.coming ORDER BY number"
        )
        return [
            ComingJob(number=number, bench=bench, reference=reference, by=by, at=at)
            for number, bench, reference, by, at in rows
        ]


def tell_taken(connection: Connection[tuple[Any, ...]], sharer: Sharer, number: int, job_id: int) -> None:
    """Tell the archive under what number a job goes on here."""
    connection.execute(
        "SELECT lobewright.took(%s, %s, %s, %s)", (sharer.name, sharer.identify(), number, job_id)
    )


def _checked(key: str, bench: str, sha256: bytes, body: bytes) -> Version:
    """Read a version as it came, and believe nothing of it; raises what is wrong with it."""
    if len(body) > LONGEST_BODY:
        raise ValueError("it is longer than any")
    if hashlib.sha256(body).digest() != sha256:
        raise ValueError("it is not what was sent")
    one = version_in(json.loads(body), bench)
    if one.sha256 != key or one.kind not in {"engines", "cards"}:
        raise ValueError("it is not what it says it is")
    content = one.content
    if isinstance(content, Engine):
        refuse_impossible_engine(content)
    else:
        refuse_impossible_card(content)
    return one
