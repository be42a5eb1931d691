"""What the desk's pages show: stored traces and jobs on the demo that nobody turns."""

from __future__ import annotations

import functools
import json
from collections.abc import Callable
from typing import Any

import httpx
import numpy as np
import pytest
from on_file import TARN_WITH_PIN, WHINFELL

GAUGE = "dial_a"


# Traces are recorded without a clock, so that a busy machine cannot spoil them.


def _trace_file(touches: str) -> bytes:
    """A trace of the scenario's engine as an export would write it: two speeds forward, then some way back."""
    from simulated_devices.machine import Hand, Manner
    from simulated_devices.scenarios import load_scenario
    from simulated_devices.scenarios.scenario_build import setup_of
    from simulated_devices.traces import record

    rng = np.random.default_rng(1804)
    hand = Hand(-140.0, Manner(30.0, 0.05, 0.3), rng)
    if touches.startswith("piston"):
        hand.rock(0.0, 50.0, 2, (40.0,)).pause(0.5)
    else:
        hand.turns(2.0, 45.0).pause(1.0).turns(2.0, 25.0).pause(1.0).turns(-0.8, 40.0)
    setup = setup_of(load_scenario("hollin_lane_twin_cam"), hand.done(), {GAUGE: touches})
    trace = record(setup, rng)
    told = {"touches": touches, "gauge": GAUGE, "settings": {}, "facts": {}}
    if not touches.startswith("piston"):
        told["settings"] = {"tdc_deg": trace.truth.overlap_tdc_deg, "tdc_u_deg": 0.01, "drop_mm": 1.27}
    gauge = trace.gauges[GAUGE]
    rows = [
        (time_s, f"crank_deg,{deg:.4f}")
        for time_s, deg in zip(trace.crank_time_s, trace.crank_deg, strict=True)
    ]
    rows += [
        (time_s, f"{GAUGE}_mm,{mm:.4f}") for time_s, mm in zip(gauge.time_s, gauge.value_mm, strict=True)
    ]
    lines = [f"# measurement {json.dumps(told)}", "time_s,channel,value"]
    lines += [f"{time_s:.6f},{rest}" for time_s, rest in sorted(rows)]
    return "\n".join(lines).encode()


@pytest.fixture(scope="session")
def trace_file() -> Callable[[str], bytes]:
    """Give a trace file of what the gauge touched."""
    return _trace_file


@pytest.fixture(scope="session")
def stored(still_demo: Any) -> dict[str, int]:
    """Numbers of stored traces by what the gauge touched, brought in through the web API."""
    numbers = {}
    for touches in ("piston_1", "inlet_1", "exhaust_1", "inlet_2"):
        answer = httpx.post(
            f"{still_demo.url}/api/traces", files={"file": ("trace.csv", _trace_file(touches))}, timeout=120.0
        )
        assert answer.status_code == 201, answer.text
        assert answer.json()["state"] == "finished", answer.json()["sentence"]
        numbers[touches] = answer.json()["id"]
    return numbers


SLOTS = {"kind": "slots", "bolt_circle_radius_mm": 42.0, "slot_each_way_cam_deg": 6.0}


def begin_job(url: str, reference: str) -> int:
    """Begin a job that the bench does not serve, taken by hand as far as the inlet lobe; give its number."""
    with httpx.Client(base_url=url, timeout=60.0) as client:

        def post(path: str, body: dict | None = None) -> dict:
            answer = client.post(path, json=body)
            assert answer.status_code < 300, f"{path}: {answer.text}"
            return answer.json()

        cams = [{"name": name, "valves": [name], "adjuster": SLOTS} for name in ("inlet", "exhaust")]
        engine = post("/api/engines", {"engine": {**TARN_WITH_PIN, "cams": cams}})["id"]
        card = post("/api/cards", {"card": WHINFELL})["id"]
        people = {"builder": "Ida Thorne", "customer": "Merrick", "open": False}
        entry = {"reference": reference, "engine_id": engine, "card_id": card, **people}
        here = f"/api/jobs/{post('/api/jobs', entry)['id']}"
        post(f"{here}/facts", {"what": {"kind": "bench_checked", "by_hand": True}})
        for valve, mm in (("inlet", 0.25), ("exhaust", 0.3)):
            noted = {"kind": "clearance_noted", "cylinder": "1", "valve": valve, "clearance_mm": mm}
            post(f"{here}/facts", {"what": noted})
        # Common practice, no source: equal readings at 0 and 12 put true TDC at 6.
        pairs = [{"before_deg": 0.0, "after_deg": 12.0}, {"before_deg": 358.0, "after_deg": 14.0}]
        for _ in range(2):
            post(f"{here}/by_hand", {"what": "tdc", "pairs": pairs})
        seen = {"kind": "stroke_found", "overlap_tdc_deg": 6.0, "how": "seen by the builder"}
        post(f"{here}/facts", {"what": seen})
        return int(here.rsplit("/", 1)[1])


@pytest.fixture(scope="session")
def begin(still_demo: Any) -> Callable[[str], int]:
    """Begin a job whose lobes are next, on the demo that nobody turns."""
    return functools.partial(begin_job, still_demo.url)


@pytest.fixture(scope="session")
def job_by_hand(begin: Callable[[str], int]) -> int:
    """Number of such a job, to be looked at."""
    return begin("HL-0417")
