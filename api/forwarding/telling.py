"""What a bench says of itself now, told to the archive about once a second, for those who look from elsewhere.

One row that is replaced, on a connection of its own: blocks of readings that take their time hold nothing up, and a word
that cannot be told is never kept, for the next is newer.
"""

from __future__ import annotations

import json
import logging
from collections.abc import Callable
from typing import Literal

from pydantic import BaseModel, ConfigDict

from api.base import ServiceError
from api.forwarding.connecting import first_line
from api.forwarding.errand import Errand

log = logging.getLogger(__name__)
EVERY_S = 1.0
LONGEST_WAIT_S = 30.0
MOST_LETTERS = 600


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


class Teller(Errand):
    """Tells the newest word; `say` gives it another, from any thread."""

    def __init__(self, identity: Callable[[], str], url: str, name: str) -> None:
        super().__init__(url, name)
        self._identify = identity
        self._word: LiveWord | None = None

    def say(self, word: LiveWord) -> None:
        """Take what is to be told next."""
        self._word = word

    def step(self) -> bool:
        """Tell the newest word; whether the archive took it. It takes none before the bench's name is claimed."""
        word, identity = self._word, self._identify()
        if word is None or not identity:
            return False
        row = (
            self._opened("SET synchronous_commit = off")
            .execute(
                "SELECT lobewright.tell(%s, %s, %s)",
                (self.name, identity, json.dumps(word.shortened().model_dump())),
            )
            .fetchone()
        )
        return row is not None and bool(row[0])

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
