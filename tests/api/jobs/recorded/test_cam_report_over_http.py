"""The cam report of a job and of its traces over HTTP, against the simulated metal."""

from __future__ import annotations

import csv
import io
from typing import Any

import numpy as np
import pytest


def lobe_number(signed: Any, valve: str = "inlet") -> int:
    report = signed.get(f"/api/jobs/{signed.job_id}/report")
    return int(next(one["measurement_id"] for one in report["lobes"] if one["valve"] == valve))


def test_every_lobe_of_a_job_stands_beside_its_card(signed: Any) -> None:
    report = signed.get(f"/api/jobs/{signed.job_id}/report")
    assert [(one["valve"], one["cylinder"]) for one in report["lobes"]] == [("inlet", "1"), ("exhaust", "1")]
    for one in report["lobes"]:
        truth = signed.engine.truth_of(f"{one['valve']}_1")
        assert one["card"]["lift_mm"] in {9.4, 9.1}
        for at in one["report"]["at_lifts"]:
            true = truth.events_deg(at["lift_mm"])[2]
            assert at["duration_deg"]["value"] == pytest.approx(true, abs=1.5 * at["duration_deg"]["u95"])


def test_what_both_valves_have_in_common_is_that_of_the_metal(signed: Any) -> None:
    (both,) = signed.get(f"/api/jobs/{signed.job_id}/report")["overlaps"]
    inlet, exhaust = (signed.engine.truth_of(f"{valve}_1") for valve in ("inlet", "exhaust"))
    crank = np.arange(0.0, 720.0, 0.1)
    lifts = [signed.engine.valve_lift_mm(f"{valve}_1", crank) for valve in ("inlet", "exhaust")]
    area = float(np.sum(np.minimum(*(np.maximum(lift, 0.0) for lift in lifts))) * 0.1)
    told = both["overlap"]
    assert told["area_mm_deg"]["value"] == pytest.approx(area, abs=2.0 * told["area_mm_deg"]["u95"])
    apart = (inlet.centre_deg() - exhaust.centre_deg()) % 720.0 / 2.0
    assert told["separation_cam_deg"]["value"] == pytest.approx(
        apart, abs=2.0 * told["separation_cam_deg"]["u95"]
    )
    assert both["card_separation_cam_deg"] == 110.0


@pytest.mark.parametrize(("by", "unit"), [("crank", "mm"), ("cam", "in")])
def test_a_report_is_given_as_csv(signed: Any, by: str, unit: str) -> None:
    number = lobe_number(signed)
    answer = signed.client.get(f"/api/measurements/{number}/report.csv?by={by}&unit={unit}")
    assert answer.status_code == 200
    assert f"cam-report-{by}-{unit}.csv" in answer.headers["content-disposition"]
    rows = list(csv.DictReader(io.StringIO(answer.text)))
    peak = max(float(row[f"lift_{unit}"]) for row in rows) * (25.4 if unit == "in" else 1.0)
    assert peak == pytest.approx(signed.engine.truth_of("inlet_1").peak_lift_mm, abs=0.02)


def test_a_lobe_is_held_against_its_own_earlier_trace_and_a_cards_table(signed: Any) -> None:
    number = lobe_number(signed)
    measured = signed.get("/api/measurements?limit=100")["measurements"]
    earlier = [
        one["id"] for one in measured if one["touches"] == "inlet_1" and one["id"] != number and one["result"]
    ]
    told = signed.get(f"/api/measurements/{number}/against?other={earlier[0]}")
    assert told["places"] == []
    assert told["sentences"] == ["No place differs by more than chance."]
    truth = signed.engine.truth_of("inlet_1")
    deg = np.arange(-80.0, 81.0, 4.0)
    lift = truth.valve.lift_mm(2.0 * deg + truth.valve.nose_deg)
    rows = "\n".join(f"{at:g} {max(one, 0.0):.3f}" for at, one in zip(deg, lift, strict=True))
    table = signed.post(f"/api/measurements/{number}/against_table", {"table": rows})
    assert table["places"] == []
    hollow = np.where(np.abs(deg - 28.0) < 9.0, lift + 0.08, lift)
    rows = "\n".join(f"{at:g} {max(one, 0.0):.3f}" for at, one in zip(deg, hollow, strict=True))
    worn = signed.post(f"/api/measurements/{number}/against_table", {"table": rows})
    assert any("after the nose" in one["words"] and one["by_mm"]["value"] < -0.03 for one in worn["places"])


def test_what_carries_no_report_says_why(signed: Any) -> None:
    measured = signed.get("/api/measurements?limit=100")["measurements"]
    piston = next(one["id"] for one in measured if one["what"] == "tdc")
    answer = signed.client.get(f"/api/measurements/{piston}/report")
    assert (answer.status_code, answer.json()["code"]) == (422, "not_a_lobe")
    assert signed.client.get("/api/measurements/9999/report").status_code == 404
    number = lobe_number(signed)
    bad = signed.refused(f"/api/measurements/{number}/against_table", {"table": "1 2\nthree 4"}, 422)
    assert bad["code"] == "bad_lift_table"
    assert "Line 2" in bad["message"]


def test_its_pages_are_served(signed: Any) -> None:
    for path in (f"/traces/{lobe_number(signed)}/report", f"/jobs/{signed.job_id}/report"):
        answer = signed.client.get(path)
        assert answer.status_code == 200
        assert "report.js" in answer.text
