"""Plausible mistakes of valves, adjusters, events and a job's own figures are asked about, each beside what is right."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from analysis.base import EntryError
from analysis.timing import Adjuster, Cam, CamCard, Engine, Job, LobeCard
from api.entry.questions import (
    card_questions,
    engine_questions,
    job_questions,
    refuse_impossible_engine,
)

SLOTS = Adjuster("slots", bolt_circle_radius_mm=42.0, slot_each_way_cam_deg=6.0, gear_teeth=40)
HALF = LobeCard(108.0, 1.27, lift_mm=9.8, running_clearance_mm=0.25)
CARD = CamCard("Fell 248", "full_lift", HALF, HALF)
HEADS = {"inlet_head_mm": 33.0, "exhaust_head_mm": 28.0, "heads_apart_mm": 33.5}
LEAN = {"inlet_valve_angle_deg": 14.0, "exhaust_valve_angle_deg": 16.0}


def twin(adjuster: Adjuster = SLOTS, **more: Any) -> Engine:
    cams = Cam("inlet", ("inlet",), adjuster=adjuster), Cam("exhaust", ("exhaust",), adjuster=SLOTS)
    return Engine("Tarn", ("1", "2", "3", "4"), ("1", "3", "4", "2"), cams, **more)


def test_an_engine_that_is_right_is_asked_nothing() -> None:
    assert engine_questions(twin(**HEADS, **LEAN, cams_in="head")) == []


@pytest.mark.parametrize(
    ("mistaken", "code"),
    [
        (twin(replace(SLOTS, bolt_circle_radius_mm=1.65)), "adjuster_bolt_circle_radius_mm"),  # inch
        (twin(replace(SLOTS, slot_each_way_cam_deg=60.0)), "adjuster_slot_each_way_cam_deg"),
        (twin(Adjuster("holes", hole_cam_deg=24.0)), "adjuster_hole_cam_deg"),
        (twin(replace(SLOTS, gear_teeth=4)), "adjuster_gear_teeth"),
        (twin(replace(SLOTS, gear_teeth=41)), "odd_teeth"),
        (twin(Adjuster("none", slot_each_way_cam_deg=6.0)), "figure_of_another_kind"),
        (twin(Adjuster("holes", hole_cam_deg=2.0, sizes_deg=(2.0, 4.0))), "figure_of_another_kind"),
        (twin(cams_in="block"), "twin_cams_in_block"),
        (twin(inlet_valve_angle_deg=45.0), "inlet_valve_angle"),
        (twin(exhaust_valve_angle_deg=52.0), "exhaust_valve_angle"),
        (twin(inlet_head_mm=1.3), "inlet_head"),  # inch
        (twin(exhaust_head_mm=280.0), "exhaust_head"),
        (twin(heads_apart_mm=5.0), "heads_apart"),
        (twin(**(HEADS | LEAN | {"heads_apart_mm": 29.0})), "heads_overlap"),
    ],
)
def test_a_mistake_in_an_engine_is_asked_about(mistaken: Engine, code: str) -> None:
    assert [one.code for one in engine_questions(mistaken)] == [code]


def test_dowels_and_keys_go_with_their_sizes() -> None:
    for kind in ("keys", "dowels"):
        assert engine_questions(twin(Adjuster(kind, sizes_deg=(2.0, 4.0)))) == []  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "field", ["inlet_head_mm", "exhaust_head_mm", "heads_apart_mm", "inlet_valve_angle_deg"]
)
def test_what_cannot_be_is_refused(field: str) -> None:
    with pytest.raises(EntryError):
        refuse_impossible_engine(twin(**{field: -1.0}))
    with pytest.raises(EntryError):
        refuse_impossible_engine(twin(exhaust_valve_angle_deg=60.0))


def test_events_that_changed_places_are_asked_about() -> None:
    """Opens 20 BTDC, shuts 56 ABDC: 20 + 180 + 56 = 256, half is 128, less 20 is 108 ATDC. The other way: 72."""
    right = LobeCard(opens_deg=20.0, closes_deg=56.0, check_lift_mm=1.0)
    wrong = LobeCard(opens_deg=56.0, closes_deg=20.0, check_lift_mm=1.0)
    for half, codes in ((right, []), (wrong, ["inlet_events_middle"])):
        asked = card_questions(CamCard("Fell 248", "events", half), {})
        assert [one.code for one in asked] == codes
        assert all("72" in one.message and "changed places" in one.message for one in asked)


@pytest.mark.parametrize(
    ("more", "code"),
    [
        ({"tolerance_deg": 10.0}, "job_tolerance"),
        ({"shop_inlet_to_piston_mm": 0.08}, "shop_inlet_to_piston"),  # inch
        ({"shop_valve_to_valve_mm": 0.06}, "shop_valve_to_valve"),  # inch
        ({"shop_exhaust_to_piston_mm": 25.0}, "shop_exhaust_to_piston"),
    ],
)
def test_a_jobs_own_figures_are_asked_about(more: dict[str, float], code: str) -> None:
    assert [one.code for one in job_questions(Job("HL-9", twin(), CARD, **more))] == [code]  # type: ignore[arg-type]
    assert job_questions(Job("HL-9", twin(), CARD, tolerance_deg=1.0, shop_inlet_to_piston_mm=1.5)) == []


def test_hydraulic_followers_and_a_card_with_running_clearance_are_asked_about() -> None:
    job = Job("HL-9", twin(followers="hydraulic"), CARD)
    assert [one.code for one in job_questions(job)] == ["clearance_of_hydraulics"]
    without = replace(CARD, inlet=replace(HALF, running_clearance_mm=0.0), exhaust=None)
    assert "clearance_of_hydraulics" not in {
        one.code for one in job_questions(Job("HL-9", job.engine, without))
    }
