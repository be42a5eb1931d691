"""The job from bench check to signature, as a list of facts."""

from __future__ import annotations

import json

import pytest

from analysis.base import from_plain, to_plain
from analysis.job import procedure
from analysis.timing import (
    BenchChecked,
    Cam,
    ClearanceNoted,
    Decided,
    Fact,
    Job,
    LobeMeasured,
    Moved,
    SignedOff,
    Skipped,
    StrokeFound,
    TdcMeasured,
    Tightened,
)


def test_the_whole_job_is_walked_step_by_step(builder, found_clearance):
    lobe = builder.lobe
    walk = [
        ("bench_check", BenchChecked(True, 360.0, ("plunger",), (1,))),
        ("clearances", ClearanceNoted("1", "inlet", 0.30)),
        ("clearances", ClearanceNoted("1", "exhaust", 0.30)),
        ("true_tdc", TdcMeasured("1", 17.31, 0.03, "t1")),
        ("true_tdc", TdcMeasured("1", 17.33, 0.03, "t2")),
        ("stroke", StrokeFound(17.3)),
        ("lobe.inlet", lobe("inlet", 10, measurement_id="m1")),
        ("verdict.inlet", Decided("inlet", "correct")),
        ("room.inlet", found_clearance("inlet", 9.0)),
        ("correction.inlet", Moved("inlet", "crank_turned", -10)),
        ("nipped.inlet", Tightened("inlet", "nipped")),
        ("nipped.inlet", lobe("inlet", 0.1, measurement_id="m2")),
        ("torqued.inlet", Tightened("inlet", "torqued", 60)),
        ("torqued.inlet", lobe("inlet", 0.2, measurement_id="m3")),
        ("lobe.exhaust", lobe("exhaust", -4, measurement_id="m4")),
        ("verdict.exhaust", Decided("exhaust", "correct")),
        ("correction.exhaust", Moved("exhaust", "cam_turned", 4)),
        ("nipped.exhaust", Tightened("exhaust", "nipped")),
        ("nipped.exhaust", lobe("exhaust", 0.0, measurement_id="m5")),
        ("torqued.exhaust", Tightened("exhaust", "torqued", 60)),
        ("torqued.exhaust", lobe("exhaust", 0.1, measurement_id="m6")),
        ("again.inlet", lobe("inlet", 0.15, measurement_id="m7")),
        ("tdc_again", TdcMeasured("1", 17.30, 0.03, "t3")),
        ("valve_to_piston", found_clearance("inlet")),
        ("valve_to_piston", found_clearance("exhaust", 3.5, 2.5)),
        ("sign_off", SignedOff("As measured.")),
    ]
    for step, payload in walk:
        assert builder.state.now == step
        builder.does(payload)
    end = builder.state
    assert end.now is None
    assert (end.signed_by, end.signed_at) == ("Ida Thorne", "2024-05-02T10:25")
    assert {step.state for step in end.steps} == {"done"}
    assert not end.findings
    assert not end.departures


def test_at_every_moment_exactly_one_step_is_now_and_nothing_before_it_is_open(builder):
    builder.to_the_signature().signs()
    for count in range(len(builder.facts)):
        state = procedure.job_state(builder.job, builder.facts[:count])
        states = [step.state for step in state.steps]
        assert states.count("now") == 1
        assert set(states[: states.index("now")]) <= {"done", "skipped", "blocked"}
        assert state.steps[states.index("now")].id == state.now


def test_state_job_and_facts_go_to_json_and_back(builder):
    builder.to_the_signature().signs()
    plain = json.loads(json.dumps([to_plain(fact) for fact in builder.facts]))
    facts = [from_plain(Fact, one) for one in plain]
    assert facts == builder.facts
    job = from_plain(Job, json.loads(json.dumps(to_plain(builder.job))))
    assert job == builder.job
    assert procedure.job_state(job, facts) == builder.state
    assert json.loads(json.dumps(to_plain(builder.state)))["signed_by"] == "Ida Thorne"


def test_the_sheet_has_before_and_after_of_each_cam(builder):
    builder.to_the_closing()
    inlet, exhaust = builder.state.cams
    assert [one.stage for one in inlet.measured] == ["as_found", "nipped", "torqued", "torqued"]
    assert [round(one.full_lift_deg, 2) for one in inlet.measured] == [118.0, 108.1, 108.15, 108.12]
    assert [one.verdict.call for one in inlet.measured] == ["out", "in", "in", "in"]
    assert [round(one.full_lift_deg, 2) for one in exhaust.measured] == [114.0, 109.9, 109.85]
    assert inlet.verdict.call == "in"
    assert inlet.to_make_deg == pytest.approx(-0.12)


def test_tightening_that_moved_the_pulley_is_caught_and_the_job_goes_round_again(builder):
    builder.to_the_lobes()
    builder.does(builder.lobe("inlet", 10), Decided("inlet", "correct"), Moved("inlet", "cam_turned", -10))
    builder.does(Tightened("inlet", "nipped"))
    builder.does(builder.lobe("inlet", 0.5))
    builder.does(Tightened("inlet", "torqued"))
    builder.does(builder.lobe("inlet", 1.3))
    step = builder.step("torqued.inlet")
    assert step.state == "now"
    assert "Tightening moved inlet, cylinder 1: it is 0.8 deg later" in step.sentence
    assert [warn.code for warn in builder.state.findings] == ["tightening_moved"]
    builder.does(Decided("inlet", "correct"))
    assert builder.state.now == "correction.inlet"
    assert "1.3 deg earlier" in builder.step("correction.inlet").sentence
    builder.does(Moved("inlet", "cam_turned", -1.3), Tightened("inlet", "nipped"))
    builder.does(builder.lobe("inlet", 0.0))
    builder.does(Tightened("inlet", "torqued"))
    builder.does(builder.lobe("inlet", 0.1))
    assert builder.state.now == "lobe.exhaust"
    assert not builder.state.findings


def test_tightening_that_moved_the_pulley_within_tolerance_is_told_all_the_same(builder):
    builder.to_the_lobes().corrects("inlet", nipped=-0.4, torqued=0.4)
    step = builder.step("torqued.inlet")
    assert step.state == "done"
    assert "0.8 deg later" in step.sentence
    assert builder.state.findings[0].code == "tightening_moved"


def test_a_cam_that_is_in_needs_no_correction_and_no_torque(builder):
    builder.to_the_lobes().does(builder.lobe("inlet", 0.3))
    assert builder.state.now == "lobe.exhaust"
    assert builder.step("correction.inlet").sentence == "Nothing to correct."


def test_a_cam_that_was_only_torqued_is_measured_again(builder):
    builder.to_the_lobes().does(builder.lobe("inlet", 0.3), Tightened("inlet", "torqued", 60))
    assert builder.state.now == "torqued.inlet"
    builder.does(builder.lobe("inlet", 0.9))
    assert "0.6 deg later" in builder.step("torqued.inlet").sentence


def test_the_first_cam_is_measured_once_more_only_when_the_other_was_touched(builder):
    builder.to_the_lobes().corrects("inlet").does(builder.lobe("exhaust", 0.2))
    assert builder.step("again.inlet").state == "done"
    assert builder.state.now == "tdc_again"


def test_a_first_cam_that_the_second_dragged_along_is_caught(builder):
    builder.to_the_lobes().corrects("inlet").corrects("exhaust", found=-4)
    builder.does(builder.lobe("inlet", 1.6))
    step = builder.step("again.inlet")
    assert step.state == "now"
    assert "moved inlet, cylinder 1: it is 1.4 deg later" in step.sentence
    builder.does(Decided("inlet", "correct"))
    assert builder.state.now == "correction.inlet"


def test_correcting_the_first_cam_again_asks_for_the_second_once_more(builder):
    builder.to_the_closing().does(Decided("inlet", "correct"), Moved("inlet", "cam_turned", -0.1))
    builder.does(Tightened("inlet", "nipped"))
    builder.does(builder.lobe("inlet", 0.0))
    builder.does(Tightened("inlet", "torqued"))
    builder.does(builder.lobe("inlet", 0.0))
    assert builder.state.now == "again.exhaust"


def test_every_cylinder_wanted_is_a_step_and_is_measured_since_its_cam_was_touched(builder_of):
    builder = builder_of(cylinders_wanted=("1", "2", "3"))
    builder.to_the_lobes()
    builder.does(builder.lobe("inlet", 0.2, cylinder="3"))
    builder.corrects("inlet").corrects("exhaust", found=-4)
    builder.does(builder.lobe("inlet", 0.1))
    assert [step.id for step in builder.state.steps if step.kind == "cylinder"] == [
        "cylinder.2",
        "cylinder.3",
    ]
    builder.does(builder.lobe("inlet", 0.2, cylinder="2"), builder.lobe("exhaust", 0.2, cylinder="2"))
    assert builder.state.now == "cylinder.3"
    each = "Gauge on each valve of cylinder 3 in turn. Turn forward four full turns."
    assert builder.step("cylinder.3").sentence == each, (
        "what was measured before its cam was moved counts no more"
    )
    builder.does(builder.lobe("inlet", 0.2, cylinder="3"))
    assert builder.step("cylinder.3").sentence == f"{each} Still to measure: exhaust, cylinder 3."
    builder.does(builder.lobe("exhaust", 0.3, cylinder="3"))
    assert (
        builder.step("cylinder.3").sentence
        == "Inlet 0.2 deg late (0.1 cam deg); exhaust 0.3 deg late (0.2 cam deg)."
    )


def test_a_single_cam_is_timed_by_its_inlet_and_what_the_grinder_left_is_told(sallow_builder):
    builder = sallow_builder.to_the_lobes()
    builder.does(builder.lobe("inlet", 4.0), builder.lobe("exhaust", -2.0))
    step = builder.step("verdict.camshaft")
    assert "Inlet 4.0 deg late" in step.sentence
    assert "Lobe separation +3.0 cam deg off the card" in step.sentence
    builder.does(Decided("camshaft", "correct"))
    assert "4.0 deg earlier" in builder.step("correction.camshaft").sentence
    builder.does(Moved("camshaft", "key", -4.0), Tightened("camshaft", "nipped"))
    builder.does(builder.lobe("inlet", 0.0))
    assert builder.state.now == "nipped.camshaft"
    builder.does(builder.lobe("exhaust", -6.0))
    assert builder.state.now == "torqued.camshaft"
    assert builder.state.cams[0].separation_error_cam_deg == pytest.approx(3.0)


def test_a_single_cam_can_share_its_error(sallow_job):
    from dataclasses import replace

    from analysis.timing import cam_error

    job = replace(sallow_job, single_cam_aim="share")
    inlet = LobeMeasured("1", "inlet", 110.0, 1.27, 0.1)
    exhaust = LobeMeasured("1", "exhaust", 608.0, 1.27, 0.1)
    assert cam_error(job, job.engine.cams[0], [inlet, exhaust]).error_deg == pytest.approx(1.0)


def test_a_vee_has_two_cams_a_bank_each_timed_on_its_own_bank(builder_of):
    cams = tuple(
        Cam(f"{bank} {valve}", (valve,), tuple(f"{bank}{n}" for n in (1, 2, 3)))
        for bank in "AB"
        for valve in ("inlet", "exhaust")
    )
    names = ("A1", "A2", "A3", "B1", "B2", "B3")
    order = ("A1", "B1", "A2", "B2", "A3", "B3")
    job = builder_of(engine={"cylinders": names, "firing_order": order, "cams": cams}).job
    steps = {step.id: step for step in procedure.plan(job)}
    assert [lobe.cylinder for lobe in steps["lobe.B inlet"].lobes] == ["B1"]
    assert [lobe.cylinder for lobe in steps["lobe.A inlet"].lobes] == ["A1"]
    assert job.engine.firing_offset_deg("B1") == 120
    assert sum(step.kind == "again" for step in steps.values()) == 4


def test_a_job_by_hand_is_walked_the_same_way_and_is_marked(builder):
    builder.does(BenchChecked(by_hand=True))
    builder.does(ClearanceNoted("1", "inlet", 0.30), ClearanceNoted("1", "exhaust", 0.30))
    builder.does(TdcMeasured("1", 6.0, 0.5, by_hand=True), TdcMeasured("1", 6.2, 0.5, by_hand=True))
    builder.does(StrokeFound(6.0, "seen by the builder"), builder.lobe("inlet", 10, u95=0.6, by_hand=True))
    assert builder.state.now == "verdict.inlet"
    assert builder.state.cams[0].measured[0].by_hand


def test_skipped_steps_carry_their_reason_to_the_sheet(builder):
    builder.to_the_lobes().does(builder.lobe("inlet", 10), Decided("inlet", "correct"))
    builder.does(Moved("inlet", "cam_turned", -10), Skipped("nipped.inlet", "pulley has one bolt only"))
    assert builder.state.now == "torqued.inlet"
    builder.does(Skipped("torqued.inlet", "customer torques it himself"))
    assert [(one.step, one.reason, one.by) for one in builder.state.departures] == [
        ("nipped.inlet", "pulley has one bolt only", "Ida Thorne"),
        ("torqued.inlet", "customer torques it himself", "Ida Thorne"),
    ]
    assert builder.step("torqued.inlet").sentence == "Skipped: customer torques it himself"


def test_a_skipped_cam_takes_its_other_steps_with_it(builder):
    builder.to_the_lobes().does(Skipped("lobe.inlet", "only the exhaust cam was off"))
    assert {
        builder.step(f"{kind}.inlet").state for kind in ("lobe", "verdict", "correction", "nipped", "torqued")
    } == {"skipped"}
    assert builder.state.now == "lobe.exhaust"


def test_cautions_stand_where_the_work_is(builder_of):
    steps = {step.id: step for step in procedure.plan(builder_of(engine={"forward_only": True}).job)}
    assert any("backwards" in caution for caution in steps["lobe.inlet"].cautions)
    assert any("Hold the cam" in caution for caution in steps["correction.inlet"].cautions)
    assert any("half-way down" in caution for caution in steps["correction.inlet"].cautions)
    assert any("before the starter" in caution for caution in steps["sign_off"].cautions)
    assert any("competent builder" in caution for caution in steps["sign_off"].cautions)
    turned = [step for step in steps.values() if "Turn" in step.do or "turn" in step.do]
    for step in turned:
        assert any("backwards" in caution for caution in step.cautions), step.id
    plain = {step.id: step for step in procedure.plan(builder_of().job)}
    assert not any("backwards" in caution for caution in plain["lobe.inlet"].cautions)


def test_what_holds_all_through_a_job_is_said_once_before_the_crank_is_turned(builder_of):
    several = {"forward_only": True, "inlet_valves": 2, "exhaust_valves": 2}
    first, *rest = procedure.plan(builder_of(engine=several).job)
    for word in ("turn by hand", "do not lever", "clear of belt", "valve to piston again"):
        assert any(word in caution.lower() for caution in first.cautions), word
        assert not any(word in caution.lower() for step in rest for caution in step.cautions), word
    assert max(len(step.cautions) for step in rest) <= 3
