"""A shop without encoder or gauge: disc and indicator are read by eye, and typed."""

from __future__ import annotations

import json
import signal
from pathlib import Path

import httpx
from waiting import until
from warm import WarmService


def test_without_a_bench_file_the_pages_are_well_and_say_how(tmp_path: Path) -> None:
    data, log = tmp_path / "data", tmp_path / "run.log"
    service = WarmService(["run", "--data", str(data), "--port", "0"], log)
    try:
        url = until(lambda: json.loads((data / "web.json").read_text())["url"], "it has an address")
        until(lambda: httpx.get(f"{url}/health").status_code == 200, f"it is well: {log}")
        with httpx.Client(base_url=url) as shop:
            said = shop.get("/api/bench").json()
            assert said["guide"]["sentence"].startswith("No instruments here: read disc and gauge")
            begun = shop.post("/api/measurements", json={"touches": "piston_1", "gauge": "dial_a"})
            assert begun.status_code == 409, begun.text
            assert shop.get("/").status_code == shop.get("/jobs").status_code == 200
        assert not (data / "capture.json").exists()
    finally:
        service.send_signal(signal.SIGTERM)
        assert service.wait(20) == 0
