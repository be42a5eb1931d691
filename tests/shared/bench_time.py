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

GAUGE_BELIEVED_S = 0.3
"""Rest after a move: a gauge that leapt at its very end is believed with the next reading."""
STAMPED_BEFORE_NS = 20_000_000
"""An answer is stamped half-way from its question, so before it was said."""
LONGEST_ROWS_BYTES = 4096
"""Room enough for the last two rows of a journal."""


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
        _heard(get, journal.stem, _last_said_ns(journal))


def _last_said_ns(journal: Path) -> int:
    """When the last whole line was said; a job's journal grows long, and this is asked at every move of a hand."""
    with journal.open("rb") as file:
        file.seek(max(0, journal.stat().st_size - LONGEST_ROWS_BYTES))
        whole = file.read().rpartition(b"\n")[0]
    return int(whole.rpartition(b"\n")[2].partition(b"\t")[0])


def _heard(get: Callable[[str], Any], channel: str, said_ns: int) -> None:
    before_ns = 0 if channel == "crank" else STAMPED_BEFORE_NS

    def heard() -> bool:
        newest_ns: int = get("/api/latest")["latest"][channel]["wire_ns"]
        return newest_ns >= said_ns - before_ns

    until(heard, f"the service has heard {channel} at {said_ns}")
