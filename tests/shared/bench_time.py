"""A bench that keeps its own time, for tests of whole processes: what is measured on it no load can change.

The simulator, capture and the service share that time through a folder (see `simulated_devices.machine.clock`). With pace 0
it goes on only while a command of the simulator's control address is waited for (``wait_s``).
"""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

from waiting import until

from simulated_devices.machine import BENCH_CLOCK, BENCH_PACE
from simulated_devices.wire.line import read_journal

GAUGE_BELIEVED_S = 0.3
"""Rest after a move: a gauge that leapt at its very end is believed with the next reading."""
STAMPED_BEFORE_NS = 20_000_000
"""An answer is stamped half-way from its question, so before it was said."""


def environment(folder: Path, pace: float = 0.0) -> dict[str, str]:
    """The environment for all processes that share the time of one bench."""
    return {**os.environ, BENCH_CLOCK: str(folder), BENCH_PACE: f"{pace:g}"}


def ports_open(folder: Path, count: int) -> None:
    """Wait until capture has opened so many ports."""
    until(lambda: len(list(folder.glob("*.progress"))) == count, "all ports are open")


def all_heard(links: Path, get: Callable[[str], Any]) -> None:
    """Wait until the service knows every line that the bench, which stands still now, has said.

    Parameters
    ----------
    links : Path
        Folder of the bench's links and journals.
    get : callable
        Asks the service for a path.
    """
    for journal in links.glob("*.journal"):
        _heard(get, journal.stem, read_journal(journal)[-1][0])


def _heard(get: Callable[[str], Any], channel: str, said_ns: int) -> None:
    before_ns = 0 if channel == "crank" else STAMPED_BEFORE_NS

    def heard() -> bool:
        newest_ns: int = get("/api/latest")["latest"][channel]["wire_ns"]
        return newest_ns >= said_ns - before_ns

    until(heard, f"the service has heard {channel} at {said_ns}")
