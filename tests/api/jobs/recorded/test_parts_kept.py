"""What is told of a part is kept in the open job under its name: its entry, its sheet, its tables, its file."""

from __future__ import annotations

import csv
import io
import subprocess
from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest
from bench_cases import as_stored

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


@dataclass(frozen=True)
class SignedWithMarks:
    """A shop whose job was signed after two marks were read: the numbers of the named one, and of the other."""

    shop: Any
    named: int
    unnamed: int


@pytest.fixture(scope="module")
def signed_with_marks(recorded: Any) -> SignedWithMarks:
    shop, numbers = recorded(), list[int]()
    to_the_lobes = shop.to_the_lobes

    def keeping_marks() -> None:
        shop.post(f"/api/jobs/{shop.job_id}/open", {})
        for name in ("?part=Damper", ""):
            numbers.append(shop.post(f"/api/fitting/mark{name}", MARK)["kept"]["number"])
        to_the_lobes()

    shop.to_the_lobes = keeping_marks
    shop.whole_job()
    return SignedWithMarks(shop, *numbers)


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


def test_a_result_without_a_name_or_without_a_job_is_kept_all_the_same(recorded: Any) -> None:
    shop = recorded()
    unnamed = shop.post("/api/fitting/compression", RATIO)["kept"]
    kept = shop.post("/api/fitting/compression?part=Cylinder%201", RATIO)["kept"]
    assert (kept["job_id"], kept["fact"]) == (None, None)
    assert "No job is open" in kept["sentence"]
    listed = shop.get("/api/fitting/parts")
    assert [(one["id"], one["part"], one["reference"]) for one in listed] == [
        (kept["number"], "Cylinder 1", ""),
        (unnamed["number"], "", ""),
    ]
    one = shop.get(f"/api/fitting/parts/{kept['number']}")
    assert one["entry"]["chamber_cm3"] == {"value": 50.0, "limit": 0.5}
    assert one["told"]["ratio"]["value"] == pytest.approx(9.04, abs=0.01)
    assert shop.client.get(f"/api/fitting/parts/{kept['number']}/curve.csv").json()["code"] == "no_curve"
    assert shop.client.get(f"/api/fitting/parts/{kept['number']}/trace.csv").json()["code"] == "no_readings"
    assert shop.client.get("/api/fitting/parts/77").json()["code"] == "no_such_part"


def test_an_unnamed_result_belongs_to_the_open_job_and_is_not_on_its_sheet(shop: Any) -> None:
    kept = shop.post("/api/fitting/mark", MARK)["kept"]
    assert (kept["job_id"], kept["fact"]) == (shop.job_id, None)
    assert "not on the sheet" in kept["sentence"]
    assert shop.get(f"/api/jobs/{shop.job_id}/sheet.json")["parts"] == []
    assert [one["id"] for one in shop.get(f"/api/fitting/parts?job_id={shop.job_id}")] == [kept["number"]]


def test_named_later_it_becomes_the_entry_of_its_job(shop: Any) -> None:
    number = shop.post("/api/fitting/mark", MARK)["kept"]["number"]
    kept = shop.post(f"/api/fitting/parts/{number}/name?part=%20Damper%20", {})
    assert kept["job_id"] == shop.job_id
    assert kept["sentence"].endswith("as Damper.")
    [line] = shop.get(f"/api/jobs/{shop.job_id}/sheet.json")["parts"]
    assert line["part"] == "Damper"
    [listed] = shop.get("/api/fitting/parts")
    assert (listed["id"], listed["part"], listed["fact"]) == (number, "Damper", kept["fact"])
    fact = next(one for one in shop.job()["facts"] if one["number"] == kept["fact"])
    assert (fact["what"]["kind"], fact["what"]["part"]) == ("part_measured", "Damper")

    again = shop.client.post(f"/api/fitting/parts/{number}/name?part=Other", json={})
    assert (again.status_code, again.json()["code"]) == (409, "not_to_be_named")
    shop.post(f"/api/fitting/parts/{number}/throw_away", {})
    assert shop.get(f"/api/jobs/{shop.job_id}/sheet.json")["parts"] == [], "withdrawn as one named at once"


def test_named_later_without_a_job_it_has_its_name_in_the_list(recorded: Any) -> None:
    """Also where another job is open by then: it was told of something else."""
    shop = recorded()
    number = shop.post("/api/fitting/mark", MARK)["kept"]["number"]
    shop.begin()
    shop.post(f"/api/jobs/{shop.job_id}/open", {})
    kept = shop.post(f"/api/fitting/parts/{number}/name?part=Damper", {})
    assert (kept["job_id"], kept["fact"]) == (None, None)
    assert "No job was open" in kept["sentence"]
    assert [one["part"] for one in shop.get("/api/fitting/parts")] == ["Damper"]
    assert shop.get(f"/api/jobs/{shop.job_id}/sheet.json")["parts"] == []
    assert shop.get(f"/api/fitting/parts/{number}")["told"]["late_deg"]["value"] == 2.0


def test_what_cannot_be_named_is_told_by_code_and_sentence(shop: Any) -> None:
    number = shop.post("/api/fitting/mark", MARK)["kept"]["number"]
    for name in ("%20", "", "x" * 61):
        assert shop.client.post(f"/api/fitting/parts/{number}/name?part={name}", json={}).status_code == 422
    assert (
        shop.client.post("/api/fitting/parts/77/name?part=Damper", json={}).json()["code"] == "no_such_part"
    )
    shop.post(f"/api/fitting/parts/{number}/throw_away", {})
    refused = shop.client.post(f"/api/fitting/parts/{number}/name?part=Damper", json={})
    assert refused.json()["code"] == "not_to_be_named"
    assert "thrown away" in refused.json()["message"]


def test_a_signed_job_takes_no_name_in_and_the_list_does(signed_with_marks: SignedWithMarks) -> None:
    shop = signed_with_marks.shop
    kept = shop.post(f"/api/fitting/parts/{signed_with_marks.unnamed}/name?part=Flywheel", {})
    assert kept["fact"] is None
    assert "not on the sheet" in kept["sentence"]
    assert "Flywheel" in [one["part"] for one in shop.get("/api/fitting/parts")]


def test_the_list_comes_as_a_table_with_every_number_in_mm_and_inch(shop: Any) -> None:
    shop.post("/api/fitting/mark?part=Damper", MARK)
    table = rows(shop.client.get("/api/fitting/parts.csv").text)
    rim = next(one for one in table if one["number"] == "along the rim")
    assert (rim["part"], rim["what"], rim["unit"]) == ("Damper", "mark", "mm")
    assert float(rim["inch"]) == pytest.approx(0.12368, abs=1e-5), "3.14159 mm in 25.4"
    assert rim["job"], "the job's reference"


def test_the_same_request_again_is_kept_once(shop: Any) -> None:
    key = {"Request-Key": "0123456789abcdef0123456789abcdef"}
    first, again = (
        shop.client.post("/api/fitting/mark?part=Damper", json=MARK, headers=key).json() for _ in range(2)
    )
    assert first == again
    assert len(shop.get("/api/fitting/parts")) == 1
    assert len(shop.get(f"/api/jobs/{shop.job_id}/sheet.json")["parts"]) == 1


def test_thrown_away_it_is_off_list_and_sheet_and_still_to_be_had(shop: Any) -> None:
    kept = shop.post("/api/fitting/mark?part=Damper", MARK)["kept"]
    thrown = shop.post(f"/api/fitting/parts/{kept['number']}/throw_away", {})
    assert thrown["thrown_at"]
    assert shop.get("/api/fitting/parts") == []
    assert shop.get(f"/api/jobs/{shop.job_id}/sheet.json")["parts"] == []
    entries = len(shop.job()["facts"])
    again = shop.post(f"/api/fitting/parts/{kept['number']}/throw_away", {})
    assert again["thrown_at"] == thrown["thrown_at"]
    assert len(shop.job()["facts"]) == entries, "withdrawn once"
    assert shop.get(f"/api/fitting/parts/{kept['number']}")["told"]["late_deg"]["value"] == 2.0


def test_what_is_on_a_signed_sheet_is_not_thrown_away(signed_with_marks: SignedWithMarks) -> None:
    shop = signed_with_marks.shop
    refused = shop.client.post(f"/api/fitting/parts/{signed_with_marks.named}/throw_away", json={})
    assert refused.status_code == 409
    assert "Damper" in [one["part"] for one in shop.get("/api/fitting/parts")]


def test_maker_s_limits_stand_beside_what_came_of_them(shop: Any) -> None:
    from api.jobs import part_measured
    from api.measure import EndFloatView, FigureView, PartEntry

    told = EndFloatView(
        gauge="dial_a", float_mm=FigureView(value=0.14, u95=0.01), pushes=2, pulls=2, held="within", words=""
    )
    kept = part_measured("Crankshaft", told, PartEntry(least_mm=0.05, most_mm=0.3))
    assert (kept.least_mm, kept.most_mm, kept.held) == (0.05, 0.3, "within")


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


def test_a_signed_job_takes_no_part_in_and_says_so(signed_with_marks: SignedWithMarks) -> None:
    shop = signed_with_marks.shop
    shop.post(f"/api/jobs/{shop.job_id}/open", {})
    before = len(shop.job()["facts"])
    told = shop.post("/api/fitting/compression?part=Cylinder%201", RATIO)
    assert told["ratio"]["value"] == pytest.approx(9.04, abs=0.01)
    assert "not on the sheet" in told["kept"]["sentence"]
    assert "Cylinder 1" in [one["part"] for one in shop.get("/api/fitting/parts")]
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
    from analysis.base import GaugeFacts
    from api.jobs import part_measured, part_source
    from api.measure import TurnedEntry
    from api.measure.turned_parts import runout_of

    chance = np.random.default_rng(31)
    gauge = DialIndicator(step=0.001, rate_hz=20.0, lag_s=0.06, jitter_s=0.002, noise_mm=0.001)
    hand = Hand(20.0, Manner(40.0, 0.1), chance).turns(2.1)
    trace = record_round(
        RoundPart(25.0, (), 0.10, 130.0), hand.done(), gauge, Encoder(3600, 200.0, 0.0), chance
    )
    streams = as_stored(trace)
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
