"""Fault 22 on pages and sheet: the shop computer's clock is set back an hour in the middle of a job."""

from __future__ import annotations

import json
import os
import signal
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from free_ports import free_port
from on_file import TARN, WHINFELL
from waiting import LOBEWRIGHT, until

pytestmark = pytest.mark.faults

HOUR_NS = 3_600_000_000_000


@pytest.fixture
def shop(switches: Any, tmp_path: Path) -> Iterator[httpx.Client]:
    """The demo, whose crank nobody turns, on a clock that can be set."""
    port = free_port()
    words = ["demo", "--script", "none", "--data", str(tmp_path / "data")]
    ports = ["--port", str(port), "--control-port", str(free_port())]
    with (tmp_path / "log").open("w") as log:
        process = subprocess.Popen(
            [*LOBEWRIGHT, *words, *ports], env=os.environ | switches.environment, stdout=log, stderr=log
        )
    with httpx.Client(base_url=f"http://127.0.0.1:{port}", timeout=60) as client:
        until(lambda: client.get("/api/latest").json()["latest"], "it reads", 120)
        yield client
    process.send_signal(signal.SIGINT)
    process.wait(60)


def kept(shop: httpx.Client, path: str, body: object) -> int:
    return int(shop.post(path, json=body).raise_for_status().json()["id"])


def sheet(shop: httpx.Client, job: int) -> dict[str, Any]:
    found: dict[str, Any] = shop.get(f"/api/jobs/{job}/sheet.json").raise_for_status().json()
    return found


def ages_s(shop: httpx.Client) -> list[float]:
    """How old the newest readings are by what other programs are told."""
    told = shop.get("/api/latest").json()
    return [(told["now_ms"] - one["wall_ms"]) / 1e3 for one in told["latest"].values()]


def test_a_clock_set_back_an_hour_is_told_on_the_sheet_and_makes_nothing_old_or_early(
    shop: httpx.Client, switches: Any
) -> None:
    engine = kept(shop, "/api/engines", {"engine": TARN, "layout": "twin cam"})
    card = kept(shop, "/api/cards", {"card": WHINFELL})
    job = kept(shop, "/api/jobs", {"reference": "HL-1", "engine_id": engine, "card_id": card})
    noted = [f"/api/jobs/{job}/facts", {"what": {"kind": "noted", "text": "sump off"}}]
    for _ in range(2):
        shop.post(noted[0], json=noted[1]).raise_for_status()
    assert "clock_set_back" not in json.dumps(sheet(shop, job))

    switches.set(clock_ns=-HOUR_NS)
    events = until(
        lambda: [one for one in shop.get("/api/bench").json()["events"] if one["code"] == "clock_set"],
        "it is seen",
    )
    assert "-3600" in events[0]["sentence"]
    shop.post(noted[0], json=noted[1]).raise_for_status()
    (told,) = [one["message"] for one in sheet(shop, job)["findings"] if one["code"] == "clock_set_back"]
    assert "the computer's clock was set back meanwhile" in told
    page = shop.get(f"/api/jobs/{job}/sheet.html").text
    assert "clock was set back" in page
    assert page.count("sump off") == 3

    until(lambda: all(abs(age) < 600 for age in ages_s(shop)), "readings are told by the clock as it is now")
    assert all(
        abs(one["at_ms"] - shop.get("/api/latest").json()["now_ms"]) < 600_000 for one in numbers(shop)
    )
    health = shop.get("/api/bench").json()["health"]
    assert all(0 <= one["age_s"] < 600 for one in health["channels"]), "ages know nothing of the clock"
    lines = shop.get("/api/jobs").json()
    assert [one["id"] for one in lines] == [job]


def numbers(shop: httpx.Client) -> list[dict[str, Any]]:
    return list(shop.get("/api/numbers").json()["readings"].values())
