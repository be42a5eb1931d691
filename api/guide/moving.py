"""The guide while a cam is moved: crank held and cam turned, cam held and crank turned, or a part fitted."""

from __future__ import annotations

from dataclasses import asdict, replace
from typing import Any, Literal, cast

from analysis.base import Refusal
from analysis.job import StepState
from analysis.moving import (
    STILL_DEG,
    Correction,
    CrankMove,
    FlankMove,
    MoveView,
    Slip,
    adjuster_now,
    best_park,
    correction_for,
    crank_move,
    expected_mm,
    find_slip,
    first_phase,
    flank_move,
    follow_crank,
    follow_flank,
    setting_of,
)
from analysis.timing import Cam, Moved, dead_centre_words, late_or_early, later_or_earlier
from api.base import CamTurn
from api.guide.guidance import (
    FITTED_KINDS,
    NO_NUMBER,
    Action,
    GaugeNow,
    Guidance,
    GuideContext,
    KnownLobe,
    Number,
    Option,
    Tone,
    to_go_deg,
)
from api.records import GuideStage

Way = Literal["cam_turned", "crank_turned"]
NEAR_PARK_DEG = 2.0
OFF_THE_CURVE_DEG = 1.0
"""How far, in degrees of the curve, the gauge may read off its own curve before the move is begun."""


def moving(context: GuideContext, step: StepState) -> Guidance:
    """Give the guide of a correction."""
    standing = next(cam for cam in context.state.cams if cam.cam == step.cam)
    if step.code or standing.to_make_deg is None:
        return _in_the_way(step)
    error = -standing.to_make_deg
    cam = context.job.engine.cam(step.cam)
    stage = context.stage_of(step.id)
    if cam.adjuster.kind in FITTED_KINDS and (stage is None or stage.stage == "fit"):
        return _to_fit(context, step, cam, error)
    if standing.measured and standing.measured[-1].by_hand:
        return _by_scale(cam, correction_for(context.job.engine, cam, error))
    lobe = context.lobes.get(step.cam)
    if lobe is None:
        return Guidance("The curve of this cam is being read from the store; wait a moment.")
    try:
        return _guided(context, step, cam, error, lobe)
    except Refusal as refusal:
        return Guidance(refusal.message, tone="fault")


def _guided(context: GuideContext, step: StepState, cam: Cam, error_deg: float, lobe: KnownLobe) -> Guidance:
    if lobe.base_mm is None:
        again = Action("Begun.", begin=lobe.lobe.touches)
        return Guidance(_NO_LEVEL, tone="fault", button="Measure it", action=again)
    stage = context.stage_of(step.id)
    correction = correction_for(context.job.engine, cam, error_deg)
    way = chosen_way(stage)
    if stage is not None and stage.stage == "moving":
        return _follow(context, step, stage, correction, lobe)
    return _to_park(context, step, correction, lobe, way)


def chosen_way(stage: GuideStage | None) -> Way:
    """Give the way of moving that was chosen; the crank held and the cam turned unless somebody chose."""
    return cast("Way", stage.body.get("way", "cam_turned")) if stage is not None else "cam_turned"


def _in_the_way(step: StepState) -> Guidance:
    """The correction cannot be made as things stand: measure where the cam is, or decide."""
    said = step.why or step.sentence
    if step.code != "position_unknown":
        return Guidance(said, tone="fault")
    return Guidance(
        said, tone="fault", button="Measure it", action=Action("Begun.", begin=step.lobes[0].touches)
    )


# -- a part with fixed sizes is fitted


def _to_fit(context: GuideContext, step: StepState, cam: Cam, error_deg: float) -> Guidance:
    fitted = adjuster_now(cam, context.job.engine.reference_lobes(cam), context.evidence.facts)
    setting = setting_of(fitted, error_deg)
    said = setting.sentence if setting is not None else step.sentence
    number = Number(abs(error_deg), "deg", f"make it {later_or_earlier(-error_deg)}")
    change = None if setting is None else setting.leaves_deg - error_deg
    fact = Moved(
        cam.name, FITTED_KINDS[cam.adjuster.kind], change, None if setting is None else setting.to_fit_deg
    )
    source = {"error_deg": error_deg, "setting": None if setting is None else asdict(setting)}
    action = Action("Fitted.", facts=((fact, source),), forget=True)
    return Guidance(said, number=number, button="Fitted", action=action)


def _by_scale(cam: Cam, correction: Correction) -> Guidance:
    """Without a stored curve the builder moves it by scale, and proves it by measuring again."""
    arc = correction.arc_mm
    number = NO_NUMBER if arc is None else Number(arc, "mm", "along the bolt circle")
    action = Action("Moved.", facts=((Moved(cam.name, "other", correction.change_deg), None),))
    return Guidance(
        correction.hold_the_crank,
        f"Or: {correction.hold_the_cam}",
        number=number,
        button="Moved",
        action=action,
    )


# -- to where the crank or the cam is held


def _to_park(
    context: GuideContext, step: StepState, correction: Correction, lobe: KnownLobe, way: Way
) -> Guidance:
    """Lead the crank to where the gauge tells most of the move."""
    engine, alone = context.job.engine, way == "cam_turned"
    park = best_park(lobe.lift, correction.error_deg if alone else 0.0, engine.tdcs_deg() if alone else ())
    there = dead_centre_words(park.crank_deg, 0.0, 0)
    held = "hold the crank there" if way == "cam_turned" else "hold the cam there"
    gauge_on = context.gauge_words(lobe.lobe.touches, lobe.gauge)
    sentence = f"{gauge_on}. Turn forward to {there} and {held}, then slacken all bolts; leave one just nipped so it drags."
    why = _whole_way(correction, way)
    now, gauge = context.job_deg(), context.gauges.get(lobe.gauge)
    if now is None or gauge is None or context.crank is None:
        return Guidance("The bench is not read; see its cables.", why, "fault")
    to_go = to_go_deg(now, park.crank_deg, forward_only=engine.forward_only, near_deg=NEAR_PARK_DEG)
    near = abs(to_go) <= NEAR_PARK_DEG
    number = Number(abs(to_go), "deg", f"to {there}")
    fault = _not_ready(context, lobe, now, gauge, near=near)
    if fault:
        return Guidance(fault, why, "overshot", number, to_go_deg=to_go)
    tone: Tone = "on_the_number" if near else "approach" if 0 < to_go < 90 else ""
    label = "Crank held, bolts slack" if way == "cam_turned" else "Cam held, bolts slack"
    action = _hold(context, step, correction, lobe, way) if near else None
    return Guidance(sentence, why, tone, number, to_go_deg=to_go, button=label, action=action)


def _whole_way(correction: Correction, way: Way) -> str:
    said = correction.hold_the_crank if way == "cam_turned" else correction.hold_the_cam
    arc = "" if correction.arc_mm is None else f" {correction.arc_mm:.2f} mm along the bolt circle."
    return said + (arc if way == "cam_turned" else "")


def _not_ready(context: GuideContext, lobe: KnownLobe, now_deg: float, gauge: GaugeNow, *, near: bool) -> str:
    """Say what has to be put right before a move may begin: slack, or a gauge that was knocked."""
    if not near:
        return ""
    assert context.crank is not None
    if not context.crank.taken_up:
        if context.job.engine.forward_only:
            return "Turned back last: go on forward two turns and come to it again, so that the slack is taken up."
        return "Turned back last: go well back past it and come forward again, so that the slack is taken up."
    assert lobe.base_mm is not None  # looked at before
    expected = lobe.base_mm + lobe.polarity * lobe.lift.lift_mm(now_deg)
    off = gauge.reading_mm - expected
    slope = abs(lobe.lift.slope_mm_deg(now_deg))
    if abs(off) <= max(OFF_THE_CURVE_DEG * slope, 0.05):
        return ""
    slip = slip_of(lobe, now_deg, gauge.reading_mm)
    way = later_or_earlier(slip.slipped_deg)
    return (
        f"The gauge reads {gauge.reading_mm:.2f} where its curve says {expected:.2f}, as with the cam "
        f"{abs(slip.slipped_deg):.1f} deg {way}: it slipped, or the gauge is on another valve, was knocked or set "
        "anew. Put it back, or nip up and measure this lobe again."
    )


_NO_LEVEL = (
    "What the gauge should read here is not known of this measurement, so a cam that slips when its bolts are "
    "slackened could not be seen. Keep them tight and measure this lobe again."
)
_TURNED_ON = "Left on its number. Once it is nipped up, turn on, forward: it is measured again."
_HOLD_IT = "On the number: hold it still."
_NIP_UP = "On the number. Nip up, then turn on: it is measured again."
_TOLD_BY_SLACK = (
    "This move was begun from what the gauge showed with the bolts slack. Nip up and begin it anew."
)


def slip_of(lobe: KnownLobe, job_deg: float, reading_mm: float) -> Slip:
    """Give how far a cam has slipped from its curve, by what the gauge shows."""
    assert lobe.base_mm is not None
    return find_slip(
        lobe.lift,
        crank_deg=job_deg,
        reading_mm=reading_mm,
        base_mm=lobe.base_mm,
        polarity=lobe.polarity,
        step_mm=lobe.step_mm,
        u95_deg=lobe.u95_deg,
    )


def _hold(
    context: GuideContext, step: StepState, correction: Correction, lobe: KnownLobe, way: Way
) -> Action:
    """Remember where everything stands; the move is computed from this and the stored curve."""
    now = context.job_deg()
    assert now is not None
    assert context.crank is not None
    body: dict[str, Any] = {
        "way": way,
        "error_deg": correction.error_deg,
        "gauge": lobe.gauge,
        "lobe_fact": lobe.fact,
        "reading_mm": context.gauges[lobe.gauge].reading_mm,
        "crank_deg": context.crank.deg,
        "job_deg": now,
    }
    assert lobe.base_mm is not None  # looked at before
    slip = slip_of(lobe, now, body["reading_mm"])
    if slip.seen:
        body |= {"slipped_deg": slip.slipped_deg, "said": slip.sentence}
    body["expected_mm"] = expected_mm(lobe.lift, now, lobe.base_mm, lobe.polarity)
    if way == "crank_turned":
        body["phase"] = first_phase(_crank_move(context, body, lobe))
    else:
        _flank_move(context, body, lobe)
    return Action(
        f"Held. {body['said']}" if "said" in body else "Held.", stage=GuideStage(step.id, "moving", body)
    )


# -- the move itself


def _flank_move(context: GuideContext, body: dict[str, Any], lobe: KnownLobe) -> FlankMove:
    return flank_move(
        lobe.lift,
        body["error_deg"],
        park_deg=body["job_deg"],
        reading_mm=body["reading_mm"],
        polarity=lobe.polarity,
        step_mm=lobe.step_mm,
        expected_mm=body["expected_mm"],
        forward_only=context.job.engine.forward_only,
    )


def _crank_move(context: GuideContext, body: dict[str, Any], lobe: KnownLobe) -> CrankMove:
    return crank_move(
        body["error_deg"] + body.get("slipped_deg", 0.0),
        crank_deg=body["crank_deg"],
        gauge_mm=body["reading_mm"],
        slack_deg=lobe.slack_deg,
        forward_only=context.job.engine.forward_only,
        gauge_step_mm=lobe.step_mm,
    )


def _follow(
    context: GuideContext, step: StepState, stage: GuideStage, correction: Correction, lobe: KnownLobe
) -> Guidance:
    """Lead the move itself, reading by reading; where what it was begun by no longer holds, begin anew."""
    gauge = context.gauges.get(stage.body["gauge"])
    if gauge is None or not gauge.alive or context.crank is None:
        fault = "The gauge is not read: leave everything as it stands and see its cable."
        return Guidance(fault, tone="fault")
    if stage.body["lobe_fact"] != lobe.fact:
        said = "The lobe was measured since the crank was held; begin the move anew."
        return Guidance(said, button="Begin anew", action=Action("Begun anew.", forget=True))
    if "expected_mm" not in stage.body:
        return Guidance(_TOLD_BY_SLACK, button="Begin anew", action=Action("Begun anew.", forget=True))
    way = chosen_way(stage)
    if "left" in stage.body and abs(context.crank.deg - stage.body["crank_deg"]) > STILL_DEG:
        return Guidance(_TURNED_ON, tone="on_the_number")
    view = (
        flank_view(context, stage, lobe, gauge)
        if way == "cam_turned"
        else _crank_view(context, stage, lobe, gauge)
    )
    action = _moved(step, stage, view, gauge, context.crank.deg)
    why = stage.body.get("said") or _whole_way(correction, way)
    if way == "crank_turned":
        return _turning_the_crank(view, why, action)
    return _turning_the_cam(context, context.job.engine.cam(step.cam), view, why, action)


def flank_view(context: GuideContext, stage: GuideStage, lobe: KnownLobe, gauge: GaugeNow) -> MoveView:
    """Give what is to be done at this moment of a move with the crank held."""
    assert context.crank is not None
    off = context.crank.deg - stage.body["crank_deg"]
    return follow_flank(_flank_move(context, stage.body, lobe), gauge.reading_mm, stage.body["job_deg"] + off)


def _crank_view(context: GuideContext, stage: GuideStage, lobe: KnownLobe, gauge: GaugeNow) -> MoveView:
    assert context.crank is not None
    move = _crank_move(context, stage.body, lobe)
    phase = cast("Literal['turn_back', 'come_forward']", stage.body["phase"])
    return follow_crank(move, phase, context.crank.deg, gauge.reading_mm)[1]


def next_phase(context: GuideContext, stage: GuideStage, lobe: KnownLobe) -> str | None:
    """Give the phase that a move with the cam held has come to, `None` where it stays."""
    gauge = context.gauges.get(stage.body["gauge"])
    if (
        stage.stage != "moving"
        or chosen_way(stage) != "crank_turned"
        or context.crank is None
        or gauge is None
    ):
        return None
    move = _crank_move(context, stage.body, lobe)
    phase, _ = follow_crank(move, stage.body["phase"], context.crank.deg, gauge.reading_mm)
    return None if phase == stage.body["phase"] else phase


def _turning_the_crank(view: MoveView, why: str, action: Action) -> Guidance:
    number = Number(abs(view.to_go_deg), "deg", "crank still to turn")
    said = Guidance(view.sentence, why, view.tone, number, to_go_deg=view.to_go_deg)
    return _left_there(said, view, action)


def _turning_the_cam(context: GuideContext, cam: Cam, view: MoveView, why: str, action: Action) -> Guidance:
    """Say which way the cam still goes; the sign of an error would say which way the crank goes, not the cam."""
    left = correction_for(context.job.engine, cam, view.to_go_deg)
    size, too_far = abs(view.to_go_deg), view.tone == "overshot"
    turn = CamTurn(
        turn=left.cam_turn,
        seen_from=left.seen_from,
        to_go_deg=size,
        to_go_cam_deg=left.cam_deg,
        too_far=too_far,
    )
    led = view.phase == "turn_cam"
    words = f"urn the cam {left.cam_turn}, {size:.1f} deg"
    start = {"overshot": f"Too far: t{words} back.", "": f"The other way: t{words} to go."}
    said = Guidance(
        start.get(view.tone, f"T{words} to go.") if led else _done_words(context, view),
        f"Seen from the {left.seen_from}. {why}" if led and "seen from" not in why else why,
        view.tone,
        Number(size, "deg", "past it, crank degrees" if too_far else "to go, crank degrees"),
        to_go_mm=view.to_go_mm,
        target_mm=view.target_mm,
        verdict=f"{size:.1f} deg {late_or_early(view.to_go_deg)}",
        move=turn if led or view.phase == "done" else None,
    )
    return _left_there(said, view, action)


def _done_words(context: GuideContext, view: MoveView) -> str:
    """On the number it has to stand a moment; then nipping up and turning on say the rest."""
    if view.phase != "done" or not context.watch.on:
        return view.sentence
    return _NIP_UP if context.stage is not None and "left" in context.stage.body else _HOLD_IT


def _left_there(said: Guidance, view: MoveView, action: Action) -> Guidance:
    """Offer the large button on the number alone; short of it a smaller one, that says how far."""
    if view.phase == "done":
        number = replace(said.number, label="On the number")
        return replace(said, number=number, button="On the number: leave it there", action=action)
    if not view.still:
        return said
    short = f"Leave it {abs(view.to_go_deg):.1f} deg off"
    return replace(said, options=(Option(short, action),))


def _moved(step: StepState, stage: GuideStage, view: MoveView, gauge: GaugeNow, crank_deg: float) -> Action:
    body = stage.body
    fact = Moved(step.cam, chosen_way(stage), -body["error_deg"])
    source = body | left_of(view, gauge, crank_deg)
    return Action("Moved.", facts=((fact, source),), forget=True)


def left_of(view: MoveView, gauge: GaugeNow, crank_deg: float) -> dict[str, Any]:
    """Give how a cam is left, to be kept beside its move."""
    return {
        "left_mm": gauge.reading_mm,
        "left_crank_deg": crank_deg,
        "left_to_go_deg": view.to_go_deg,
        "left_phase": view.phase,
    }
