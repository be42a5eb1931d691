"""Told to systemd: that the pages answer, that everything still beats, how the bench is, that we stop.

The watchdog is fed only while the event loop turns and capture says that every port's thread and the recorder
have beaten; what hangs is then started again from outside.
"""

from __future__ import annotations

import asyncio
import os
import time
from typing import Protocol

from api.live import BenchState
from capture.base import notify, wire_now_ns

START_S = 30.0
"""Capture may take so long to speak for the first time."""
USUAL_S = 1.0


class Watched(Protocol):
    """What is looked at: the service."""

    bench: BenchState
    capture_beats: bool


def feed_every_s() -> float:
    """Give the pause between two signs of life: a quarter of what systemd allows."""
    allowed_us = os.environ.get("WATCHDOG_USEC", "")
    return min(USUAL_S, int(allowed_us) / 4e6) if allowed_us.isdecimal() and int(allowed_us) else USUAL_S


async def tell_service_manager(watched: Watched) -> None:
    """Speak until cancelled; does nothing where no service manager listens."""
    if not os.environ.get("NOTIFY_SOCKET"):
        return
    began_s, told, starting = time.monotonic(), "", True
    notify("READY=1")
    try:
        while True:
            now_ns = time.monotonic_ns()
            alive = watched.bench.alive(now_ns)
            starting = starting and not alive and now_ns / 1e9 - began_s < START_S
            if starting or (alive and watched.capture_beats):
                notify("WATCHDOG=1")
            sentence = " ".join(watched.bench.health_now(now_ns, wire_now_ns()).sentence.split())
            if sentence != told:
                told = sentence
                notify(f"STATUS={sentence}")
            await asyncio.sleep(feed_every_s())
    finally:
        notify("STOPPING=1")
