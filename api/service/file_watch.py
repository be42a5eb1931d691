"""Looks at the shop's files in the background, so that damage is found before it is met."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable
from pathlib import Path

from api.records import trouble_in_shop, trouble_in_streams, with_advice
from api.store import FILE_NAME as SHOP_NAME
from capture.store import STORE_NAME

log = logging.getLogger("lobewright.files")
EVERY_S = 900.0
LARGEST_AT_A_LOOK = 128 << 20
"""Readings beyond this are looked at by `check` and `backup` alone: a look would take the disk from the recorder."""


async def watch_files(data_dir: Path, tell: Callable[[str], None]) -> None:
    """Look now and then, and tell in a sentence what is damaged, or nothing where all is whole."""
    before = ""
    while True:
        found = " ".join(with_advice(one) for one in await asyncio.to_thread(_trouble, data_dir))
        if found != before:
            log.warning("%s", found or "the shop's files are whole again")
        before = found
        tell(found)
        await asyncio.sleep(EVERY_S)


def _trouble(data_dir: Path) -> list[str]:
    found = trouble_in_shop(data_dir / SHOP_NAME, thorough=False)
    streams = data_dir / STORE_NAME
    if streams.exists() and streams.stat().st_size <= LARGEST_AT_A_LOOK:
        found += trouble_in_streams(streams, thorough=False)
    return found
