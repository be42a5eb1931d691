"""Invented engines, cards and a builder who adds one fact after another."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import pytest

from analysis.job import procedure
from analysis.timing import (
    Adjuster,
    BenchChecked,
    Cam,
    CamCard,
    ClearanceNoted,
    Decided,
    Engine,
    Event,
    Fact,
    Job,
    LobeCard,
    LobeMeasured,
    Moved,
    PistonClearanceFound,
    SignedOff,
    StrokeFound,
    TdcMeasured,
    Tightened,
)
from analysis.timing.facts import ShiftedClearance

TARN = Engine(
    name="Tarn 1.8 twin-cam",
    cylinders=("1", "2", "3", "4"),
    firing_order=("1", "3", "4", "2"),
    cams=(
        Cam("inlet", ("inlet",), adjuster=Adjuster("slots", gear_teeth=40)),
        Cam("exhaust", ("exhaust",), adjuster=Adjuster("slots", gear_teeth=40)),
    ),
    stroke_mm=80.0,
    rod_mm=135.0,
    pin_offset_mm=0.8,
    pin_side_known=True,
    slack_limit_deg=4.0,
)
SALLOW = Engine(
    name="Sallow 1.3",
    cylinders=("1", "2", "3", "4"),
    firing_order=("1", "3", "4", "2"),
    cams=(Cam("camshaft", ("inlet", "exhaust")),),
    stroke_mm=75.0,
    rod_mm=130.0,
)
WHINFELL = CamCard(
    name="Whinfell 262",
    way="full_lift",
    inlet=LobeCard(full_lift_deg=108, drop_mm=1.27, lift_mm=9.8, checking_clearance_mm=0.30),
    exhaust=LobeCard(full_lift_deg=110, drop_mm=1.27, lift_mm=9.6, checking_clearance_mm=0.30),
)
GARTH = CamCard(
    name="Garth 248",
    way="full_lift",
    inlet=LobeCard(full_lift_deg=106, drop_mm=1.27, lift_mm=9.0),
    exhaust=LobeCard(full_lift_deg=110, drop_mm=1.27, lift_mm=9.0),
)
CARD_PLACE = {"inlet": 108.0, "exhaust": 720.0 - 110.0}


def clearance_found(valve="inlet", least=3.0, minimum=2.0, steep=0.1):
    """A finding whose table loses `steep` mm a degree as the inlet goes early, the exhaust late."""
    sign = 1 if valve == "inlet" else -1
    table = tuple(
        ShiftedClearance(float(shift), least + sign * steep * shift, 10.0) for shift in range(-20, 21, 5)
    )
    return PistonClearanceFound("1", valve, least, 10.0, 0.1, minimum, "common practice", table)


@dataclass
class Builder:
    """Adds facts to a job, in the words of a bench."""

    job: Job
    facts: list[Fact] = field(default_factory=list)
    measured: int = 0

    def does(self, *payloads):
        for payload in payloads:
            if isinstance(payload, Moved):
                self.finds_room(payload.cam)
            at = f"2024-05-02T10:{len(self.facts):02d}"
            self.facts.append(procedure.fact_added(self.job, self.facts, payload, at=at, by="Ida Thorne"))
        return self.state

    def finds_room(self, cam):
        """Valve to piston, ample, where it is asked for before the move."""
        step = next((one for one in self.state.steps if one.id == f"room.{cam}"), None)
        if step is not None and step.state in {"now", "open"}:
            known = {
                (fact.what.cylinder, fact.what.valve) for fact in self.facts if hasattr(fact.what, "table")
            }
            ample = [clearance_found(lobe.valve, 9.0) for lobe in step.lobes]
            self.does(*(one for one in ample if (one.cylinder, one.valve) not in known))

    @property
    def state(self):
        return procedure.job_state(self.job, self.facts)

    def step(self, step_id):
        return self.state.step(step_id)

    def refused(self, payload, by="Ida Thorne"):
        """Try to add; give the block that came. Nothing may have been added."""
        with pytest.raises(procedure.Blocked) as block:
            procedure.fact_added(self.job, self.facts, payload, at="2024-05-02T11:00", by=by)
        assert block.value.message.strip().endswith((".", "?"))
        return block.value

    def blocked(self, payload, code, step=None, by="Ida Thorne"):
        """Try to add, see by which code that is blocked and at which step; give the block."""
        block = self.refused(payload, by)
        assert block.code == code, block.message
        assert step is None or block.step == step
        return block

    def lobe(self, valve, late=0.0, u95=0.1, cylinder="1", **more):
        """A lobe of the reference cylinder so many degrees late of its card."""
        card = self.job.card.lobe(valve)
        place = card.full_lift_deg if valve == "inlet" else -card.full_lift_deg
        centre = (place + late + self.job.engine.firing_offset_deg(cylinder)) % 720
        self.measured += 1
        name = more.pop("measurement_id", f"lobe {self.measured}")
        return LobeMeasured(cylinder, valve, centre, 1.27, u95, name, **more)

    def lobe_at(self, centre, valve="inlet", **more):
        """A lobe at a crank angle, whatever the card says."""
        self.measured += 1
        return LobeMeasured("1", valve, centre, 1.27, 0.1, f"lobe {self.measured}", **more)

    def lobe_with_events(self, valve):
        """A lobe that stands where an events card of 20/56 at 1 mm wants it."""
        event = Event(1.0, 700.0, 236.0, 256.0, 0.05, 0.05)
        return self.lobe_at(108.0, valve, events=(event,))

    def to_the_lobes(self):
        """Everything before the first lobe."""
        clearances = [
            ClearanceNoted(lobe.cylinder, lobe.valve, 0.30)
            for cam in self.job.engine.cams
            for lobe in self.job.engine.reference_lobes(cam)
        ]
        self.does(
            BenchChecked(True, 360.02, ("plunger",), (1,)),
            *clearances,
            TdcMeasured("1", 17.31, 0.03, f"t{len(self.facts)}a"),
            TdcMeasured("1", 17.33, 0.03, f"t{len(self.facts)}b"),
            StrokeFound(17.32),
        )
        return self

    def corrects(self, valve, cam=None, found=10.0, nipped=0.1, torqued=0.15):
        """One cam, from as found to torqued and measured."""
        cam = cam or valve
        self.does(self.lobe(valve, found), Decided(cam, "correct"), Moved(cam, "cam_turned", -found))
        self.does(Tightened(cam, "nipped"))
        self.does(self.lobe(valve, nipped))
        self.does(Tightened(cam, "torqued", 60.0))
        self.does(self.lobe(valve, torqued))
        return self

    def to_the_closing(self):
        """A twin-cam job with both cams corrected and the first measured once more."""
        self.to_the_lobes().corrects("inlet").corrects("exhaust", found=-4.0)
        self.does(self.lobe("inlet", 0.12))
        return self

    def to_the_signature(self):
        """All but the signature."""
        self.to_the_closing()
        self.does(TdcMeasured("1", 17.30, 0.03, "end"))
        self.does(clearance_found("inlet"), clearance_found("exhaust", 3.5, 2.5))
        return self

    def signs(self):
        return self.does(SignedOff("As measured."))


@pytest.fixture
def tarn_job():
    return Job("HL-0417", TARN, WHINFELL, customer="Merrick", builder="Ida Thorne")


@pytest.fixture
def sallow_job():
    return Job("HL-0418", SALLOW, GARTH, customer="Merrick", builder="Ida Thorne")


@pytest.fixture
def builder(tarn_job):
    return Builder(tarn_job)


@pytest.fixture
def sallow_builder(sallow_job):
    return Builder(sallow_job)


@pytest.fixture
def builder_of():
    """A builder for the Tarn with some fields of the job, the engine or the card changed."""

    def make(engine=None, card=None, **job):
        made = Job(
            "HL-0419",
            replace(TARN, **(engine or {})),
            replace(WHINFELL, **(card or {})),
            builder="Ida Thorne",
        )
        return Builder(replace(made, **job))

    return make


@pytest.fixture
def found_clearance():
    return clearance_found
