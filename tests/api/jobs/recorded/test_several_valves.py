"""Engines with several valves of a kind a cylinder: said where the gauge is set up, and on the sheet."""

from __future__ import annotations

from typing import Any

import pytest

TARN_16V = {
    "name": "Tarn 1.8 sixteen-valve",
    "cylinders": ["1", "2", "3", "4"],
    "firing_order": ["1", "3", "4", "2"],
    "stroke_mm": 80,
    "rod_mm": 135,
    "inlet_valves": 2,
    "exhaust_valves": 2,
}


def test_one_valve_of_two_is_measured_and_every_step_that_measures_says_so(recorded: Any) -> None:
    shop = recorded()
    shop.begin(engine=TARN_16V, cylinders_wanted=["1", "3"])
    said = {
        step["id"]: [one for one in step["cautions"] if "One of them is measured" in one]
        for step in shop.job()["steps"]
    }
    measuring = {
        name for name in said if name.split(".")[0] in {"lobe", "room", "nipped", "torqued", "again"}
    }
    assert {name for name, words in said.items() if words} == measuring | {"cylinder.3", "valve_to_piston"}
    assert "2 inlet valves" in said["lobe.inlet"][0]
    assert len(said["cylinder.3"]) == 2
    lines = shop.get(f"/api/jobs/{shop.job_id}/sheet.json")["engine"]
    assert {"name": "Valves", "text": "2 inlet, 2 exhaust a cylinder; one of each measured"} in lines


def test_an_engine_with_one_valve_of_a_kind_says_nothing_of_it(recorded: Any) -> None:
    shop = recorded()
    shop.begin()
    assert not any("One of them" in one for step in shop.job()["steps"] for one in step["cautions"])
    assert all(line["name"] != "Valves" for line in shop.get(f"/api/jobs/{shop.job_id}/sheet.json")["engine"])


@pytest.mark.parametrize("count", [0, 4])
def test_a_number_of_valves_that_cannot_be_is_refused(recorded: Any, count: int) -> None:
    body = {"layout": "twin cam", "engine": TARN_16V | {"inlet_valves": count}}
    assert recorded().refused("/api/engines", body, 422)["code"] == "valve_count"
