"""Files from elsewhere and strangers on the network, beside all else that happens to a service that runs for long."""

from __future__ import annotations

import contextlib
import json
import random
import socket
from collections import Counter
from pathlib import Path

import httpx
from attacked_shop import answering_address
from running import still_trace

from api.archive import look_for_left
from api.store import ShopReader

FIELDS = {"touches": "piston_1", "gauge": "dial_a"}
UPGRADE = (
    "GET /live HTTP/1.1\r\nHost: {host}\r\nUpgrade: websocket\r\nConnection: Upgrade\r\n"
    "Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\nSec-WebSocket-Version: 13\r\n\r\n"
)
MOST_CONNECTIONS, AT_ONCE = 60, 6
DOWN = (OSError, ValueError, KeyError, httpx.HTTPError)
"""The service is being started again: nobody can ask it anything."""


class Outsiders:
    """Sends them, and keeps what was acknowledged."""

    def __init__(self, data: Path, chance: random.Random) -> None:
        self._data, self._chance = data, chance
        self._sent = 0
        self._acknowledged: set[int] = set()
        self._unanswered = 0
        self._staying: list[socket.socket] = []
        self.told: Counter[str] = Counter()

    def _url(self) -> str:
        return str(json.loads((self._data / "web.json").read_text())["url"])

    def a_trace(self) -> None:
        """Send a whole trace."""
        self._sent += 1
        try:
            files = {"file": ("t.csv", still_trace(self._sent).encode())}
            told = httpx.post(f"{self._url()}/api/traces", files=files, data=FIELDS, timeout=30)
        except DOWN:
            self._unanswered += 1
            return
        self.told[f"traces answered {told.status_code}"] += 1
        if told.status_code == 201:
            self._acknowledged.add(int(told.json()["id"]))

    def spoilt_files(self) -> None:
        """Send noise as a trace and as a job."""
        junk = self._chance.randbytes(self._chance.randrange(1, 60_000))
        with contextlib.suppress(*DOWN):
            for path, content, fields in (("traces", junk, FIELDS), ("jobs/from_file", b"PK" + junk, {})):
                files = {"file": ("f", content)}
                told = httpx.post(f"{self._url()}/api/{path}", files=files, data=fields, timeout=30)
                self.told[f"spoilt files answered {told.status_code}"] += 1

    def strangers(self) -> None:
        """From the network and not paired: changes, files, codes, and connections that stay and read nothing."""
        code = f"{self._chance.randrange(10**8):08}"
        with contextlib.suppress(*DOWN):
            port = int(self._url().rsplit(":", 1)[1])
            far = answering_address(port)
            if far is None:  # the service is down at this moment
                return
            with httpx.Client(base_url=f"http://{far}:{port}", timeout=15) as one:
                for answer in (
                    one.post("/api/engines", json={"layout": "twin cam", "engine": {"name": "Nobody's"}}),
                    one.post("/api/traces", files={"file": ("t.csv", still_trace(0).encode())}, data=FIELDS),
                    one.post("/pair", data={"code": code, "name": "Nobody"}),
                    one.post("/api/pairing/code"),
                ):
                    self.told[f"strangers answered {answer.status_code}"] += 1
            for _ in range(AT_ONCE):
                self._staying.append(socket.create_connection((far, port), timeout=3))
                self._staying[-1].sendall(UPGRADE.format(host=f"{far}:{port}").encode())
        while len(self._staying) > MOST_CONNECTIONS:
            self._staying.pop(0).close()

    def leave(self) -> None:
        """Close what stays."""
        for one in self._staying:
            one.close()

    def compare(self) -> bool:
        """Tell whether every acknowledged trace is there, with its file, and nothing that nobody may bring."""
        reader = ShopReader(self._data)
        there = {int(row["id"]) for row in reader.rows("SELECT id FROM measurements")}
        lost, more = len(self._acknowledged - there), len(there - self._acknowledged)
        strangers = len(reader.rows("SELECT id FROM engines"))
        without = len(look_for_left(self._data, reader).without_trace)
        let_in = sum(n for words, n in self.told.items() if words.startswith("strangers answered 2"))
        print(
            f"files: {self._sent} traces sent, {len(self._acknowledged)} acknowledged, {lost} of them lost, {more} more "
            f"there of {self._unanswered} without an answer, {without} without their file; of strangers: {strangers}"
        )
        print("answers: " + ", ".join(f"{words}: {n}" for words, n in sorted(self.told.items()) if n))
        return not (
            lost or more > self._unanswered or strangers or without or let_in or self.told["backups NOT made"]
        )
