"""The job from bench check to signature, as a list of facts."""

from __future__ import annotations

from analysis import procedure
from analysis.engine import Cam, CamCard, Engine, Job, LobeCard
from analysis.job_facts import (
    BenchChecked,
    ClearanceNoted,
    Decided,
    LobeMeasured,
    Moved,
    PistonClearanceFound,
    SignedOff,
    StrokeFound,
    TdcMeasured,
    Tightened,
)

TARN = Engine(
    "Tarn 1.8 twin-cam",
    ("1", "2", "3", "4"),
    ("1", "3", "4", "2"),
    (Cam("inlet", ("inlet",)), Cam("exhaust", ("exhaust",))),
    stroke_mm=80,
    rod_mm=135,
    pin_offset_mm=0.8,
)
WHINFELL = CamCard(
    "Whinfell 262",
    "full_lift",
    LobeCard(108, 1.27, lift_mm=9.8, checking_clearance_mm=0.30),
    LobeCard(110, 1.27, lift_mm=9.6, checking_clearance_mm=0.30),
)
JOB = Job("HL-0001", TARN, WHINFELL, "Merrick", "Ida Thorne")


def done_so_far(*payloads):
    facts = []
    for payload in payloads:
        facts.append(procedure.added(JOB, facts, payload, at="2024-05-02T10:00", by="Ida Thorne"))
    return facts


def inlet(late, number):
    return LobeMeasured("1", "inlet", 108 + late, 1.27, 0.1, f"m{number}")


def exhaust(late, number):
    return LobeMeasured("1", "exhaust", 610 + late, 1.27, 0.1, f"m{number}")


def test_the_whole_job_is_walked_step_by_step():
    walk = [
        ("bench_check", BenchChecked(True, 360.0, ("plunger",), (1,))),
        ("clearances", ClearanceNoted("1", "inlet", 0.30)),
        ("clearances", ClearanceNoted("1", "exhaust", 0.30)),
        ("true_tdc", TdcMeasured("1", 17.31, 0.03, "t1")),
        ("true_tdc", TdcMeasured("1", 17.33, 0.03, "t2")),
        ("stroke", StrokeFound(17.3)),
        ("lobe.inlet", inlet(10, 1)),
        ("verdict.inlet", Decided("inlet", "correct")),
        ("correction.inlet", Moved("inlet", "crank_turned", -10)),
        ("nipped.inlet", Tightened("inlet", "nipped")),
        ("nipped.inlet", inlet(0.1, 2)),
        ("torqued.inlet", Tightened("inlet", "torqued", 60)),
        ("torqued.inlet", inlet(0.2, 3)),
        ("lobe.exhaust", exhaust(-4, 4)),
        ("verdict.exhaust", Decided("exhaust", "correct")),
        ("correction.exhaust", Moved("exhaust", "cam_turned", 4)),
        ("nipped.exhaust", Tightened("exhaust", "nipped")),
        ("nipped.exhaust", exhaust(0.0, 5)),
        ("torqued.exhaust", Tightened("exhaust", "torqued", 60)),
        ("torqued.exhaust", exhaust(0.1, 6)),
        ("again.inlet", inlet(0.15, 7)),
        ("tdc_again", TdcMeasured("1", 17.30, 0.03, "t3")),
        ("valve_to_piston", PistonClearanceFound("1", "inlet", 3.0, 10, 0.1, 2.0, "common practice")),
        ("valve_to_piston", PistonClearanceFound("1", "exhaust", 3.2, 710, 0.1, 2.5, "common practice")),
        ("sign_off", SignedOff("As measured.")),
    ]
    facts = []
    for step, payload in walk:
        assert procedure.state(JOB, facts).now == step
        facts.append(procedure.added(JOB, facts, payload, at="2024-05-02T10:00", by="Ida Thorne"))
    end = procedure.state(JOB, facts)
    assert end.now is None
    assert end.signed_by == "Ida Thorne"
    assert {step.state for step in end.steps} == {"done"}
