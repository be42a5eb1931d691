"""Files that screens send: what takes one in happens in the name of the request that brought it."""

from __future__ import annotations

import asyncio
import io
from pathlib import Path

from sqlite_utils import Database

from api.archive import ImportDesk
from api.store import AskedOnce, ShopStore, asked_once


def test_the_key_of_a_request_is_noted_in_the_very_change_that_takes_its_file_in(tmp_path: Path) -> None:
    """Else a service that is killed right after it would take the repetition for another file of the same kind."""
    shop = ShopStore(tmp_path)
    desk = ImportDesk(tmp_path)

    def change(db: Database) -> None:
        db.table("engines").insert({"name": "Tarn", "body": "{}", "at": "t", "by": "Ida Thorne"})

    async def story() -> None:
        with asked_once(AskedOnce("a request", "its body")):
            await desk.take(io.BytesIO(b"x"), ".csv", lambda _: shop.write(change))

    try:
        asyncio.run(story())
        assert shop.read.answered("a request") is not None
    finally:
        desk.close()
        shop.close()
