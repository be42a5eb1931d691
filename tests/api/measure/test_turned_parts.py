"""Runout and end float over HTTP, with instruments on real ports that say what a turned part and a pushed shaft would."""

from __future__ import annotations

import itertools
import json
import tempfile
import time
from typing import Any

import httpx
import numpy as np
import pytest
from command import lobewright
from recorded_instruments import Instruments
from waiting import until

from simulated_devices.machine import DialIndicator, Encoder, Hand, Manner, RoundPart
from simulated_devices.traces import record_round

pytestmark = pytest.mark.slow
Fields = dict[str, Any]
OFF_AXIS_MM, TOWARDS_DEG, STARTS_DEG = 0.10, 130.0, 20.0
TURNS = 2.1
TURN_AGAIN = {"not_a_whole_turn", "held_up"}
"""What a machine that held lines up asks for."""


def test_a_circle_off_its_axis_swings_by_twice_as_much_once_a_turn(
    bench: tuple[Instruments, httpx.Client],
) -> None:
    """Plain geometry; where its middle lies, there it is highest. Nothing was pressed before it was turned."""
    instruments, client = bench
    part = RoundPart(25.0, off_axis_mm=OFF_AXIS_MM, off_towards_deg=TOWARDS_DEG)
    gauge = DialIndicator(step=0.01, rate_hz=10.0, lag_s=0.06, jitter_s=0.002, noise_mm=0.001)
    for again in itertools.count():  # as often as it is asked for
        chance = np.random.default_rng(29 + again)
        starts_deg = STARTS_DEG + again * TURNS * 360.0  # where it stands
        hand = Hand(starts_deg, Manner(60.0, 0.1), chance).pause(1.0).turns(TURNS).pause(1.0)
        instruments.say(record_round(part, hand.done(), gauge, Encoder(3600, 200.0, 0.0), chance))
        answer = client.post("/api/fitting/runout", json={"most_mm": 0.05})
        if answer.status_code == 200 or answer.json()["code"] not in TURN_AGAIN:
            break
    assert answer.status_code == 200, answer.text
    told: Fields = answer.json()
    total, high = told["total_mm"], told["high_at_deg"]
    assert abs(total["value"] - 2.0 * OFF_AXIS_MM) <= 1.5 * total["u95"] <= 0.06
    off_deg = (high["value"] - (TOWARDS_DEG - STARTS_DEG) + 180.0) % 360.0 - 180.0
    assert abs(off_deg) <= 1.5 * high["u95"] <= 30.0
    assert told["angles_from"] == "the encoder's zero"
    assert told["held"] == "beyond"
    assert "the maker's instructions" in told["words"]
    assert told["waves"][1]["amplitude_mm"]["value"] <= 1.5 * told["waves"][1]["amplitude_mm"]["u95"]
    tells_again(client, told)


def tells_again(client: httpx.Client, told: Fields) -> None:
    """From the readings that are stored the same comes out, by the command line that knows nothing of the answer."""
    [kept] = [one for one in client.get("/api/fitting/parts").json() if one["id"] == told["kept"]["number"]]
    assert kept["has_readings"]
    assert (kept["most_mm"], kept["held"]) == (0.05, "beyond")

    def stored() -> str:
        return client.get(f"/api/fitting/parts/{kept['id']}/trace.csv").raise_for_status().text

    until(lambda: stored().count("crank_deg") > 500, "the readings are stored")
    with tempfile.NamedTemporaryFile("w", suffix=".csv") as file:
        file.write(stored())
        file.flush()
        answer = lobewright("report", "runout", file.name, "--json")
    assert answer.returncode == 0, answer.stderr
    again = json.loads(answer.stdout)
    total = again["total_mm"]["value"] if isinstance(again["total_mm"], dict) else again["total_mm"]
    assert total == pytest.approx(told["total_mm"]["value"], abs=0.2 * told["total_mm"]["u95"])


def test_a_shaft_pushed_and_pulled_tells_its_float(bench: tuple[Instruments, httpx.Client]) -> None:
    instruments, client = bench

    def read() -> Any:
        instruments.rest()
        return client.get("/api/latest").json()["latest"]["crank"]

    until(read, "the crank is read")
    time.sleep(0.5)  # the gauge settles before what it says counts
    for _ in range(3):
        for place_mm in (1.02, 1.20):
            for _ in range(8):
                instruments.say_mm(place_mm)
                time.sleep(0.1)
    answer = client.post("/api/fitting/end_float", json={"least_mm": 0.05, "most_mm": 0.30})
    assert answer.status_code == 200, answer.text
    told: Fields = answer.json()
    assert abs(told["float_mm"]["value"] - 0.18) < 1e-6
    assert told["held"] == "within"


def test_what_was_not_turned_and_a_gauge_that_is_not_there_are_said_in_a_sentence(
    bench: tuple[Instruments, httpx.Client],
) -> None:
    _, client = bench
    refused = client.post("/api/fitting/end_float", json={"gauge": "dial_z"})
    assert (refused.status_code, refused.json()["code"]) == (404, "no_such_gauge")
    wrong = client.post("/api/fitting/runout", json={"most_mm": -1})
    assert wrong.status_code == 422
