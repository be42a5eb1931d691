"""The guide of valve to piston: crank to a stated angle, valve pushed until it touches, travel kept."""

from __future__ import annotations

from typing import Any

from analysis.base import Refusal
from analysis.job import StepState
from analysis.timing import (
    DropMeasured,
    Job,
    Lobe,
    PistonClearance,
    Valve,
    dead_centre_words,
    find_piston_clearance,
)
from api.base import Guide
from api.guide.deeds import Deed, KnownLobe, Scene, Told, to_go_deg
from api.jobs import touches
from api.store import Stage

NEAREST_AT_DEG: dict[Valve, float] = {"inlet": 10.0, "exhaust": -10.0}
"""Where a valve usually comes nearest to its piston: 10 ATDC inlet, 10 BTDC exhaust; common practice."""

NEAR_DEG = 2.0
LEAST_PUSH_MM = 0.2


def pushing(scene: Scene, step: StepState) -> Told:
    """Give the guide of valve to piston."""
    if step.code:
        return Told(_base(step, step.why).model_copy(update={"tone": "fault"}))
    left = [lobe for lobe in step.lobes if not _known(scene, step, lobe)]
    if not left:
        return Told(_base(step, step.sentence))
    stage = scene.stage_of(step.id)
    lobe = left[0]
    if stage is not None and stage.stage == "push" and stage.body["valve"] == lobe.valve:
        return _push(scene, step, lobe, stage)
    return _to_angle(scene, step, lobe)


def _known(scene: Scene, step: StepState, lobe: Lobe) -> bool:
    found = scene.evidence.clearance(lobe)
    cam = scene.job.engine.cam_of(lobe).name
    return found is not None and found[0] > max(scene.evidence.touches(cam), default=0)


def _base(step: StepState, sentence: str) -> Guide:
    return Guide(step=step.title, sentence=sentence, cautions=list(step.cautions))


def _to_angle(scene: Scene, step: StepState, lobe: Lobe) -> Told:
    offset = scene.job.engine.firing_offset_deg(lobe.cylinder)
    target = (NEAREST_AT_DEG[lobe.valve] + offset) % 720.0
    there = dead_centre_words(target, offset, 0)
    guide = _base(step, f"{scene.gauge_words(touches(lobe))}. Turn forward to {there} and stop there.")
    now, known = scene.job_deg(), scene.lobes.get(lobe.valve)
    if now is None or known is None:
        return Told(guide)
    to_go = to_go_deg(now, target)
    near = abs(to_go) <= NEAR_DEG
    guide = guide.model_copy(
        update={
            "number": to_go,
            "unit": "deg",
            "label": f"to {there}",
            "to_go_deg": to_go,
            "tone": "on_the_number" if near else "approach" if 0 < to_go < 90 else "",
        }
    )
    gauge = scene.gauges.get(known.gauge)
    if not near or gauge is None or not gauge.alive:
        return Told(guide)
    body: dict[str, Any] = {
        "valve": lobe.valve,
        "cylinder": lobe.cylinder,
        "gauge": known.gauge,
        "reading_mm": gauge.reading_mm,
        "job_deg": now,
    }
    return Told(
        guide.model_copy(update={"button": "Stands here"}), Deed("Held.", stage=Stage(step.id, "push", body))
    )


def _push(scene: Scene, step: StepState, lobe: Lobe, stage: Stage) -> Told:
    gauge = scene.gauges.get(stage.body["gauge"])
    travel = None if gauge is None else abs(gauge.reading_mm - stage.body["reading_mm"])
    guide = _base(
        step, f"Push the {lobe.valve} valve down gently until it touches the piston, hold it, press."
    )
    guide = guide.model_copy(
        update={"number": travel, "unit": "mm", "label": f"{lobe.valve} valve pushed", "button": "It touches"}
    )
    if travel is None or travel < LEAST_PUSH_MM:
        return Told(guide.model_copy(update={"button": ""}))
    known = scene.lobes[lobe.valve]
    drop = DropMeasured(lobe, stage.body["job_deg"], travel)
    try:
        found = clearance_of(scene, drop, known)
    except Refusal as refusal:
        return Told(guide.model_copy(update={"why": refusal.message, "button": ""}))
    source = drop_source(drop, known)
    return Told(guide, Deed(found.sentence, facts=((found.fact(), source),), forget=True))


def clearance_of(scene: Scene, drop: DropMeasured, known: KnownLobe) -> PistonClearance:
    """Give the clearance from a drop; raises `Refusal`."""
    return find_piston_clearance(
        scene.job.engine,
        drop,
        known.lift,
        less_clearance_mm=less_clearance_mm(scene.job, drop.lobe.valve),
        tdc_u_deg=max((scene.state.tdc_u95_deg or 0.2) / 2, 0.05),
    )


def less_clearance_mm(job: Job, valve: Valve) -> float:
    """Give how much smaller the card's running clearance is than the one it is checked with."""
    card = job.card.lobe(valve)
    if card is None or card.checking_clearance_mm is None or card.running_clearance_mm is None:
        return 0.0
    return max(0.0, card.checking_clearance_mm - card.running_clearance_mm)


def drop_source(drop: DropMeasured, known: KnownLobe) -> dict[str, Any]:
    """Give what a clearance was computed from, to be kept beside it."""
    return {
        "crank_deg": drop.crank_deg,
        "drop_mm": drop.drop_mm,
        "from_seat": drop.from_seat,
        "valve_angle_deg": drop.valve_angle_deg,
        "crown": drop.crown,
        "u_mm": drop.u_mm,
        "lobe_fact": known.fact,
    }
