"""What a bench says of itself now, told to the archive about once a second, for those who look from elsewhere.

One row that is replaced, on a connection of its own: blocks of readings that take their time hold nothing up, and a word
that cannot be told is never kept, for the next is newer.
"""

from __future__ import annotations

import json
import logging
import threading
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, Literal

from pydantic import BaseModel, ConfigDict

from api.base import ServiceError
from api.forwarding.connecting import connect, first_line, refuse_other_version, version_of

if TYPE_CHECKING:
    from psycopg import Connection

log = logging.getLogger(__name__)
EVERY_S = 1.0
LONGEST_WAIT_S = 30.0
MOST_LETTERS = 600
ENDING_S = 2.0


class LiveWord(BaseModel):
    """A bench as it is now: whether it reads, its number, what is to be done there, where its own pages are.

    `unit` is of `number`, which is told from overlap TDC or as it stands (`from_tdc`). `readings` are the newest of each
    channel, of gauges in mm, of the crank in degrees.
    """

    model_config = ConfigDict(extra="ignore")
    reads: Literal["live", "partly", "stopped", "none"]
    health: str = ""
    sentence: str = ""
    label: str = ""
    number: float | None = None
    unit: Literal["deg", "mm", ""] = ""
    from_tdc: bool = False
    interval: float | None = None
    readings: dict[str, float] = {}
    job_id: int | None = None
    job: str = ""
    address: str = ""
    version: str = ""

    def shortened(self) -> LiveWord:
        """Give the same with sentences no longer than the archive's row takes."""
        words = ("health", "sentence", "label", "job", "address")
        return self.model_copy(update={name: getattr(self, name)[:MOST_LETTERS] for name in words})


class Teller:
    """Tells the newest word; `say` gives it another, from any thread."""

    def __init__(self, identity: Callable[[], str], url: str, name: str) -> None:
        self._identify, self._url, self._name = identity, url, name
        self._word: LiveWord | None = None
        self._connection: Connection[tuple[Any, ...]] | None = None
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run, name="teller", daemon=True)

    def say(self, word: LiveWord) -> None:
        """Take what is to be told next."""
        self._word = word

    def start(self) -> None:
        """Begin to tell."""
        self._thread.start()

    def stop(self) -> None:
        """Tell no more."""
        self._ending.set()
        if self._thread.is_alive():
            self._thread.join(ENDING_S)

    def step(self) -> bool:
        """Tell the newest word; whether the archive took it. It takes none before the bench's name is claimed."""
        word, identity = self._word, self._identify()
        if word is None or not identity:
            return False
        if self._connection is None or self._connection.closed:
            self._connection = connect(self._url)
            refuse_other_version(version_of(self._connection))
            self._connection.commit()
            self._connection.autocommit = True
            self._connection.execute("SET synchronous_commit = off")
        row = self._connection.execute(
            "SELECT lobewright.tell(%s, %s, %s)",
            (self._name, identity, json.dumps(word.shortened().model_dump())),
        ).fetchone()
        return row is not None and bool(row[0])

    def close(self) -> None:
        """Let go of the archive."""
        if self._connection is not None:
            self._connection.close()
            self._connection = None

    def _run(self) -> None:
        wait_s = EVERY_S
        while not self._ending.wait(wait_s):
            try:
                self.step()
                wait_s = EVERY_S
            except Exception as error:  # noqa: BLE001, whatever it is: the forwarder tells of the archive's troubles
                self.close()
                wait_s = min(wait_s * 2, LONGEST_WAIT_S)
                log.debug("%s", error if isinstance(error, ServiceError) else first_line(error))
        self.close()
