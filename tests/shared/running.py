"""A service that really runs, as `lobewright run` starts it, and job files to throw at it."""

from __future__ import annotations

import contextlib
import hashlib
import io
import json
import os
import signal
import subprocess
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
from on_file import TARN, WHINFELL
from waiting import until
from warm import WarmService

Fields = dict[str, Any]
ENGINE: Fields = {"engine": TARN, "layout": "twin cam"}
CARD: Fields = {"card": WHINFELL}


class RunningShop:
    """One `lobewright run` on a folder, its bench without a single instrument plugged in."""

    def __init__(self, folder: Path, data: Path | None = None, bench: Path | None = None) -> None:
        self.folder = folder
        self.data = data or folder / "data"
        self.bench = bench or write_bench(folder)
        self.process: WarmService | None = None
        self.url = ""
        self.log_path = folder / "run.log"

    def start(self) -> RunningShop:
        run = ["run", "--bench", str(self.bench), "--data", str(self.data), "--port", "0"]
        self.process = WarmService(run, self.log_path)
        self.url = until(self._url, f"the service is up: {self.log_path}", 180)
        return self

    def _url(self) -> str:
        assert self.process is not None
        assert self.process.poll() is None, self.log_path.read_text()
        told = json.loads((self.data / "web.json").read_text())
        if told["pid"] != self.process.pid:
            return ""
        httpx.get(f"{told['url']}/api/latest", timeout=5)
        return str(told["url"])

    def client(self) -> httpx.Client:
        return httpx.Client(base_url=self.url, timeout=60)

    def kill(self) -> None:
        """Kill the web service and leave capture running."""
        assert self.process is not None
        self.process.kill()
        self.process.wait()

    def stop(self) -> None:
        if self.process is not None and self.process.poll() is None:
            self.process.send_signal(signal.SIGTERM)
            try:
                self.process.wait(20)
            except subprocess.TimeoutExpired:
                self.process.kill()
                self.process.wait()
        with contextlib.suppress(OSError, ValueError, KeyError):
            os.kill(json.loads((self.data / "capture.json").read_text())["pid"], signal.SIGKILL)

    def log(self) -> str:
        return self.log_path.read_text()


def write_bench(folder: Path, rpm: int = 1200) -> Path:
    path = folder / "bench.toml"
    path.write_text(
        f'[crank]\nport = "{folder}/nothing-plugged-in"\nframe = "count"\ncounts_per_turn = 3600\n'
        f"fastest_rpm = {rpm}\n\n"
        f'[[gauge]]\nname = "dial_a"\nport = "{folder}/nothing-either"\nframe = "decimal"\n'
    )
    return path


@contextlib.contextmanager
def running(folder: Path, **more: Any) -> Iterator[RunningShop]:
    shop = RunningShop(folder, **more)
    try:
        yield shop.start()
    finally:
        shop.stop()


def plain_job(client: httpx.Client, reference: str = "HL-1804") -> int:
    """Begin a job over HTTP."""

    def post(path: str, body: Fields) -> Fields:
        answer = client.post(path, json=body)
        assert answer.status_code < 300, answer.text
        told: Fields = answer.json()
        return told

    engine, card = post("/api/engines", ENGINE), post("/api/cards", CARD)
    job = {"reference": reference, "engine_id": engine["id"], "card_id": card["id"], "open": False}
    return int(post("/api/jobs", job)["id"])


def still_trace(seed: int = 0) -> str:
    """A trace of a crank that stands, so that it is refused, but whole."""
    rows = "".join(
        f"{k * 0.1 + seed * 1e-4},crank_deg,12.05\n{k * 0.1 + 0.05},dial_a_mm,3.21\n" for k in range(60)
    )
    return f"time_s,channel,value\n{rows}"


def measured(number: int, trace: str, **more: Any) -> Fields:
    """One measurement of a true TDC as a job file tells it; it claims a lag of 90 ms for `dial_a`."""
    plain: Fields = {
        "id": number,
        "what": "tdc",
        "touches": "piston_1",
        "gauge": "dial_a",
        "state": "finished",
        "started_at": "2026-11-20T08:00:00.000+00:00",
        "ended_at": "2026-11-20T08:01:00.000+00:00",
        "duration_ns": 6_000_000_000,
        "settings": {},
        "facts": {"lag_s": 0.09, "lag_u_s": 0.001, "step_mm": 0.01, "error_mm": 0.01},
        "result": {
            "centre_deg": 12.0,
            "u95_deg": 0.05,
            "lag_s": 0.09,
            "passes": [],
            "equal_readings": [],
            "warnings": [],
            "polarity": 1,
        },
        "detail": {"lag_u_s": 0.001, "polarity": 1, "budget": []},
        "error": None,
        "sentence": "True TDC 12.00° ± 0.05°.",
        "program": "0.1.0",
        "trace": trace,
    }
    return plain | more


def job_file(exported: bytes, measurements: list[Fields] | None = None, **fields: Any) -> bytes:
    """A job file made of an exported one: with these measurements and their traces, and fields changed."""
    out, sums = io.BytesIO(), {}
    with zipfile.ZipFile(io.BytesIO(exported)) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        told: Fields = json.loads(old.read("job.json"))
        files = {"sheet.json": old.read("sheet.json")}
        for one in measurements or []:
            files[one["trace"]] = still_trace().encode()
        for name, content in files.items():
            new.writestr(name, content)
            sums[name] = hashlib.sha256(content).hexdigest()
        told |= {"measurements": measurements or [], "sha256": sums} | fields
        new.writestr("job.json", json.dumps(told))
    return out.getvalue()


def send_job(client: httpx.Client, content: bytes) -> httpx.Response:
    return client.post("/api/jobs/from_file", files={"file": ("job.zip", content)})
