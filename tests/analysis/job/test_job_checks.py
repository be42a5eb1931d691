"""Checks across a job: each fault injected is named, and a good but ugly job is not accused."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest

from analysis.job import check_job
from analysis.job.checks import valve_lift_mm
from analysis.timing import Event, Fact, LobeMeasured, Moved, TdcMeasured, Tightened, table

OFFSETS = {"1": 0, "3": 180, "4": 360, "2": 540}


def listed(*payloads):
    return [Fact(number, "10:00", "Ida Thorne", what) for number, what in enumerate(payloads, 1)]


def codes(job, *payloads):
    return {warn.code for warn in check_job(job, listed(*payloads))}


def lobe(cylinder, valve="inlet", late=0.0, **more):
    place = 108.0 if valve == "inlet" else 610.0
    return LobeMeasured(cylinder, valve, (place + OFFSETS[cylinder] + late) % 720, 1.27, 0.1, **more)


def ugly_job(seed):
    """All eight lobes as a careful but human builder gets them."""
    rng = random.Random(seed)
    return [
        lobe(
            cylinder,
            valve,
            rng.gauss(0.2, 0.15),
            peak_lift_mm=(9.8 if valve == "inlet" else 9.6) + rng.gauss(0, 0.03),
            slack_deg=rng.uniform(1.0, 1.4),
            lag_s=0.06 + rng.gauss(0, 0.003),
            gauge="plunger",
            events=(Event(1.0, 0, 236, 236 + rng.gauss(0, 0.5)),),
            asymmetry_deg=rng.gauss(0, 0.1),
        )
        for valve in ("inlet", "exhaust")
        for cylinder in "1234"
    ]


@pytest.mark.parametrize("seed", range(40))
def test_a_good_but_ugly_job_is_not_accused(tarn_job, seed):
    assert check_job(tarn_job, listed(*ugly_job(seed))) == ()


@pytest.mark.parametrize("seed", range(10))
@pytest.mark.parametrize(
    ("change", "code"),
    [
        ({"centre": 2.5}, "odd_phase"),
        ({"peak_lift_mm": 9.3}, "odd_lift"),
        ({"events": (Event(1.0, 0, 230, 230.0),)}, "odd_duration"),
    ],
)
def test_the_odd_lobe_out_is_named(tarn_job, seed, change, code):
    lobes = ugly_job(seed)
    which = random.Random(seed).randrange(4)
    odd = lobes[which]
    fields = dict(change)
    off = fields.pop("centre", 0.0)
    lobes[which] = replace(odd, centre_deg=(odd.centre_deg + off) % 720, **fields)
    warnings = [warn for warn in check_job(tarn_job, listed(*lobes)) if warn.code == code]
    assert len(warnings) == 1
    assert f"cylinder {odd.cylinder}" in warnings[0].message
    line = next(line for line in table(tarn_job, listed(*lobes)) if code.removeprefix("odd_") in line.odd)
    assert line.lobe.cylinder == odd.cylinder


def test_a_twisted_shaft_drifts_from_end_to_end(tarn_job):
    lobes = [lobe(cylinder, late=0.6 * int(cylinder)) for cylinder in "1234"]
    assert "drift_along_shaft" in codes(tarn_job, *lobes)
    assert "drift_along_shaft" not in codes(tarn_job, *[lobe(c, late=0.1 * int(c)) for c in "1234"])


def test_valves_measured_in_another_order_than_the_engine_fires_are_named(tarn_job):
    two_for_three = replace(lobe("3"), cylinder="2")
    three_for_two = replace(lobe("2"), cylinder="3")
    found = [
        warn
        for warn in check_job(tarn_job, listed(lobe("1"), two_for_three, three_for_two, lobe("4")))
        if warn.code == "order_off"
    ]
    assert len(found) == 1
    assert "1-2-4-3" in found[0].message
    assert "1-3-4-2" in found[0].message


def test_lobes_measured_before_the_cam_was_moved_are_not_compared_with_those_after(tarn_job):
    before = [lobe(cylinder, late=8.0) for cylinder in "24"]
    after = [lobe(cylinder, late=0.0) for cylinder in "13"]
    assert codes(tarn_job, *before, Moved("inlet", "cam_turned", -8), *after) == set()


@pytest.mark.parametrize(("clearance", "word"), [(0.5, "more"), (0.1, "less")])
def test_a_clearance_that_was_set_wrong_shows_in_the_duration(tarn_job, clearance, word):
    """A lobe that is open 30 deg less for each mm higher up: 0.2 mm of clearance is 6 deg. Calculated."""
    card = replace(tarn_job.card, inlet=replace(tarn_job.card.inlet, duration_deg=236, check_lift_mm=1.0))
    job = replace(tarn_job, card=card)
    open_deg = {lift: 236 - 30 * (lift - 1.0 + clearance - 0.3) for lift in (0.5, 1.0, 1.5)}
    measured = lobe("1", events=tuple(Event(lift, 0, open_deg[lift], open_deg[lift]) for lift in open_deg))
    found = next(warn for warn in check_job(job, listed(measured)) if warn.code == "duration_off_card")
    assert f"0.20 mm {word} valve clearance" in found.message


@pytest.mark.parametrize("lift", [9.8 * 0.95, 9.8 * 1.06])
def test_a_lift_off_the_card_is_asked_about(tarn_job, lift):
    assert codes(tarn_job, lobe("1", peak_lift_mm=lift)) == {"lift_off_card"}
    assert codes(tarn_job, lobe("1", peak_lift_mm=9.8 * 0.985)) == set()


def test_the_cards_lift_at_the_lobe_is_met_through_rocker_and_clearance(tarn_job):
    half = replace(tarn_job.card.inlet, lift_mm=6.4, lift_at="lobe", rocker_ratio=1.5)
    assert valve_lift_mm(half) == pytest.approx(6.4 * 1.5 - 0.3)
    job = replace(tarn_job, card=replace(tarn_job.card, inlet=half))
    assert codes(job, lobe("1", peak_lift_mm=9.3)) == set()
    assert codes(job, lobe("1", peak_lift_mm=6.4)) == {"lift_off_card"}


def test_slack_over_the_engines_limit_is_told(tarn_job):
    assert codes(tarn_job, lobe("1", slack_deg=4.5)) == {"slack_over_limit"}
    assert codes(tarn_job, lobe("1", slack_deg=3.5)) == set()


def test_slack_that_changes_points_to_the_tensioner(tarn_job):
    assert codes(tarn_job, lobe("1", slack_deg=1.0), lobe("1", slack_deg=2.4)) == {"slack_changes"}


@pytest.mark.parametrize(
    ("late", "out"), [(18.0, True), (-18.0, True), (37.0, True), (19.5, True), (9.0, False)]
)
def test_an_error_near_a_tooth_sends_to_the_marks_first(tarn_job, late, out):
    """18 crank deg for a tooth of a 40-tooth cam gear."""
    assert ("tooth_out" in codes(tarn_job, lobe("1", late=late))) == out


def test_results_in_two_groups_are_key_play(tarn_job):
    groups = [lobe("1", late=late) for late in (0.02, 0.81, 0.79, 0.0, 0.83)]
    assert "two_groups" in codes(tarn_job, *groups)
    spread = [lobe("1", late=late) for late in (0.02, 0.15, 0.28, 0.41, 0.55)]
    assert "two_groups" not in codes(tarn_job, *spread)
    across_a_move = [*groups[:1], groups[3], Tightened("inlet", "torqued"), groups[1], groups[2], groups[4]]
    assert "two_groups" not in codes(tarn_job, *across_a_move)


def test_a_zero_that_walked_is_told_across_the_job(tarn_job):
    steady = [TdcMeasured("1", deg, 0.03) for deg in (359.98, 0.01, 0.02)]
    assert codes(tarn_job, *steady) == set()
    assert codes(tarn_job, *steady, TdcMeasured("1", 0.6, 0.03)) == {"tdc_zero_moved"}


def test_one_gauge_has_one_lag(tarn_job):
    same = [
        TdcMeasured("1", 17.3, 0.03, gauge="plunger", lag_s=0.060),
        lobe("1", gauge="plunger", lag_s=0.064),
    ]
    assert codes(tarn_job, *same) == set()
    assert codes(tarn_job, *same, lobe("1", gauge="plunger", lag_s=0.110)) == {"lag_differs"}
    assert codes(tarn_job, *same, lobe("1", gauge="lever", lag_s=0.110)) == set()


def test_unlike_flanks_are_told_with_their_drop(tarn_job):
    found = check_job(tarn_job, listed(lobe("1", asymmetry_deg=0.9)))
    assert [warn.code for warn in found] == ["unlike_flanks"]
    assert "1.27 mm" in found[0].message


def test_a_flat_nose_whose_full_lift_is_hard_to_tell_is_not_said_to_have_unlike_flanks(tarn_job):
    assert codes(tarn_job, lobe("1", asymmetry_deg=0.9, full_lift_u_deg=0.8)) == set()
    assert codes(tarn_job, lobe("1", asymmetry_deg=1.9, full_lift_u_deg=0.8)) == {"unlike_flanks"}
