"""Processes and screens watched for a long time: what each took of the machine, what each showed."""

from __future__ import annotations

import contextlib
import json
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from websockets.sync.client import connect

EVERY_S = 60.0


@dataclass
class Life:
    """One process from its first look to its last: seconds, MB, handles."""

    pid: int
    born_s: float
    first: tuple[float, int] = (0.0, 0)
    last: tuple[float, int] = (0.0, 0)
    most_mb: float = 0.0
    age_s: float = 0.0
    course_mb: list[float] = field(default_factory=list)

    def look(self) -> None:
        with contextlib.suppress(OSError, ValueError, StopIteration):
            status = Path(f"/proc/{self.pid}/status").read_text().splitlines()
            mb = int(next(line for line in status if line.startswith("VmRSS")).split()[1]) / 1024
            handles = len(list(Path(f"/proc/{self.pid}/fd").iterdir()))
            self.age_s = time.monotonic() - self.born_s
            if self.age_s > 10 and not self.first[1]:
                self.first = (mb, handles)
            self.last, self.most_mb = (mb, handles), max(self.most_mb, mb)
            if self.age_s > EVERY_S * len(self.course_mb):
                self.course_mb.append(round(mb, 1))

    def __str__(self) -> str:
        (mb, handles), (end_mb, end_handles) = self.first, self.last
        return f"{self.age_s:7.0f} s  {mb:6.1f} -> {end_mb:6.1f} MB  {handles:3d} -> {end_handles:3d} handles"


class Lives:
    """Every process of one kind that lived, looked at once a second."""

    def __init__(self, pid: Callable[[], int]) -> None:
        self._pid, self.all = pid, []

    def look(self) -> None:
        pid = 0
        with contextlib.suppress(OSError, ValueError, KeyError):
            pid = self._pid()
        if pid and (not self.all or self.all[-1].pid != pid):
            self.all.append(Life(pid, time.monotonic()))
        if self.all:
            self.all[-1].look()


@dataclass
class Screen:
    """What one screen showed: stamp and value of each channel, and how old each was when it came."""

    data: Path
    shown: dict[str, list[tuple[int, float]]] = field(default_factory=dict)
    delays_ms: list[float] = field(default_factory=list)
    connected: int = 0
    stop: threading.Event = field(default_factory=threading.Event)

    def watch(self) -> None:
        while not self.stop.is_set():
            with contextlib.suppress(Exception):  # the service is down; a screen tries again
                url = json.loads((self.data / "web.json").read_text())["url"]
                with connect(url.replace("http", "ws") + "/live", compression=None, open_timeout=3) as link:
                    self.connected += 1
                    self._listen(link)
            self.stop.wait(0.2)

    def _listen(self, link: Any) -> None:
        while not self.stop.is_set():
            message = json.loads(link.recv(3))
            now_ms = time.time() * 1e3
            fresh = message["kind"] == "readings"
            for name, latest in (message.get("latest") or {}).items() if fresh else ():
                shown = self.shown.setdefault(name, [])
                if not shown or shown[-1][0] != latest["wire_ns"]:
                    shown.append((latest["wire_ns"], latest["value"]))
                    if name == "crank":
                        self.delays_ms.append(now_ms - latest["wall_ms"])
