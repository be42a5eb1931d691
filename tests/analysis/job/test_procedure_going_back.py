"""Going back, withdrawing, and what holds whatever a builder does in whatever order."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.base import from_plain, to_plain
from analysis.job import procedure
from analysis.job.evidence import resting_on
from analysis.timing import (
    BenchChecked,
    Cam,
    CamCard,
    ClearanceNoted,
    Decided,
    Engine,
    Fact,
    Job,
    LobeCard,
    LobeMeasured,
    Moved,
    Noted,
    OwnDecision,
    PistonClearanceFound,
    SignedOff,
    Skipped,
    StrokeFound,
    TdcMeasured,
    Tightened,
    WentBack,
    Withdrawn,
)


def test_going_back_to_true_tdc_opens_all_that_rests_on_it_and_nothing_else(builder):
    builder.to_the_closing()
    undone = resting_on(procedure.plan(builder.job), "true_tdc")
    assert undone[0] == "true_tdc"
    assert "bench_check" not in undone
    assert "clearances" not in undone
    builder.does(WentBack("true_tdc", "pointer knocked"))
    state = builder.state
    assert state.now == "true_tdc"
    assert [step.id for step in state.steps if step.state == "done"] == ["bench_check", "clearances"]
    assert state.tdc_deg is None


def test_after_going_back_to_tdc_a_cam_that_is_still_in_need_not_be_moved_again(builder):
    builder.to_the_closing().does(WentBack("true_tdc", "pointer knocked"))
    builder.does(TdcMeasured("1", 30.0, 0.03, "n1"), TdcMeasured("1", 30.0, 0.03, "n2"), StrokeFound(30.0))
    builder.does(builder.lobe("inlet", 0.1), builder.lobe("exhaust", 0.1))
    assert builder.state.tdc_deg == pytest.approx(30.0)
    assert builder.state.now == "tdc_again"


def test_going_back_to_one_cam_leaves_the_other(builder):
    builder.to_the_lobes().corrects("inlet").does(builder.lobe("exhaust", 0.1))
    builder.does(WentBack("lobe.inlet"))
    assert builder.step("lobe.exhaust").state == "done"
    assert builder.state.now == "lobe.inlet"


def test_going_back_to_a_skipped_step_takes_the_skip_back(builder):
    builder.does(BenchChecked(True, 360.0, ("plunger",)), Skipped("clearances", "hydraulic followers"))
    assert builder.state.departures
    builder.does(WentBack("clearances"))
    assert builder.state.now == "clearances"
    assert not builder.state.departures


def test_a_skipped_step_that_is_done_after_all_is_done(builder):
    builder.does(BenchChecked(True, 360.0, ("plunger",)), Skipped("clearances", "hydraulic followers"))
    builder.does(ClearanceNoted("1", "inlet", 0.3), ClearanceNoted("1", "exhaust", 0.3))
    assert builder.step("clearances").state == "done"
    assert not builder.state.departures


def test_a_withdrawn_measurement_counts_no_more_but_stays_in_the_list(builder):
    builder.to_the_lobes().does(builder.lobe("inlet", 10))
    number = builder.facts[-1].number
    builder.does(Withdrawn(number, "gauge was on the exhaust valve"))
    assert builder.state.now == "lobe.inlet"
    assert builder.facts[number - 1].number == number
    assert not builder.state.cams[0].measured


def test_a_withdrawn_movement_never_happened(builder):
    builder.to_the_lobes().does(builder.lobe("inlet", 10), Decided("inlet", "correct"))
    builder.does(Moved("inlet", "cam_turned", -10))
    builder.does(Withdrawn(len(builder.facts), "pressed by mistake"))
    assert builder.state.now == "correction.inlet"


def test_going_back_to_the_verdict_judges_the_cam_where_it_stands_now(builder):
    builder.to_the_lobes().corrects("inlet", found=10.0, torqued=0.4)
    builder.does(WentBack("verdict.inlet"))
    assert "0.4 deg late" in builder.step("verdict.inlet").sentence


def test_repeating_tdc_once_more_undoes_nothing(builder):
    builder.to_the_lobes().does(builder.lobe("inlet", 0.1))
    before = builder.state
    builder.does(TdcMeasured("1", 17.4, 0.03, "more"))
    assert builder.state.tdc_deg == before.tdc_deg
    assert builder.step("lobe.inlet").state == "done"


def test_a_signed_job_that_was_opened_again_is_signed_anew(builder):
    builder.to_the_signature().signs()
    builder.does(WentBack("sign_off", "a name was misspelt"))
    assert builder.state.now == "sign_off"
    builder.signs()
    assert builder.state.signed_at.endswith(f"{len(builder.facts) - 1:02d}")


# ---------------------------------------------------------------- in whatever order

ENGINE = Engine(
    "Tarn 1.8 twin-cam",
    ("1", "2"),
    ("1", "2"),
    (Cam("inlet", ("inlet",)), Cam("exhaust", ("exhaust",))),
)
CARD = CamCard("Whinfell 262", "full_lift", LobeCard(108, 1.27), LobeCard(110, 1.27))
JOB = Job("HL-9", ENGINE, CARD, cylinders_wanted=("1", "2"))
cams = st.sampled_from(["inlet", "exhaust"])
lates = st.sampled_from([-12.0, -1.1, 0.0, 0.3, 0.9, 10.0, 180.0, 355.0])
step_ids = st.sampled_from([step.id for step in procedure.plan(JOB)])
reasons = st.sampled_from(["", "seen on the bench"])
codes = st.sampled_from(["tdc_moved", "under_minimum", "piston_clearance", "wrong_lobe"])


def lobe(cylinder, valve, late, u95):
    place = (108.0 if valve == "inlet" else 610.0) + (360.0 if cylinder == "2" else 0.0)
    return LobeMeasured(cylinder, valve, (place + late) % 720, 1.27, u95)


payloads = st.one_of(
    st.sampled_from([BenchChecked(True, 360.0, ("plunger",)), BenchChecked(False, 360.0, ("plunger",))]),
    st.builds(ClearanceNoted, st.just("1"), cams, st.just(0.3)),
    st.builds(TdcMeasured, st.just("1"), st.sampled_from([17.3, 17.35, 18.4]), st.just(0.04)),
    st.builds(StrokeFound, st.sampled_from([17.3, 60.0])),
    st.builds(lobe, st.sampled_from("12"), cams, lates, st.sampled_from([0.1, 0.5])),
    st.builds(Decided, cams, st.sampled_from(["correct", "leave", "measure_again"]), reasons),
    st.builds(Moved, cams, st.just("cam_turned"), lates),
    st.builds(Tightened, cams, st.sampled_from(["nipped", "torqued"])),
    st.builds(
        PistonClearanceFound,
        st.just("1"),
        cams,
        st.sampled_from([1.5, 2.05, 4.0]),
        st.just(10.0),
        st.just(0.1),
        st.just(2.0),
        st.just("common practice"),
    ),
    st.builds(Skipped, step_ids, reasons),
    st.builds(WentBack, step_ids, reasons),
    st.builds(Withdrawn, st.integers(1, 40), reasons),
    st.builds(OwnDecision, step_ids, codes, reasons),
    st.builds(Noted, reasons),
    st.just(SignedOff()),
)


@settings(max_examples=60)
@given(st.lists(payloads, max_size=40), st.booleans())
def test_whatever_is_tried_the_state_holds_together(tries, begun):
    facts = []
    if begun:
        for payload in (
            BenchChecked(True, 360.0, ("plunger",)),
            ClearanceNoted("1", "inlet", 0.3),
            ClearanceNoted("1", "exhaust", 0.3),
            TdcMeasured("1", 17.3, 0.04),
            TdcMeasured("1", 17.3, 0.04),
            StrokeFound(17.3),
        ):
            facts.append(procedure.fact_added(JOB, facts, payload, at="10:00", by="Ida Thorne"))
    for payload in tries:
        try:
            facts.append(procedure.fact_added(JOB, facts, payload, at="10:00", by="Ida Thorne"))
        except procedure.Blocked as block:
            assert block.message
    state = procedure.job_state(JOB, facts)
    passed = {step.id for step in state.steps if step.state in {"done", "skipped"}}
    for step in state.steps:
        assert step.state != "done" or set(step.needs) <= passed
        assert step.state != "blocked" or step.why
        assert step.sentence
    assert (state.now is None) == bool(state.signed_by)
    if state.signed_by:
        assert passed == {step.id for step in state.steps}
    again = [from_plain(Fact, json.loads(json.dumps(to_plain(fact)))) for fact in facts]
    assert procedure.job_state(JOB, again) == state
    json.dumps(to_plain(state))


def test_a_lobe_that_has_no_card_does_not_bring_the_state_down():
    job = replace(JOB, card=CamCard("Catbells", "events"))
    facts = []
    for payload in (
        BenchChecked(True, 360.0, ("plunger",)),
        ClearanceNoted("1", "inlet", 0.3),
        ClearanceNoted("1", "exhaust", 0.3),
        TdcMeasured("1", 17.3, 0.04),
        TdcMeasured("1", 17.3, 0.04),
        StrokeFound(17.3),
        lobe("1", "inlet", 5.0, 0.1),
    ):
        facts.append(procedure.fact_added(job, facts, payload, at="10:00", by="Ida Thorne"))
    assert procedure.job_state(job, facts).step("verdict.inlet").code == "card_is_silent"


def test_true_tdc_measured_again_before_the_first_lobe_takes_overlap_tdc_with_it(builder_of):
    """The stroke says which TDC it is; where it stands, true TDC in force says."""
    builder = builder_of().to_the_lobes()
    assert builder.state.overlap_tdc_deg == pytest.approx(17.32)
    builder.does(TdcMeasured("1", 20.31, 0.03, "again"), TdcMeasured("1", 20.33, 0.03, "and again"))
    assert builder.state.tdc_deg == pytest.approx(20.32)
    assert builder.state.overlap_tdc_deg == pytest.approx(20.32)
    assert "20.3" in builder.step("stroke").sentence
