"""Slack of the drive over HTTP, two jobs on one simulated engine whose chain has grown in between."""

from __future__ import annotations

from typing import Any

import pytest


@pytest.fixture(scope="module")
def twice(recorded: Any) -> tuple[Any, int]:
    """An engine measured, and measured again with more slack in its inlet drive; the first job's number."""
    shop = recorded(inlet=0.0, exhaust=0.0)
    shop.begin()
    first, engine_id = shop.job_id, max(one["id"] for one in shop.get("/api/engines"))
    answer = shop.client.get(f"/api/jobs/{first}/drive_slack")
    assert (answer.status_code, answer.json()["code"]) == (422, "no_way_back")
    shop.to_the_lobes()
    shop.lobe("inlet_1", back_deg=500.0)
    slack = shop.engine.cams["inlet"].slack_deg
    shop.engine = shop.engine.with_cam("inlet", slack_deg=slack + 1.5)
    shop.begin(engine_id=engine_id, reference="HL-1811")
    shop.to_the_lobes()
    shop.lobe("inlet_1", back_deg=500.0)
    return shop, first


def test_what_the_chain_has_grown_by_is_what_the_drive_has(twice: tuple[Any, int]) -> None:
    shop, first = twice
    told = shop.get(f"/api/jobs/{shop.job_id}/drive_slack?crank_teeth=20&pitch_mm=9.525&links=120")
    (inlet,) = told["cams"]
    true = shop.engine.cams["inlet"].slack_deg
    assert told["last_job"] == first
    assert inlet["slack_deg"]["value"] == pytest.approx(true, abs=inlet["slack_deg"]["u95"])
    assert inlet["change_deg"]["value"] == pytest.approx(1.5, abs=inlet["change_deg"]["u95"])
    assert inlet["grown"] == "grown"
    # 20 pitches of 9.525 mm a turn: 0.529 mm a degree.
    assert inlet["slack_mm"]["value"] == pytest.approx(0.5291667 * inlet["slack_deg"]["value"], rel=1e-6)


def test_the_first_job_on_an_engine_has_no_last_time(twice: tuple[Any, int]) -> None:
    shop, first = twice
    told = shop.get(f"/api/jobs/{first}/drive_slack")
    assert told["last_job"] is None
    assert told["cams"][0]["grown"] == "not known"
