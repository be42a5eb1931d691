"""Files that screens send to be taken in: a short queue, one thread, and room looked for before anything is written."""

from __future__ import annotations

import asyncio
import contextvars
import os
import shutil
import tempfile
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import BinaryIO, TypeVar

from api.archive.intake import remove_leftovers
from api.base import ConflictError, StoreError
from api.files import NoRoom, refuse_without_room

T = TypeVar("T")
PREFIX = ".upload-"
MOST_WAITING = 8


class ImportDesk:
    """Takes in what is sent, one file after another; called from the event loop.

    Made by whoever holds the shop: what killed imports left behind is removed then.
    """

    def __init__(self, data_dir: Path) -> None:
        self._data_dir = data_dir
        self._thread = ThreadPoolExecutor(max_workers=1, thread_name_prefix="importer")
        self._waiting = 0
        remove_leftovers(data_dir)
        for path in data_dir.glob(f"{PREFIX}*"):
            path.unlink(missing_ok=True)

    async def take(self, sent: BinaryIO, suffix: str, take: Callable[[Path], T]) -> T:
        """Write what was sent to a file of its own, have `take` take it in, and give what that gives.

        Raises
        ------
        ConflictError
            Too many wait already.
        StoreError
            There is no room for it.
        ServiceError
            As `take` raises it.
        """
        if self._waiting >= MOST_WAITING:
            raise ConflictError(
                "imports_waiting",
                f"{MOST_WAITING} files wait to be taken in; send this one again in a minute.",
            )
        self._waiting += 1
        try:
            # In the context of the request, so that its key is noted in the very change that takes the file in.
            within = contextvars.copy_context()
            return await asyncio.get_running_loop().run_in_executor(
                self._thread, within.run, lambda: self._take(sent, suffix, take)
            )
        finally:
            self._waiting -= 1

    def _take(self, sent: BinaryIO, suffix: str, take: Callable[[Path], T]) -> T:
        try:
            refuse_without_room(sent.seek(0, os.SEEK_END), self._data_dir)
        except NoRoom as error:
            raise StoreError("no_room", f"Nothing was taken: {error}.") from None
        sent.seek(0)
        with tempfile.NamedTemporaryFile(dir=self._data_dir, prefix=PREFIX, suffix=suffix) as kept:
            shutil.copyfileobj(sent, kept)
            kept.flush()
            return take(Path(kept.name))

    def close(self) -> None:
        """Finish what has begun; what waits is not taken."""
        self._thread.shutdown(cancel_futures=True)
