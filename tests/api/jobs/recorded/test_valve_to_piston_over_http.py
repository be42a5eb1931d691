"""Valve to piston over HTTP against the simulated metal, and a correction refused for it.

The metal is the simulator's: a pocket, a stem, a piston on its rod. It knows the room at any crank angle; the
least of it is found by walking, so nothing of the analysis is used.
"""

from __future__ import annotations

from typing import Any

import pytest

Fields = dict[str, Any]


@pytest.fixture(scope="module")
def late_inlet(recorded: Any) -> Any:
    """An inlet cam 6 degrees late: putting it on its card brings the valve nearer to the piston."""
    shop = recorded(inlet=6.0, exhaust=0.0, inlet_to_piston_mm=2.6)
    shop.begin()
    shop.to_the_lobes()
    shop.lobe("inlet_1")
    shop.lobe("exhaust_1")
    return shop


def test_a_job_of_which_no_valve_was_pushed_has_no_map(late_inlet: Any) -> None:
    path = f"/api/jobs/{late_inlet.job_id}/piston_map"
    answer = late_inlet.client.get(path)
    assert (answer.status_code, answer.json()["code"]) == (409, "nothing_pushed")


def found(shop: Any, valve: str) -> Fields:
    told = shop.get(f"/api/jobs/{shop.job_id}/valve_to_piston")
    return next(one for one in told if one["lobe"]["valve"] == valve)


def test_the_least_clearance_is_that_of_the_metal_and_so_is_the_table(late_inlet: Any) -> None:
    for valve in ("inlet", "exhaust"):
        late_inlet.drop(valve)
        one = found(late_inlet, valve)
        true = late_inlet.least_room_mm(valve)
        assert one["least_mm"] == pytest.approx(true, abs=max(one["u95_mm"], 0.05))
        assert one["u95_mm"] < 0.2
        for row in one["table"]:
            there = late_inlet.least_room_mm(valve, row["shift_deg"])
            assert row["least_mm"] == pytest.approx(there, abs=one["u95_mm"]), row
    inlet = found(late_inlet, "inlet")
    assert (inlet["minimum_mm"], inlet["minimum_from"]) == (2.6, "engine maker")
    assert found(late_inlet, "exhaust")["minimum_from"] == "common practice"


def test_the_curve_of_clearance_is_the_metals_at_every_angle(late_inlet: Any) -> None:
    curve = found(late_inlet, "inlet")["curve"]
    for at_deg, gap in list(zip(curve["after_tdc_deg"], curve["clearance_mm"], strict=True))[::10]:
        assert gap == pytest.approx(late_inlet.room_mm("inlet", at_deg), abs=0.06)


def test_the_map_is_that_of_the_metal_and_shows_the_card_and_the_wall(late_inlet: Any) -> None:
    told = late_inlet.get(f"/api/jobs/{late_inlet.job_id}/piston_map")
    own = next(one for one in told["cylinders"] if one["cylinder"] == "1")
    inlet, exhaust = own["edges"]
    least = {shift: late_inlet.least_room_mm("inlet", shift) for shift in (-12.0, -6.0, 0.0, 8.0)}
    leave = {shift: late_inlet.least_room_mm("exhaust", shift) for shift in (-8.0, 0.0, 6.0)}
    for one, left in least.items():
        for other, room in leave.items():
            at = told["shifts_deg"].index(one), told["shifts_deg"].index(other)
            true = min(left - 2.6, room - 2.5)
            assert own["spare_mm"][at[0]][at[1]] == pytest.approx(true, abs=own["u95_mm"][at[0]][at[1]])
    assert inlet["card_shift_deg"] == pytest.approx(-6.0, abs=0.5)
    wall = inlet["earlier"]
    assert late_inlet.least_room_mm("inlet", wall["shift_deg"]) == pytest.approx(2.6, abs=0.1)
    assert late_inlet.least_room_mm("inlet", wall["sure_deg"]) > 2.6
    assert exhaust["minimum_from"] == "common practice"
    others = [one for one in told["cylinders"] if one["cylinder"] != "1"]
    assert {why["code"] for one in others for why in one["not_mapped"]} == {"not_pushed"}


def test_a_correction_that_brings_the_valve_under_the_least_allowed_is_refused(late_inlet: Any) -> None:
    """The metal says so too: with the cam on its card less is left than the engine maker wants."""
    assert late_inlet.least_room_mm("inlet") > 2.6 + 0.1 > 2.6 > late_inlet.least_room_mm("inlet", -6.0)
    late_inlet.fact(kind="decided", cam="inlet", decision="correct")
    path = f"/api/jobs/{late_inlet.job_id}/facts"
    moved = {"what": {"kind": "moved", "cam": "inlet", "way": "cam_turned"}}
    told = late_inlet.refused(path, moved, 409)
    assert (told["code"], told["step"]) == ("piston_clearance", "correction.inlet")
    assert "2.60 mm (engine maker)" in told["message"]
    assert told["may_override"] is True
    step = next(one for one in late_inlet.job()["steps"] if one["id"] == "correction.inlet")
    assert (step["state"], step["code"]) == ("blocked", "piston_clearance")
    without_reason = {
        "kind": "own_decision",
        "step": "correction.inlet",
        "code": "piston_clearance",
        "reason": "",
    }
    assert late_inlet.refused(path, {"what": without_reason}, 409)["code"] == "no_reason"
    assert late_inlet.refused(path, moved, 409)["code"] == "piston_clearance"


def test_the_builder_goes_past_it_only_with_a_reason_that_is_printed(late_inlet: Any) -> None:
    reason = "Pistons fly-cut by 1 mm since; proved with clay."
    late_inlet.fact(kind="own_decision", step="correction.inlet", code="piston_clearance", reason=reason)
    late_inlet.fact(kind="moved", cam="inlet", way="cam_turned")
    sheet = late_inlet.get(f"/api/jobs/{late_inlet.job_id}/sheet.json")
    assert [one["reason"] for one in sheet["departures"] if one["code"] == "piston_clearance"] == [reason]


@pytest.mark.parametrize(
    ("entry", "status", "code"),
    [
        ({"valve": "inlet", "drop_mm": -1, "at_deg": 10}, 422, "bad_request"),
        ({"valve": "inlet", "drop_mm": 120, "at_deg": 10}, 422, None),
        ({"valve": "inlet", "drop_mm": 3, "at_deg": 10, "valve_angle_deg": 80}, 422, None),
        ({"valve": "sideways", "drop_mm": 3, "at_deg": 10}, 422, "bad_request"),
    ],
)
def test_a_drop_that_cannot_be_is_refused(
    late_inlet: Any, entry: Fields, status: int, code: str | None
) -> None:
    before = late_inlet.job()["facts"]
    told = late_inlet.refused(f"/api/jobs/{late_inlet.job_id}/drops", entry, status)
    assert code is None or told["code"] == code
    assert late_inlet.job()["facts"] == before


def test_a_drop_before_its_lobe_was_measured_is_refused(recorded: Any) -> None:
    shop = recorded()
    shop.begin()
    shop.to_the_lobes()
    told = shop.refused(f"/api/jobs/{shop.job_id}/drops", shop.drop_entry("inlet"), 409)
    assert told["code"] in {"no_curve", "not_yet"}
