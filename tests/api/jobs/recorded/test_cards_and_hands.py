"""Over HTTP: a whole job with disc and gauge readings typed in, and an unknown cam ranked against the cards."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

Fields = dict[str, Any]
GARTH: Fields = {
    "name": "Garth 248",
    "way": "full_lift",
    "inlet": {"full_lift_deg": 104, "drop_mm": 1.27, "lift_mm": 8.4, "checking_clearance_mm": 0.25},
    "exhaust": {"full_lift_deg": 108, "drop_mm": 1.27, "lift_mm": 8.2, "checking_clearance_mm": 0.30},
}


def pair(before: float, after: float, **more: float) -> Fields:
    return {"before_deg": before, "after_deg": after, **more}


# -- by hand: a builder with a timing disc and a dial indicator, who reads to half a degree


@pytest.fixture(scope="module")
def by_hand(recorded: Any) -> Any:
    shop = recorded()
    shop.begin(reference="HL-1805")
    shop.fact(kind="bench_checked", by_hand=True)
    for valve, clearance in (("inlet", 0.25), ("exhaust", 0.30)):
        shop.fact(kind="clearance_noted", cylinder="1", valve=valve, clearance_mm=clearance)
    return shop


def enter(shop: Any, **entry: Any) -> Fields:
    view: Fields = shop.post(f"/api/jobs/{shop.job_id}/by_hand", entry)
    return view


def pairs_of(shop: Any, valve: str, late_deg: float, drops: tuple[float, ...]) -> list[Fields]:
    """Disc readings either side of the nose, off the simulated metal, to half a degree."""
    shop.engine = shop.engine.with_cam(valve, pulley_deg=late_deg)
    truth = shop.engine.truth_of(f"{valve}_1")
    found = []
    for drop in drops:
        opens, closes, _ = truth.events_deg(truth.peak_lift_mm - drop)
        angles = (opens, closes) if valve == "inlet" else (720 - opens, 720 - closes)
        before, after = (round(2 * angle) / 2 for angle in angles)
        found.append({"before_deg": before, "after_deg": after, "drop_mm": drop})
    return found


def test_a_job_by_hand_gives_the_same_arithmetic_verdict_and_sheet_marked_so(by_hand: Any) -> None:
    for _ in range(2):
        enter(
            by_hand,
            what="tdc",
            pairs=[pair(350, 10), pair(340, 20)],
        )
    by_hand.post(f"/api/jobs/{by_hand.job_id}/stroke", {"crank_deg": 0.0})
    view = enter(by_hand, what="lobe", valve="inlet", pairs=pairs_of(by_hand, "inlet", 10.0, (1.27, 1.27)))
    cam = next(one for one in view["cams"] if one["cam"] == "inlet")
    assert cam["verdict"]["call"] == "out"
    assert cam["verdict"]["error_deg"] == pytest.approx(10.0, abs=0.5)
    assert cam["verdict"]["error_cam_deg"] == pytest.approx(cam["verdict"]["error_deg"] / 2)
    by_hand.fact(kind="decided", cam="inlet", decision="correct")
    by_hand.fact(kind="skipped", step="room.inlet", reason="Bare head: there are no pistons.")
    by_hand.fact(kind="moved", cam="inlet", way="cam_turned")
    for to in ("nipped", "torqued"):
        by_hand.fact(kind="tightened", cam="inlet", to=to)
        view = enter(by_hand, what="lobe", valve="inlet", pairs=pairs_of(by_hand, "inlet", 0.0, (1.27, 1.27)))
    cam = next(one for one in view["cams"] if one["cam"] == "inlet")
    assert abs(cam["verdict"]["error_deg"]) < 0.5
    sheet = by_hand.get(f"/api/jobs/{by_hand.job_id}/sheet.json")
    assert {one["by_hand"] for one in sheet["measurements"]} == {True}
    page = by_hand.client.get(f"/api/jobs/{by_hand.job_id}/sheet.html").text
    assert page.count("by hand") >= len(sheet["measurements"])


def test_the_interval_by_hand_is_that_of_a_disc_and_an_eye(by_hand: Any) -> None:
    lobes = [one["what"] for one in by_hand.job()["facts"] if one["what"]["kind"] == "lobe_measured"]
    assert lobes
    for one in lobes:
        assert 0.2 < one["u95_deg"] < 1.5


def test_a_curve_by_hand_gives_valve_to_piston(recorded: Any) -> None:
    shop = recorded()
    shop.begin(reference="HL-1806")
    shop.fact(kind="bench_checked", by_hand=True)
    for valve, clearance in (("inlet", 0.25), ("exhaust", 0.30)):
        shop.fact(kind="clearance_noted", cylinder="1", valve=valve, clearance_mm=clearance)
    for _ in range(2):
        enter(shop, what="tdc", pairs=[pair(340, 20)])
    shop.post(f"/api/jobs/{shop.job_id}/stroke", {"crank_deg": 0.0})
    pairs = pairs_of(shop, "inlet", 0.0, (1.27,))
    degrees = np.arange(-60.0, 300.0, 5.0)
    lifts = shop.engine.valve_lift_mm("inlet_1", degrees)
    curve = [
        {"deg": float(d), "reading_mm": round(4.0 + float(v), 2)} for d, v in zip(degrees, lifts, strict=True)
    ]
    enter(shop, what="lobe", valve="inlet", pairs=pairs, curve=curve, base_mm=4.0)
    shop.drop("inlet")
    one = shop.get(f"/api/jobs/{shop.job_id}/valve_to_piston")[0]
    assert one["least_mm"] == pytest.approx(shop.least_room_mm("inlet"), abs=0.1)


@pytest.mark.parametrize(
    ("entry", "code"),
    [
        ({"what": "lobe", "pairs": [pair(98, 118)]}, "bad_request"),
        ({"what": "tdc", "pairs": []}, "bad_request"),
        ({"what": "tdc", "pairs": [pair(10, 10)]}, "pair_impossible"),
        ({"what": "tdc", "pairs": [pair(350, 10), pair(0, 40)]}, "pairs_disagree"),
        ({"what": "tdc", "pairs": [pair(350, 10)], "disc_division_deg": 0}, "bad_request"),
        ({"what": "lobe", "valve": "inlet", "pairs": [pair(98, 118, drop_mm=0.5)]}, "no_pair_at_drop"),
    ],
)
def test_hand_readings_that_cannot_be_are_refused_and_nothing_is_kept(
    by_hand: Any, entry: Fields, code: str
) -> None:
    before = by_hand.job()["facts"]
    assert by_hand.refused(f"/api/jobs/{by_hand.job_id}/by_hand", entry, 422)["code"] == code
    assert by_hand.job()["facts"] == before


# -- which card it is


def test_the_card_that_the_cam_was_ground_to_fits_best_and_another_does_not(signed: Any) -> None:
    signed.post("/api/cards", {"card": GARTH})
    ranked = signed.get(f"/api/jobs/{signed.job_id}/card_match")
    assert [one["card"]["name"] for one in ranked] == ["Whinfell 262", "Garth 248"]
    assert [one["fit"] for one in ranked] == ["fits", "does not fit"]
    assert ranked[0]["off_rms"] < ranked[1]["off_rms"]
    features = {one["name"] for one in ranked[0]["features"]}
    assert any("lift" in name for name in features)
    for one in ranked:
        assert one["sentence"].endswith(".")


def test_a_measured_cam_is_kept_as_a_card_which_then_fits(signed: Any) -> None:
    kept = signed.post(f"/api/jobs/{signed.job_id}/card", {"name": "Found in a Tarn"})
    for valve, number in (("inlet", 108), ("exhaust", 112)):
        assert kept["card"][valve]["full_lift_deg"] == pytest.approx(number, abs=0.3)
    best = signed.get(f"/api/jobs/{signed.job_id}/card_match")[0]
    assert best["card_id"] == kept["id"]
    assert best["fit"] == "fits"
    assert signed.get(f"/api/cards/{kept['id']}")["card"]["name"] == "Found in a Tarn"


def test_nothing_measured_matches_no_card_and_says_so(recorded: Any) -> None:
    shop = recorded()
    shop.begin()
    answer = shop.client.get(f"/api/jobs/{shop.job_id}/card_match")
    assert (answer.status_code, answer.json()["code"]) == (409, "nothing_measured")
