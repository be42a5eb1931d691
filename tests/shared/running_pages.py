"""A shop of several benches that really runs, as `lobewright shop` starts it."""

from __future__ import annotations

import json
import signal
from pathlib import Path
from typing import Any

import httpx
from waiting import until
from warm import WarmService


class RunningPages:
    """One `lobewright shop`, on any free port."""

    def __init__(self, url: str, folder: Path, environment: dict[str, str] | None = None) -> None:
        self.log = folder / "shop.log"
        self._cache = folder / "cache"
        words = ["shop", "--archive", url, "--data", str(self._cache), "--port", "0"]
        self.process = WarmService(words, self.log, environment)
        self.url = until(self._address, f"the shop is up: {self.log}", 120)

    def _address(self) -> str:
        assert self.process.poll() is None, self.log.read_text()
        url = str(json.loads((self._cache / "web.json").read_text())["url"])
        httpx.get(f"{url}/api/shop/benches", timeout=5).raise_for_status()
        return url

    def get(self, path: str) -> Any:
        return httpx.get(self.url + path, timeout=60).raise_for_status().json()

    def stop(self) -> None:
        self.process.send_signal(signal.SIGTERM)
        assert self.process.wait(30) == 0, self.log.read_text()
