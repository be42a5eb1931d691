"""A shop whose processes can be killed and started again: simulated bench, service, callers, a clock that can be set."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import shutil
import signal
import sqlite3
import struct
import subprocess
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import httpx
from attacked_shop import network_address, simulated_bench
from waiting import LOBEWRIGHT, until

Fields = dict[str, Any]
PRELOAD = Path(__file__).parents[1] / "faults" / "preload.c"
ACKNOWLEDGED = ("engines", "cards", "jobs", "job_facts", "job_adoptions", "measurements")
STARTS_WITHIN_S = 120.0


class World:
    """What runs, and how it is asked; `stop` ends all of it."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.data = folder, folder / "data"
        self._stack = contextlib.ExitStack()
        self.bench_file, control = self._stack.enter_context(simulated_bench(folder))
        self.hand = self._stack.enter_context(httpx.Client(base_url=control, timeout=90))
        self.log = folder / "service.log"
        self.service: subprocess.Popen[bytes] | None = None
        self.web = httpx.Client()
        self.far = ""
        self._switches = folder / "switches"
        self._around = {**os.environ, **self._preloaded()}

    def _preloaded(self) -> dict[str, str]:
        """What lets the wall clock be set for the service and capture alone, where there is a compiler."""
        library, compiler = self.folder / "faults.so", shutil.which("cc")
        if compiler is None:
            return {}
        command = [compiler, "-shared", "-fPIC", "-O2", "-o", str(library), str(PRELOAD), "-ldl"]
        subprocess.run(command, check=True)
        self._switches.write_bytes(bytes(32))
        return {"LD_PRELOAD": str(library), "FAULT_SWITCHES": str(self._switches)}

    def set_clock(self, seconds: int) -> None:
        with self._switches.open("r+b") as file:
            file.write(struct.pack("=q", seconds * 1_000_000_000))

    def get(self, path: str) -> httpx.Response:
        answer = self.web.get(path)
        assert answer.status_code == 200, f"{path}: {answer.text}"
        return answer

    # -- processes

    def start(self) -> None:
        """Start the service and wait until it answers and its bench reads."""
        command = [*LOBEWRIGHT, "run", "--shop", "--bench", str(self.bench_file), "--data", str(self.data)]
        with self.log.open("ab") as said:
            self.service = subprocess.Popen(
                [*command, "--port", "0"], stdout=said, stderr=said, env=self._around
            )
        url = until(self._url, "the service says where it is", STARTS_WITHIN_S)
        self.web.close()
        self.web = httpx.Client(base_url=url, timeout=60)
        port = int(url.rsplit(":", 1)[1])
        self.far = f"http://{network_address(port)}:{port}"
        until(self.reads, "the bench is read", STARTS_WITHIN_S)

    def _url(self) -> str:
        assert self.service is not None
        assert self.service.poll() is None, self.log.read_text()[-3000:]
        told = json.loads((self.data / "web.json").read_text())
        if told["pid"] != self.service.pid:
            return ""
        httpx.get(f"{told['url']}/api/latest", timeout=5)
        return str(told["url"])

    def reads(self) -> bool:
        """Whether every instrument is heard."""
        channels = self.web.get("/api/bench").json()["health"]["channels"]
        return bool(channels) and all(one["state"] == "online" for one in channels)

    def is_up(self) -> bool:
        """Whether the service runs."""
        return self.service is not None and self.service.poll() is None

    def kill_web(self) -> None:
        assert self.service is not None
        self.service.kill()
        self.service.wait()

    def capture_pid(self) -> int:
        return int(json.loads((self.data / "capture.json").read_text())["pid"])

    def kill_capture(self) -> None:
        with contextlib.suppress(OSError, ValueError, KeyError):
            os.kill(self.capture_pid(), signal.SIGKILL)

    def wait_for_another_capture(self, killed: int) -> None:
        """Until another one reads: for a moment the last health still says that all is well."""
        until(lambda: self.capture_pid() != killed and self.reads(), "capture is back", STARTS_WITHIN_S)

    def end_web(self) -> int:
        assert self.service is not None
        self.service.send_signal(signal.SIGTERM)
        return self.service.wait(30)

    def stop(self) -> None:
        try:
            if self.service is not None and self.service.poll() is None:
                self.end_web()
        finally:
            self.kill_capture()
            self.web.close()
            self._stack.close()

    def command(self, *words: str) -> subprocess.CompletedProcess[str]:
        """Give a command beside the running service."""
        return subprocess.run(
            [*LOBEWRIGHT, *words],
            capture_output=True,
            text=True,
            check=False,
            env=self._around,
            timeout=120,
        )

    # -- what is kept

    def rows(self, sql: str) -> list[tuple[Any, ...]]:
        """Ask the file itself."""
        uri = f"{(self.data / 'shop.db').as_uri()}?mode=ro"
        with closing(sqlite3.connect(uri, uri=True, timeout=10)) as db:
            return db.execute(sql).fetchall()

    def digest(self) -> str:
        """A sum over all that people entered and measured, for comparison."""
        own = hashlib.sha256()
        for table in ACKNOWLEDGED:
            for row in self.rows(f"SELECT * FROM {table} ORDER BY rowid"):
                own.update(repr(row).encode())
        for path in sorted((self.data / "imported").glob("*")):
            own.update(path.name.encode() + path.read_bytes())
        return own.hexdigest()

    # -- callers

    def paired(self) -> str:
        """Pair a screen on the network; gives its cookie."""
        code = self.web.post("/api/pairing/code").json()["code"]
        let_in = httpx.post(f"{self.far}/pair", data={"code": code, "name": "Ida's tablet"})
        assert let_in.status_code == 303, let_in.text
        return f"lobewright_screen={let_in.cookies['lobewright_screen']}"

    def strangers_request(self, method: str, path: str, **more: Any) -> int:
        """Ask from the network without pairing; gives the status."""
        return httpx.request(method, f"{self.far}{path}", timeout=30, **more).status_code


def answered(ask: Callable[[], httpx.Response]) -> httpx.Response | None:
    """An answer, or none where the connection broke before it came."""
    try:
        return ask()
    except httpx.TransportError:
        return None
