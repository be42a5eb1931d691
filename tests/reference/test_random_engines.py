"""Engines at random, of every field that the entry forms have: each correction told, done by hand, ends on the card.

What is told is done to a drive of plain geometry, written here: two shafts that turn, followers that stand still.
Nothing of it comes from the simulated bench or from what computes the corrections. It is seen from the timing end,
clockwise positive; a lobe's nose comes to its follower where the shafts' own angles bring it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import pi
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from random_entries import FLANK_MM_DEG, HALF_WIDE_DEG, WAYS, Case, cases, check_lift_at_valve

from analysis.moving import adjuster_now, correction_for, setting_of
from analysis.timing import (
    Adjuster,
    Cam,
    Event,
    Fact,
    Job,
    Lobe,
    LobeMeasured,
    Moved,
    TdcMeasured,
    Tightened,
    cam_error,
    lobe_error,
    told_from_own_tdc,
)
from api.base import CardEntry, EngineEntry, JobEntry, QuestionedError
from api.entry import card_of, engine_of, job_of

ENGINES = 2000
NEAR = 1e-6


# ---------------------------------------------------------------- the drive, by plain geometry


@dataclass
class Drive:
    """One cam and the crank. A way of turning is +1 clockwise, -1 anticlockwise, seen from the timing end.

    `mount` is where the cam sits in its pulley, shaft degrees clockwise; `noses` are where the lobes are ground on it.
    The pulley turns half as fast as the crank, the other way round where `pulley_way` is not the crank's.
    """

    crank_way: int
    pulley_way: int
    mount: float = 0.0
    noses: dict[Lobe, float] = field(default_factory=dict)

    def grind(self, lobe: Lobe, nose_at_deg: float) -> None:
        self.noses[lobe] = self.mount + self.pulley_way * nose_at_deg / 2

    def nose_at(self, lobe: Lobe) -> float:
        """Turn the crank on until the nose stands at its follower: how far that was, from the reference's overlap."""
        return (self.noses[lobe] - self.mount) * self.pulley_way % 360 * 2

    def turn_cam(self, deg: float, turn: str, seen_from: str) -> None:
        self.mount += deg * shaft_way(turn, seen_from)

    def turn_crank_under_held_cam(self, deg: float, turn: str, seen_from: str) -> float:
        """The pulley goes with the crank, the cam stands; give how far forward the crank went."""
        forward = deg * shaft_way(turn, seen_from) * self.crank_way
        self.mount -= self.pulley_way * forward / 2
        return forward

    def made(self, way: str, cam_deg: float) -> float:
        """Of the two ways of sitting that much off, the one with which the noses come earlier or later."""
        ways = {}
        lobe = next(iter(self.noses))
        before, stood = self.nose_at(lobe), self.mount
        for mount in (stood - cam_deg, stood + cam_deg):
            self.mount = mount
            came = (self.nose_at(lobe) - before + 360) % 720 - 360
            ways["later" if came > 0 else "earlier"] = mount
        self.mount = stood
        return ways[way]

    def shift(self, later_cam_deg: float) -> None:
        if later_cam_deg:
            self.mount = self.made("later" if later_cam_deg > 0 else "earlier", abs(later_cam_deg))


def shaft_way(turn: str, seen_from: str) -> int:
    """A clock's hands seen from behind go the other way."""
    return (1 if turn == "clockwise" else -1) * (1 if seen_from == "timing end" else -1)


def entered(make: Any, entry: Any, *more: Any) -> Any:
    """Enter it; a builder who knows better confirms what is asked."""
    try:
        return make(entry, *more)
    except QuestionedError as asked:
        codes = [question.code for question in asked.questions]
        return make(entry.model_copy(update={"confirmed": codes}), *more)


# ---------------------------------------------------------------- the engine on the bench


class Bench:
    """The engine as it stands in truth, and the list of what the builder measured and did."""

    def __init__(self, case: Case) -> None:
        self.case = case
        engine = entered(engine_of, EngineEntry(engine=case.engine))
        card = entered(card_of, CardEntry(card=case.card))
        entry = JobEntry(reference="HL-7", engine_id=1, card_id=1, single_cam_aim=case.aim)  # type: ignore[arg-type]
        self.job: Job = entered(job_of, entry, engine, card)
        self.facts: list[Fact] = []
        self.drives = {
            cam.name: self._drive(cam, late)
            for cam, late in zip(engine.cams, case.found_late_deg, strict=True)
        }
        self._measure_tops()

    def _drive(self, cam: Cam, late_deg: float) -> Drive:
        engine = self.job.engine
        crank_way = shaft_way(engine.rotation, engine.seen_from)
        drive = Drive(crank_way, crank_way if cam.turns_with_crank else -crank_way, mount=37.0)
        for cylinder in cam.cylinders or engine.cylinders:
            for valve in cam.valves:
                off = late_deg + (
                    self.case.ground_deg if valve == "exhaust" and len(cam.valves) == 2 else 0.0
                )
                lobe = Lobe(cylinder, valve)
                drive.grind(lobe, self.on_the_card_deg(lobe) + off)
        return drive

    def on_the_card_deg(self, lobe: Lobe) -> float:
        card = self.case.card
        if card["way"] == "separation":
            # Common practice: separation less advance is the inlet's angle after, and more the exhaust's before.
            apart, advance = card["separation_cam_deg"], card["advance_deg"]
            angle = apart - advance if lobe.valve == "inlet" else -(apart + advance)
        else:
            angle = card[lobe.valve]["full_lift_deg"] * (1 if lobe.valve == "inlet" else -1)
        return self.top_deg(lobe.cylinder) + angle

    def top_deg(self, cylinder: str) -> float:
        """A cylinder's overlap TDC: counted along the firing order from the reference, and its bank's own lateness."""
        order = self.case.engine["firing_order"]
        steps = self.case.engine["firing_intervals_deg"] or [720 / len(order)] * len(order)
        reference = self.case.engine["reference_cylinder"] or order[0]
        at, turned = order.index(reference), 0.0
        while order[at % len(order)] != cylinder:
            turned += steps[at % len(order)]
            at += 1
        other_bank = cylinder[0].isalpha() and cylinder[0] != reference[0]
        return turned + (self.case.bank_late_deg if other_bank else 0.0)

    def _measure_tops(self) -> None:
        engine = self.job.engine
        banks = {
            name[0]: name for name in engine.cylinders if name[0].isalpha() and name[0] != engine.reference[0]
        }
        for name in (engine.reference, engine.reference, *banks.values()):
            self.does(TdcMeasured(name, (self.case.zero_deg + self.top_deg(name)) % 360, 0.05))

    def does(self, what: Any) -> None:
        self.facts.append(Fact(len(self.facts) + 1, "", "Ida", what))

    def late_deg(self, lobe: Lobe) -> float:
        """In truth."""
        cam = self.job.engine.cam_of(lobe)
        return (self.drives[cam.name].nose_at(lobe) - self.on_the_card_deg(lobe) + 360) % 720 - 360

    def cam_late_deg(self, cam: Cam) -> float:
        """In truth, by the lobe or lobes that it is timed by."""
        late = {lobe.valve: self.late_deg(lobe) for lobe in self.timed_by(cam)}
        if len(late) == 1:
            return next(iter(late.values()))
        shared = self.case.card["way"] == "equal_overlap_lift" or self.case.aim == "share"
        return (late["inlet"] + late["exhaust"]) / 2 if shared else late[self.case.aim]  # type: ignore[index]

    def timed_by(self, cam: Cam) -> tuple[Lobe, ...]:
        served = cam.cylinders or self.job.engine.cylinders
        reference = self.case.engine["reference_cylinder"] or self.case.engine["firing_order"][0]
        cylinder = reference if reference in served else served[0]
        return tuple(Lobe(cylinder, valve) for valve in cam.valves)

    def measured(self, lobe: Lobe) -> LobeMeasured:
        """What gauge and disc tell of a lobe with straight flanks."""
        centre = self.drives[self.job.engine.cam_of(lobe).name].nose_at(lobe)
        after_top = (centre - self.top_deg(lobe.cylinder) + 360) % 720 - 360
        half = self.case.card.get(lobe.valve)
        lift = 1.0 if half is None else check_lift_at_valve(half)
        half_open = HALF_WIDE_DEG - lift / FLANK_MM_DEG
        event = Event(lift, (centre - half_open) % 720, (centre + half_open) % 720, 2 * half_open, 0.02, 0.02)
        return LobeMeasured(
            lobe.cylinder,
            lobe.valve,
            centre,
            1.27 if half is None else half["drop_mm"] or 1.27,
            0.05,
            lift_at_tdc_mm=FLANK_MM_DEG * (HALF_WIDE_DEG - abs(after_top)),
            lift_at_tdc_slope_mm_deg=FLANK_MM_DEG if after_top > 0 else -FLANK_MM_DEG,
            events=(event,),
        )


# ---------------------------------------------------------------- the corrections


def turned(bench: Bench, cam: Cam, error_deg: float, hold: str) -> None:
    """Do by hand what is told, the crank or the cam held."""
    drive, engine = bench.drives[cam.name], bench.job.engine
    told = correction_for(engine, cam, error_deg, bench.case.seen_from)  # type: ignore[arg-type]
    assert told.seen_from in told.hold_the_crank
    assert told.cam_turn in told.hold_the_crank
    before = drive.mount
    if hold == "cam" and engine.forward_only and not told.crank_forward:
        assert "must not be turned back" in told.hold_the_cam
        assert "past" not in told.hold_the_cam
        hold = "crank"
    if hold == "crank":
        drive.turn_cam(told.cam_deg, told.cam_turn, told.seen_from)
    else:
        forward = drive.turn_crank_under_held_cam(2 * told.cam_deg, told.crank_turn, told.seen_from)
        assert (forward >= 0) == (told.crank_forward or told.cam_deg == 0)
    if told.arc_mm is not None:
        radius = cam.adjuster.bolt_circle_radius_mm
        assert told.arc_mm == pytest.approx(radius * 2 * pi * abs(drive.mount - before) / 360, abs=NEAR)  # type: ignore[operator]
    bench.does(Moved(cam.name, "cam_turned" if hold == "crank" else "crank_turned", told.change_deg))


@dataclass
class Slot:
    """Where a pulley's bolts stand in its slots: shaft degrees from the middle, and the room each way."""

    middle: float
    room: float | None

    def reached(self, mount: float) -> float:
        return (
            mount if self.room is None else max(self.middle - self.room, min(self.middle + self.room, mount))
        )


def in_the_slots(bench: Bench, cam: Cam, now: Adjuster, slot: Slot, error_deg: float, hold: str) -> float:
    """Turn it by what is told; where its slots end first, as far as they let it. Give what is told to be left."""
    setting, drive = setting_of(now, error_deg), bench.drives[cam.name]
    assert setting is not None
    turned(bench, cam, error_deg, hold)
    assert setting.fits == (abs(slot.reached(drive.mount) - drive.mount) < 0.0026)
    drive.mount = slot.reached(drive.mount)
    return setting.leaves_deg


def fitted(bench: Bench, cam: Cam, now: Adjuster, error_deg: float) -> float:
    """Fit the key or dowel, or move by the holes or teeth, that is told; no other one would leave less."""
    setting, drive = setting_of(now, error_deg), bench.drives[cam.name]
    assert setting is not None
    if now.kind in {"keys", "dowels"}:
        assert setting.to_fit_deg is not None
        in_cam = 1.0 if now.sizes_act_on == "cam" else 0.5
        at_hand = [0.0, *now.sizes_deg, *(-size for size in now.sizes_deg)]
        assert abs(setting.to_fit_deg) in {0.0, *now.sizes_deg}
        steps = [(size - now.fitted_deg) * in_cam for size in at_hand]
        drive.shift((setting.to_fit_deg - now.fitted_deg) * in_cam)
    else:
        step = now.hole_cam_deg if now.kind == "holes" else 360 / now.gear_teeth  # type: ignore[operator]
        assert step is not None
        steps = [step * count for count in range(-60, 61)]
        drive.shift(setting.steps * step)
    least = min(abs(error_deg + 2 * step) for step in steps)
    assert abs(setting.leaves_deg) == pytest.approx(least, abs=NEAR)
    way = {"keys": "key", "dowels": "dowel", "holes": "hole", "teeth": "tooth"}[now.kind]
    then = setting.to_fit_deg if bench.case.noted else None
    bench.does(Moved(cam.name, way, setting.leaves_deg - error_deg, then))  # type: ignore[arg-type]
    return setting.leaves_deg


def measure(bench: Bench, cam: Cam) -> float:
    """Measure the cam, and hold what is told of it and of every lobe on it to the truth; give its error."""
    job = told_from_own_tdc(bench.job, bench.facts)
    lobes = [bench.measured(lobe) for lobe in bench.timed_by(cam)]
    for one in lobes:
        bench.does(one)
    error = cam_error(job, cam, lobes)
    assert error.error_deg == pytest.approx(bench.cam_late_deg(cam), abs=NEAR)
    if bench.case.card["way"] in WAYS:
        for lobe in bench.drives[cam.name].noses:
            told = lobe_error(job, bench.measured(lobe))
            assert told.error_deg == pytest.approx(bench.late_deg(lobe), abs=NEAR)
    return error.error_deg


@pytest.mark.slow
@settings(max_examples=ENGINES, deadline=None, suppress_health_check=list(HealthCheck))
@given(cases())
def test_every_correction_told_ends_on_the_card(case: Case) -> None:
    bench = Bench(case)
    for cam in bench.job.engine.cams:
        drive, kind = bench.drives[cam.name], cam.adjuster.kind
        straight = drive.mount
        if kind == "slots" and cam.adjuster.fitted_deg:
            way = "earlier" if cam.adjuster.fitted_deg > 0 else "later"
            straight = drive.made(way, abs(cam.adjuster.fitted_deg))
        slot = Slot(straight, cam.adjuster.slot_each_way_cam_deg)
        for round_, hold in enumerate(case.hold):
            error = measure(bench, cam)
            now = adjuster_now(cam, bench.timed_by(cam), bench.facts)
            leaves = 0.0
            if kind == "slots":
                leaves = in_the_slots(bench, cam, now, slot, error, hold)
            elif kind == "none":
                turned(bench, cam, error, hold)
            else:
                leaves = fitted(bench, cam, now, error)
            assert bench.cam_late_deg(cam) == pytest.approx(leaves, abs=0.006)
            assert measure(bench, cam) == pytest.approx(leaves, abs=0.006)
            if round_ < len(case.slips_deg):
                drive.mount = slot.reached(drive.mount + case.slips_deg[round_])
                bench.does(Tightened(cam.name, "torqued"))


def test_the_drive_is_told_wrong_when_the_way_is_turned_round() -> None:
    """So that the search above can fail: the same correction seen from the other end goes twice as far off."""
    lobe = Lobe("1", "inlet")
    drive = Drive(1, 1)
    drive.grind(lobe, 113.0)
    drive.turn_cam(2.5, "clockwise", "timing end")
    assert drive.nose_at(lobe) == pytest.approx(108.0)
    drive.turn_cam(5.0, "clockwise", "flywheel end")
    assert drive.nose_at(lobe) == pytest.approx(118.0)
