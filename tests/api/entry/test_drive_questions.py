"""Plausible mistakes of drive, adjusters and cams are asked about, each beside a like engine that is right."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from analysis.timing import Adjuster, Cam, CamCard, Engine, Job, LobeCard
from api.entry.drive_questions import drive_questions, follower_questions, lift_place_questions

KEYS = Adjuster("keys", sizes_deg=(2.0, 4.0))
FOUR = ("1", "2", "3", "4")
VEE = ("A1", "B1", "A2", "B2")


def engine(*cams: Cam, cylinders: tuple[str, ...] = FOUR, **more: Any) -> Engine:
    return Engine("Tarn", cylinders, cylinders, cams or (Cam("camshaft", ("inlet", "exhaust")),), **more)


def cam(**more: Any) -> Cam:
    return Cam("camshaft", ("inlet", "exhaust"), **more)


def asked(made: Engine) -> list[str]:
    return [question.code for question in drive_questions(made)]


BANKS = tuple(Cam(f"{bank} cam", ("inlet", "exhaust"), (f"{bank}1", f"{bank}2")) for bank in "AB")


@pytest.mark.parametrize(
    ("mistaken", "right", "code"),
    [
        (
            engine(cam(turns_with_crank=False), drive="chain"),
            engine(cam(), drive="chain"),
            "turns_against_on_a_chain",
        ),
        (
            engine(cam(), drive="gears"),
            engine(cam(turns_with_crank=False), drive="gears"),
            "gears_turn_with_crank",
        ),
        (
            engine(cam(), cylinders=VEE, cams_in="head"),
            engine(*BANKS, cylinders=VEE, cams_in="head"),
            "one_cam_for_both_banks",
        ),
        (engine(cam(adjuster=Adjuster("keys"))), engine(cam(adjuster=KEYS)), "no_sizes"),
        (
            engine(cam(adjuster=replace(KEYS, sizes_deg=(2.0, 40.0)))),
            engine(cam(adjuster=KEYS)),
            "sizes_large",
        ),
        (
            engine(cam(adjuster=replace(KEYS, fitted_deg=3.0))),
            engine(cam(adjuster=replace(KEYS, fitted_deg=-4.0))),
            "fitted_is_no_size",
        ),
    ],
)
def test_a_mistake_is_asked_about_and_what_is_right_is_not(
    mistaken: Engine, right: Engine, code: str
) -> None:
    assert asked(mistaken) == [code]
    assert asked(right) == []


def test_a_vee_with_its_cam_in_the_block_has_one_for_both_banks() -> None:
    assert asked(engine(cam(), cylinders=VEE, cams_in="block")) == []


def job(half: LobeCard, **more: Any) -> Job:
    return Job("HL-9", engine(), CamCard("Fell 248", "full_lift", half, half), **more)


def test_a_gauge_on_the_follower_asks_for_the_ratio_that_the_card_leaves_out() -> None:
    at_valve = LobeCard(108.0, 1.27, lift_mm=10.5)
    codes = ["inlet_ratio_not_stated", "exhaust_ratio_not_stated"]
    assert [one.code for one in follower_questions(job(at_valve, plunger_on="follower"))] == codes
    assert not list(follower_questions(job(replace(at_valve, rocker_ratio=1.5), plunger_on="follower")))
    assert not list(follower_questions(job(replace(at_valve, lift_at="lobe"), plunger_on="follower")))
    assert not list(follower_questions(job(at_valve)))


def test_a_valve_lift_entered_as_the_lobes_is_asked_about() -> None:
    half = LobeCard(108.0, 1.27, lift_mm=11.0, lift_at="lobe", rocker_ratio=1.6)
    assert [one.code for one in lift_place_questions("inlet", half)] == ["inlet_lift_at_lobe"]
    assert not list(lift_place_questions("inlet", replace(half, lift_mm=7.0)))
