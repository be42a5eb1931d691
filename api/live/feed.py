"""The link to capture's live feed: found by the data folder, healed when capture is started again."""

from __future__ import annotations

import asyncio
import logging
import time
from pathlib import Path
from typing import Protocol

from api.live.bench_state import FeedMessage
from capture.base import CaptureError, FeedError, LimitedLog
from capture.feed import AsyncLiveClient

log = logging.getLogger("lobewright.feed")
_limited = LimitedLog(log)
TRY_AGAIN_S = 0.2
ANSWER_S = 3.0


class FeedTaker(Protocol):
    """What the feed's messages are given to, on the event loop."""

    def take(self, message: FeedMessage, now_ns: int) -> None:
        """Take one message."""

    def lost(self) -> None:
        """Hear that the feed ended."""


class Feed:
    """Listens to capture for as long as `run` is awaited."""

    def __init__(self, data_dir: Path, taker: FeedTaker) -> None:
        self._data_dir = data_dir
        self._taker = taker
        self._client: AsyncLiveClient | None = None

    async def run(self) -> None:
        """Connect, pass messages on, connect again; forever."""
        while True:
            try:
                await self._listen()
            except CaptureError as error:
                log.debug("%s", error)
            except Exception as error:
                log.debug("the live feed", exc_info=True)
                _limited.warning(
                    "unusable",
                    f"a message of the live feed could not be used ({error!r}); connecting anew: if this "
                    "goes on, stop the service and start it again",
                )
            if self._client is not None:
                self._client = None
                _limited.warning("ended", "the live feed of capture ended; connecting anew")
                self._taker.lost()
            await asyncio.sleep(TRY_AGAIN_S)

    async def _listen(self) -> None:
        client = AsyncLiveClient(self._data_dir, ANSWER_S)
        try:
            async with asyncio.timeout(
                ANSWER_S
            ):  # not wait_for, which before Python 3.12 can lose a cancelling
                await client.__aenter__()
            self._client = client
            self._taker.take(client.hello, time.monotonic_ns())
            async for message in client:
                self._taker.take(message, time.monotonic_ns())
        except TimeoutError:
            log.debug("capture does not answer yet")
        finally:
            await client.__aexit__(None, None, None)

    async def flush(self) -> bool:
        """Have capture store now what it has read; `False` where it does not answer."""
        return (await self.ask("flush")).get("ok", False) is True

    async def ask(self, command: str, **fields: object) -> FeedMessage:
        """Send capture a command and give its answer; `ok` is false where there is none."""
        if self._client is None:
            return {"ok": False, "sentence": "Capture is not running."}
        try:
            return await self._client.ask(command, **fields)
        except FeedError as error:
            return {"ok": False, "sentence": str(error)}
        except asyncio.CancelledError:
            task = asyncio.current_task()
            if task is not None and task.cancelling():
                raise  # we are to stop; otherwise the feed ended while capture was asked
            return {"ok": False, "sentence": "Capture ended before it answered."}
