"""What is told of a part is kept in the open job under its name: its entry, its sheet, its tables, its file."""

from __future__ import annotations

import csv
import io
import subprocess
from typing import Any

import numpy as np
import pytest

from simulated_devices.machine import DialIndicator, Encoder, Hand, Manner, RoundPart
from simulated_devices.traces import record_round

pytestmark = pytest.mark.slow
Fields = dict[str, Any]
RATIO: Fields = {
    "bore_mm": {"value": 80.0},
    "stroke_mm": {"value": 80.0},
    "chamber_cm3": {"value": 50.0, "limit": 0.5},
}
"""Swept 402.12 cm³ of plain geometry: with 50 left at the top the ratio is 452.12 / 50 = 9.04."""
MARK: Fields = {"mark_deg": 12.0, "tdc_deg": 10.0, "rim_mm": 180.0}
"""Two degrees of a rim of 180 mm are 3.14 mm."""


@pytest.fixture
def shop(recorded: Any) -> Any:
    shop = recorded()
    shop.begin()
    shop.post(f"/api/jobs/{shop.job_id}/open", {})
    return shop


def rows(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text)))


def test_a_named_result_stands_in_the_job_and_on_every_form_of_its_sheet(shop: Any) -> None:
    told = shop.post("/api/fitting/compression?part=Cylinder%201", RATIO)
    assert told["kept"]["job_id"] == shop.job_id
    assert told["kept"]["sentence"].startswith("Kept in job ")
    fact = next(one for one in shop.job()["facts"] if one["number"] == told["kept"]["fact"])
    assert (fact["what"]["kind"], fact["what"]["part"]) == ("part_measured", "Cylinder 1")

    path = f"/api/jobs/{shop.job_id}"
    [line] = shop.get(f"{path}/sheet.json")["parts"]
    assert line["found"][0].startswith("ratio 9.04 ± 0.0")
    page = shop.client.get(f"{path}/sheet.html").text
    pdf = shop.client.get(f"{path}/sheet.pdf").content
    printed = subprocess.run(
        ["pdftotext", "-layout", "-", "-"], input=pdf, capture_output=True, check=True
    ).stdout.decode()
    for form in (page, printed):
        assert "Other parts" in form
        assert "Cylinder 1" in form
        assert "9.04" in form


def test_numbers_of_parts_come_as_a_table_in_mm_and_inch(shop: Any) -> None:
    shop.post("/api/fitting/mark?part==Damper", MARK)
    table = rows(shop.client.get(f"/api/jobs/{shop.job_id}/parts.csv").text)
    rim = next(one for one in table if one["number"] == "along the rim")
    assert float(rim["value"]) == pytest.approx(3.14159, abs=1e-4)
    assert float(rim["inch"]) == pytest.approx(0.12368, abs=1e-5)
    assert rim["part"] == "'=Damper", "no spreadsheet takes a name for a formula"
    assert shop.client.get(f"/api/jobs/{shop.job_id}/parts/1.csv").json()["code"] == "no_curve"


def test_a_result_without_a_name_or_without_a_job_is_told_and_not_kept(recorded: Any) -> None:
    shop = recorded()
    assert shop.post("/api/fitting/compression", RATIO)["kept"] is None
    kept = shop.post("/api/fitting/compression?part=Cylinder%201", RATIO)["kept"]
    assert kept["fact"] is None
    assert "No job is open" in kept["sentence"]


def test_the_sheet_gives_a_part_as_it_was_told_last(shop: Any) -> None:
    for chamber in (50.0, 40.0):
        shop.post("/api/fitting/compression?part=Cylinder%201", {**RATIO, "chamber_cm3": {"value": chamber}})
    [line] = shop.get(f"/api/jobs/{shop.job_id}/sheet.json")["parts"]
    assert line["found"][0].startswith("ratio 11.05"), "402.12 and 40 in 40"
    page = shop.client.get(f"/api/jobs/{shop.job_id}/sheet.html").text
    assert "left at TDC 40.00" in page, "every number of it"


def test_a_part_withdrawn_is_off_the_sheet(shop: Any) -> None:
    fact = shop.post("/api/fitting/compression?part=Cylinder%201", RATIO)["kept"]["fact"]
    what = {"kind": "withdrawn", "number": fact, "reason": "The chamber was poured anew."}
    shop.post(f"/api/jobs/{shop.job_id}/facts", {"what": what})
    assert shop.get(f"/api/jobs/{shop.job_id}/sheet.json")["parts"] == []


def test_a_signed_job_takes_no_part_in_and_says_so(recorded: Any) -> None:
    shop = recorded()
    shop.whole_job()
    shop.post(f"/api/jobs/{shop.job_id}/open", {})
    before = len(shop.job()["facts"])
    told = shop.post("/api/fitting/compression?part=Cylinder%201", RATIO)
    assert told["ratio"]["value"] == pytest.approx(9.04, abs=0.01)
    assert "Told, not kept." in told["kept"]["sentence"]
    assert len(shop.job()["facts"]) == before


def test_a_part_goes_with_its_job_into_another_shop(shop: Any, recorded: Any) -> None:
    shop.post("/api/fitting/mark?part=Damper", MARK)
    content = shop.client.get(f"/api/jobs/{shop.job_id}/job.zip").content
    other = recorded()
    taken = other.client.post("/api/jobs/from_file", files={"file": ("job.zip", content)})
    assert taken.status_code == 201, taken.text
    here, there = (
        one.get(f"/api/jobs/{number}/sheet.json")["parts"]
        for one, number in ((shop, shop.job_id), (other, taken.json()["id"]))
    )
    assert here == there
    assert here[0]["part"] == "Damper"


def test_a_runouts_curve_is_kept_by_degree(shop: Any) -> None:
    """A circle 0.10 mm off its axis swings by 0.20 mm; its curve's highest and lowest are so far apart."""
    from analysis.base import GaugeFacts, Streams
    from api.jobs import part_measured, part_source
    from api.measure import TurnedEntry
    from api.measure.turned_parts import runout_of

    chance = np.random.default_rng(31)
    gauge = DialIndicator(step=0.001, rate_hz=20.0, lag_s=0.06, jitter_s=0.002, noise_mm=0.001)
    hand = Hand(20.0, Manner(40.0, 0.1), chance).turns(2.1)
    trace = record_round(
        RoundPart(25.0, (), 0.10, 130.0), hand.done(), gauge, Encoder(3600, 200.0, 0.0), chance
    )
    streams = Streams(trace.crank_time_s, trace.crank_deg, trace.gauge_time_s, trace.gauge_mm)
    told = runout_of(TurnedEntry(face_radius_mm=100.0), "dial_a", streams, GaugeFacts(lag_s=0.06), None)
    jobs = shop.client.app.state.service.job_service.jobs
    fact = shop.client.portal.call(
        lambda: jobs.add(shop.job_id, part_measured("Flange", told), source=part_source(told))
    )
    curve = rows(shop.client.get(f"/api/jobs/{shop.job_id}/parts/{fact.number}.csv").text)
    assert len(curve) == 360
    reading = [float(one["reading_mm"]) for one in curve]
    assert max(reading) - min(reading) == pytest.approx(0.20, abs=0.005)
    [line] = shop.get(f"/api/jobs/{shop.job_id}/sheet.json")["parts"]
    assert line["what"] == "face swash"
    assert any(one.startswith("swash at 100 mm from the axis 0.200") for one in line["found"])
