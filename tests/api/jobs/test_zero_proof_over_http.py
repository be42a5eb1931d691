"""The encoder's zero proved again after capture was killed, and found moved after its coupling slipped, over HTTP."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import httpx
import pytest
from on_file import WHINFELL

Fields = dict[str, Any]
pytestmark = [pytest.mark.slow, pytest.mark.timeout(600)]


def begin(builder: Any, table: Fields) -> None:
    order = [str(number) for number in table["firing_order"]]
    engine = {name: table[name] for name in ("name", "stroke_mm", "rod_mm", "pin_offset_mm")}
    engine["pin_side_known"] = True
    engine |= {"cylinders": sorted(order), "firing_order": order}
    kept = builder.post("/api/engines", {"layout": "twin cam", "engine": engine})
    card = builder.post("/api/cards", {"card": WHINFELL})
    entry = {"reference": "HL-1807", "engine_id": kept["id"], "card_id": card["id"], "builder": "Ida Thorne"}
    builder.job_id = builder.post("/api/jobs", entry)["id"]
    builder.fact(kind="skipped", step="bench_check", reason="Proved an hour ago.")
    builder.press()
    tdc_until(builder, "stroke")
    builder.to_overlap()


def tdc_until(builder: Any, step: str) -> None:
    """Measure true TDC, and again where the last two do not agree, as the job asks, until a step is due."""
    for _ in range(5):
        if builder.job()["now"] == step:
            return
        builder.tdc()
    raise AssertionError(builder.job()["steps"])


def kill_capture(builder: Any, data: Path) -> None:
    """Kill the process that reads the instruments; wait until its successor reads them."""
    before = json.loads((data / "capture.json").read_text())
    os.kill(before["pid"], signal.SIGKILL)
    until = time.monotonic() + 60
    while time.monotonic() < until:
        with contextlib.suppress(OSError, ValueError, KeyError, httpx.HTTPError):
            now = json.loads((data / "capture.json").read_text())
            channels = builder.get("/api/bench")["health"]["channels"]
            if now["pid"] != before["pid"] and {one["state"] for one in channels} == {"online"}:
                return
        time.sleep(0.1)
    raise AssertionError("capture did not come back")


def refused_lobe(builder: Any) -> Fields:
    answer = builder.shop.post(f"/api/jobs/{builder.job_id}/measure", json={"valve": "inlet"})
    assert answer.status_code == 409, answer.text
    told: Fields = answer.json()
    return told


def until_told(builder: Any, code: str) -> None:
    """Wait for an event of the bench, which has to come from the wire first."""
    until = time.monotonic() + 30
    while code not in {one["code"] for one in builder.get("/api/bench")["events"]}:
        assert time.monotonic() < until, builder.get("/api/bench")["events"]
        time.sleep(0.1)


def test_a_zero_is_proved_anew_after_a_kill_and_found_moved_after_a_slip(shop: Callable[..., Any]) -> None:
    running, builder = shop("hollin_lane_twin_cam", 43, {"inlet": 3.0, "exhaust": -2.0})
    begin(builder, running.scenario["engine"])
    assert builder.job()["now"] == "lobe.inlet"
    facts = builder.job()["facts"]

    kill_capture(builder, running.data)
    told = refused_lobe(builder)
    assert (told["code"], told["step"]) == ("zero_unproved", "true_tdc")
    assert told["message"] == builder.guide()["sentence"]
    assert builder.job()["facts"] == facts
    builder.tdc()
    tdc_until(builder, "lobe.inlet")
    begun = builder.post(f"/api/jobs/{builder.job_id}/measure", {})
    builder.post(f"/api/measurements/{begun['id']}/discard")
    assert builder.job()["now"] == "lobe.inlet"

    view = builder.job()
    for fault in ({"kind": "encoder_slip", "size": 3.0}, {"kind": "reboot"}):
        assert builder.bench.post("/fault", json=fault).status_code == 200
        builder.wait(
            1.0
        )  # the slip is heard before the count begins anew, which goes on from where it was heard
    until_told(builder, "counter_reset")
    assert refused_lobe(builder)["code"] == "zero_unproved"
    builder.tdc()
    assert builder.job()["now"] == "true_tdc", "the last two differ"
    told = refused_lobe(builder)
    assert told["code"] == "zero_moved"
    assert "from where it was" in told["message"]
    tdc_until(builder, "lobe.inlet")
    again = builder.job()
    moved = (again["overlap_tdc_deg"] - view["overlap_tdc_deg"] + 180) % 360 - 180
    assert abs(moved) == pytest.approx(3.0, abs=0.2)
