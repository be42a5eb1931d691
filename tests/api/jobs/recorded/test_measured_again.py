"""Lobes measured again: what tightening did to them is told on job and sheet, and on the pages of their traces."""

from __future__ import annotations

import math
import subprocess
from typing import Any

import pytest

pytestmark = pytest.mark.slow

Fields = dict[str, Any]


@pytest.fixture(scope="module")
def slipped(recorded: Any) -> Any:
    """A job whose inlet pulley went late by 0.8 degrees under the torque wrench; the exhaust's held."""
    shop = recorded(inlet=3.4, exhaust=0.1)
    shop.begin()
    shop.to_the_lobes()
    shop.lobe("inlet_1")
    shop.fact(kind="decided", cam="inlet", decision="correct")
    shop.engine = shop.engine.with_cam("inlet", pulley_deg=0.1)
    shop.fact(kind="moved", cam="inlet", way="cam_turned")
    shop.fact(kind="tightened", cam="inlet", to="nipped")
    shop.lobe("inlet_1")
    shop.engine = shop.engine.with_cam("inlet", pulley_deg=0.9)
    shop.fact(kind="tightened", cam="inlet", to="torqued", torque_nm=25.0)
    shop.lobe("inlet_1")
    shop.lobe("inlet_1")
    return shop


def changes(shop: Any) -> list[Fields]:
    found: list[Fields] = shop.get(f"/api/jobs/{shop.job_id}/changes")
    return found


def test_a_pulley_that_moved_under_the_wrench_means_something(slipped: Any) -> None:
    first, again = changes(slipped)
    assert (first["valve"], first["between"], first["call"]) == ("inlet", "torqued", "means something")
    assert first["by_deg"] == pytest.approx(0.8, abs=first["u95_deg"])
    assert first["chance"] < 0.05
    assert "later" in first["sentence"]
    assert (again["between"], again["call"]) == ("", "within what can be told")


def test_a_movement_on_purpose_is_not_compared(slipped: Any) -> None:
    lobes = [one["number"] for one in slipped.job()["facts"] if one["what"]["kind"] == "lobe_measured"]
    assert [(one["before"], one["after"]) for one in changes(slipped)] == [
        (lobes[1], lobes[2]),
        (lobes[2], lobes[3]),
    ]


def test_the_true_tdc_that_both_share_is_no_part_of_the_interval(slipped: Any) -> None:
    facts = {one["number"]: one["what"] for one in slipped.job()["facts"]}
    for one in changes(slipped):
        apart = math.hypot(facts[one["before"]]["u95_deg"], facts[one["after"]]["u95_deg"])
        assert one["u95_deg"] < apart


def test_a_withdrawn_measurement_is_no_before(slipped: Any) -> None:
    view = slipped.job()
    last = view["facts"][-1]["number"]
    slipped.fact(kind="withdrawn", number=last, reason="The stand was leant on.")
    assert len(changes(slipped)) == 1


def test_the_sheet_says_it_on_every_form(slipped: Any) -> None:
    here = f"/api/jobs/{slipped.job_id}"
    told = slipped.get(f"{here}/sheet.json")["changes"]
    assert told == changes(slipped)
    page = slipped.client.get(f"{here}/sheet.html").text
    pdf = subprocess.run(
        ["pdftotext", "-layout", "-", "-"],
        input=slipped.client.get(f"{here}/sheet.pdf").content,
        capture_output=True,
        check=True,
    ).stdout.decode()
    moved = f"{told[0]['by_deg']:.2f}° later"
    for form in (page, pdf):
        for words in ("Measured again", "Real move?", moved, "torqued", "means something"):
            assert words in form


def test_a_job_without_a_second_measurement_says_nothing(recorded: Any) -> None:
    shop = recorded()
    shop.begin()
    shop.to_the_lobes()
    shop.lobe("inlet_1")
    assert changes(shop) == []
    assert "Measured again" not in shop.client.get(f"/api/jobs/{shop.job_id}/sheet.html").text


def traces_of(shop: Any, touches: str) -> list[int]:
    found = shop.get(f"/api/measurements?job_id={shop.job_id}")["measurements"]
    return sorted(one["id"] for one in found if one["touches"] == touches)


def test_passes_of_one_trace_are_compared(slipped: Any) -> None:
    number = traces_of(slipped, "inlet_1")[0]
    told = slipped.get(f"/api/measurements/{number}/repeatability")
    assert told["others"] == []
    alone = [
        one["centre_deg"]
        for one in slipped.get(f"/api/measurements/{number}")["result"]["passes"]
        if one["used"] and one["centre_deg"] is not None
    ]
    assert told["spread"]["count"] == len(alone) >= 2
    assert told["spread"]["range_deg"] == pytest.approx(max(alone) - min(alone))
    assert told["spread"]["sentence"].startswith(f"{len(alone)} passes agree within")


def test_two_traces_of_one_lobe_are_compared_and_two_lobes_are_not(slipped: Any) -> None:
    lobes, piston = traces_of(slipped, "inlet_1"), traces_of(slipped, "piston_1")
    beside = "&".join(f"beside={number}" for number in (lobes[2], piston[0]))
    told = slipped.get(f"/api/measurements/{lobes[1]}/repeatability?{beside}")["others"]
    assert [one["measurement_id"] for one in told] == [lobes[2], piston[0]]
    assert told[0]["call"] == "means something"
    assert told[0]["by_deg"] == pytest.approx(0.8, abs=told[0]["u95_deg"])
    assert (told[1]["call"], told[1]["by_deg"]) == (None, None)
    assert told[1]["sentence"].startswith("Another part")


def test_true_tdc_measured_twice_is_compared(slipped: Any) -> None:
    first, second = traces_of(slipped, "piston_1")[:2]
    told = slipped.get(f"/api/measurements/{first}/repeatability?beside={second}")
    assert told["spread"]["count"] >= 2
    assert told["others"][0]["call"] == "within what can be told"
    assert abs(told["others"][0]["by_deg"]) < 0.2


def test_a_trace_that_is_not_there_is_told_in_a_sentence(slipped: Any) -> None:
    answer = slipped.client.get("/api/measurements/1/repeatability?beside=9999")
    assert answer.status_code == 404
    assert "9999" in answer.json()["message"]
