"""The guide of valve to piston: crank to a stated angle, valve pushed until it touches, travel kept."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from analysis.base import Refusal
from analysis.clearance import DropMeasured, PistonClearance, find_piston_clearance
from analysis.job import StepState
from analysis.timing import Crown, Job, Lobe, Valve, dead_centre_words, nearest
from api.guide.guidance import Action, Guidance, GuideContext, KnownLobe, Number, Tone, to_go_deg
from api.records import GuideStage

NEAREST_AT_DEG: dict[Valve, float] = {"inlet": 10.0, "exhaust": -10.0}
"""Where a valve usually comes nearest to its piston: 10 ATDC inlet, 10 BTDC exhaust; common practice."""

NEAR_DEG = 2.0
HELD_WITHIN_DEG = 1.0
"""Further from where it stood the gauge has moved by the crank, and no longer by the push alone."""
NO_VALVE_CURVE = (
    "Measured at the follower, head off: how near a valve comes to its piston cannot be told from that. Leave this "
    "out on the job's page, with the reason, and check it when the head is on."
)
LEAST_PUSH_MM = 0.2
ORDINAL = ("first", "second", "third")
NOT_APART = "Valve to valve is entered on the job's page: each valve's travel until it stops, or the heads of the engine."


def pushing(context: GuideContext, step: StepState) -> Guidance:
    """Give the guide of valve to piston."""
    if step.code:
        return Guidance(step.why, tone="fault")
    if context.job.lifted == "follower":
        return Guidance(NO_VALVE_CURVE, step.sentence, tone="fault")
    left = [lobe for lobe in step.lobes if not _known(context, step, lobe)]
    if not left:
        return Guidance(
            step.sentence, NOT_APART if context.job.engine.valves_can_meet(step.lobes[0].cylinder) else ""
        )
    stage = context.stage_of(step.id)
    if stage is not None and stage.stage == "next":
        return _next(context, step, left[0], stage)
    held = _held_at(context, step, left[0])
    return _to_angle(context, step, left[0]) if held is None else _push(context, left[0], held)


def _held_at(context: GuideContext, step: StepState, lobe: Lobe) -> GuideStage | None:
    stage = context.stage_of(step.id)
    if stage is None or stage.stage != "push":
        return None
    own = (stage.body["valve"], stage.body["cylinder"]) == (lobe.valve, lobe.cylinder)
    return stage if own else None


def pushed_off_deg(context: GuideContext, step: StepState) -> float | None:
    """Give how far the crank stands from where a valve is being pushed; `None` where none is."""
    if step.code or context.job.lifted == "follower":
        return None
    left = [lobe for lobe in step.lobes if not _known(context, step, lobe)]
    stage = _held_at(context, step, left[0]) if left else None
    now = context.job_deg()
    return None if stage is None or now is None else nearest(now - stage.body["job_deg"])


def _known(context: GuideContext, step: StepState, lobe: Lobe) -> bool:
    found = context.evidence.clearance(lobe)
    cam = context.job.engine.cam_of(lobe).name
    return found is not None and found[0] > max(context.evidence.touches(cam), default=0)


def _to_angle(context: GuideContext, step: StepState, lobe: Lobe) -> Guidance:
    offset = context.job.engine.firing_offset_deg(lobe.cylinder)
    target = (NEAREST_AT_DEG[lobe.valve] + offset) % 720.0
    there = dead_centre_words(target, offset, 0)
    said = f"{context.gauge_words(lobe.touches)}. Turn forward to {there} and stop there."
    now, known = context.job_deg(), context.lobes.get(lobe.touches)
    if now is None or known is None:
        return Guidance(said)
    to_go = to_go_deg(now, target, forward_only=context.job.engine.forward_only)
    near = abs(to_go) <= NEAR_DEG
    tone: Tone = "on_the_number" if near else "approach" if 0 < to_go < 90 else ""
    number = Number(abs(to_go), "deg", f"to {there}")
    action = _held(context, step, lobe, known, now) if near else None
    return Guidance(said, tone=tone, number=number, to_go_deg=to_go, button="Stands here", action=action)


def _held(
    context: GuideContext,
    step: StepState,
    lobe: Lobe,
    known: KnownLobe,
    now_deg: float,
    travels_mm: Sequence[float] = (),
) -> Action | None:
    """Remember where crank and valve stand, where the gauge is read."""
    gauge = context.gauges.get(known.gauge)
    if gauge is None or not gauge.alive:
        return None
    body: dict[str, Any] = {
        "valve": lobe.valve,
        "cylinder": lobe.cylinder,
        "gauge": known.gauge,
        "reading_mm": gauge.reading_mm,
        "job_deg": now_deg,
        "travels": list(travels_mm),
    }
    return Action("Held.", stage=GuideStage(step.id, "push", body))


def _push(context: GuideContext, lobe: Lobe, stage: GuideStage) -> Guidance:
    """Lead the push of one valve after another; the least of them is what counts."""
    gauge = context.gauges.get(stage.body["gauge"])
    travel = None if gauge is None else abs(gauge.reading_mm - stage.body["reading_mm"])
    now = context.job_deg()
    if now is not None and abs(nearest(now - stage.body["job_deg"])) > HELD_WITHIN_DEG:
        offset = context.job.engine.firing_offset_deg(lobe.cylinder)
        there = dead_centre_words(stage.body["job_deg"], offset, 0)
        return Guidance(f"The crank has moved: bring it back to {there}, or turn on and come to it anew.")
    several = context.job.engine.valves_a_cylinder(lobe.valve) > 1
    which = f"{ORDINAL[len(stage.body['travels'])]} " if several else ""
    said = f"Push the {which}{lobe.valve} valve down gently until it touches the piston, hold it, press."
    number = Number(travel, "mm", f"{lobe.valve} valve pushed")
    if travel is None or travel < LEAST_PUSH_MM:
        return Guidance(said, number=number)
    known = context.lobes[lobe.touches]
    drop = drop_of(context.job, lobe, stage.body["job_deg"], travel, others_mm=tuple(stage.body["travels"]))
    if len(drop.others_mm) + 1 < context.job.engine.valves_a_cylinder(lobe.valve):
        return Guidance(said, number=number, button="It touches", action=_to_the_next(stage, travel))
    try:
        found = clearance_of(context, drop, known)
    except Refusal as refusal:
        return Guidance(said, refusal.message, number=number)
    action = Action(found.sentence, facts=((found.fact(), drop_source(drop, known)),), forget=True)
    return Guidance(said, number=number, button="It touches", action=action)


def _to_the_next(stage: GuideStage, travel_mm: float) -> Action:
    """Remember this valve's travel; the crank stays where it is for the next of its kind."""
    body = stage.body | {"travels": [*stage.body["travels"], travel_mm]}
    return Action(f"{travel_mm:.2f} mm.", stage=GuideStage(stage.step, "next", body))


def _next(context: GuideContext, step: StepState, lobe: Lobe, stage: GuideStage) -> Guidance:
    """Ask for the gauge on the next valve of the kind: its pocket may be another."""
    nth = ORDINAL[len(stage.body["travels"])]
    said = f"{context.gauge_words(lobe.touches)}, this time on the {nth} {lobe.valve} valve. Leave the crank where it is."
    known, now = context.lobes.get(lobe.touches), context.job_deg()
    if known is None or now is None:
        return Guidance(said)
    action = _held(context, step, lobe, known, now, stage.body["travels"])
    return Guidance(said, tone="on_the_number", button="Stands there", action=action)


def drop_of(
    job: Job,
    lobe: Lobe,
    crank_deg: float,
    drop_mm: float,
    *,
    from_seat: bool = False,
    angle_deg: float | None = None,
    crown: Crown | None = None,
    u_mm: float = 0.05,
    others_mm: tuple[float, ...] = (),
) -> DropMeasured:
    """Give a drop; lean and crown that are not said are the engine's, asked for once."""
    own = job.engine.valve_angle_deg(lobe.valve) or 0.0
    return DropMeasured(
        lobe,
        crank_deg,
        drop_mm,
        from_seat,
        own if angle_deg is None else angle_deg,
        job.engine.crown if crown is None else crown,
        u_mm,
        others_mm,
    )


def clearance_of(context: GuideContext, drop: DropMeasured, known: KnownLobe) -> PistonClearance:
    """Give the clearance from a drop; raises `Refusal`."""
    if context.job.lifted == "follower":
        raise Refusal("gauge_on_follower", NO_VALVE_CURVE)
    return find_piston_clearance(
        context.job.engine,
        drop,
        known.lift,
        less_clearance_mm=less_clearance_mm(context.job, drop.lobe.valve),
        tdc_u_deg=max((context.state.tdc_u95_deg or 0.2) / 2, 0.05),
        shop_minimum_mm=context.job.shop_least_mm(drop.lobe.valve),
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
        "others_mm": list(drop.others_mm),
        "lobe_fact": known.fact,
    }
