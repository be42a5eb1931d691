"""What is done at the bench says what a press would: the crank parked and held, a cam slackened, nipped up and turned on.

Pure, as all of the guide: a `Deed` is what has come so far at this moment, and the service lets it count once it has
stood for a while. What only a person can know (torqued, clearances set, it touches) is no deed, but a question.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from analysis.job import StepState
from analysis.moving import STILL_DEG, MoveView
from analysis.timing import Decided, Moved, Payload, Tightened, cam_words, nearest
from api.guide.guidance import FITTED_KINDS, Action, GaugeNow, Guidance, GuideContext, KnownLobe
from api.guide.moving import chosen_way, flank_view, left_of, moving, slip_of
from api.guide.pistons import pushed_off_deg, pushing
from api.records import GuideStage

RESTS_S = 1.0
"""So long it has to stand so: a hand that only passes by does not."""
LET_GO_DEG = 3.0
"""A crank that went so far from where it was held is held no more."""
SLACKENED_DEG = 0.3
"""A cam that left its curve by this, with the crank held, is being moved."""
TURNED_ON_DEG = 20.0
"""Nobody turns the crank on from the number before the bolts are nipped up again, as the guide says."""


@dataclass(frozen=True, slots=True)
class Deed:
    """What was done by hand, and what follows from it without a press.

    Attributes
    ----------
    name
        What it is; `sentence` goes into the list of what happened, nothing where it is empty.
    rest_s
        How long it has to stand so before it counts.
    gauge
        The gauge that nobody may have moved by hand since the crank stands; empty where it does not matter.
    counts_from_deg
        Where the crank stood before it was turned on: what was turned since counts for the next measurement.
    """

    name: str
    action: Action
    sentence: str = ""
    rest_s: float = RESTS_S
    gauge: str = ""
    counts_from_deg: float | None = None


def ahead_of(context: GuideContext, step: StepState) -> GuideContext | None:
    """Give the moment as it would be, were the cam that is out already decided to be corrected.

    `None` where a move cannot be led from here: by the shop's own switch, without a curve, or with parts to fit.
    """
    if not context.watch.on or context.ahead is None:
        return None
    cam = context.job.engine.cam(step.cam)
    standing = next(one for one in context.state.cams if one.cam == step.cam)
    by_hand = bool(standing.measured) and standing.measured[-1].by_hand
    if cam.adjuster.kind in FITTED_KINDS or by_hand or step.cam not in context.lobes:
        return None
    return replace(context, state=context.ahead, ahead=None)


def leading(context: GuideContext, step: StepState) -> tuple[Guidance, bool] | None:
    """Give what leads on from a verdict that a cam is out, and whether the crank is held already."""
    ahead = ahead_of(context, step)
    if ahead is None or ahead.step is None:
        return None
    said = moving(ahead, ahead.step)
    return None if said.tone == "fault" and said.to_go_deg is None else (said, _held(ahead) is not None)


def deed(context: GuideContext) -> Deed | None:
    """Give what was done by hand at this moment, `None` where nothing was."""
    step, view = context.step, context.measurement
    running = view is not None and view.state == "running"
    if step is None or running or not context.watch.on or context.waiting or context.trouble:
        return None
    if step.kind in {"room", "valve_to_piston"}:
        return _at_the_piston(context, step)
    decided = step.kind == "correction"
    ahead = context if decided else ahead_of(context, step) if step.cam else None
    if ahead is None or ahead.step is None or ahead.step.code:
        return None
    stage = _held(ahead)
    return _to_hold(ahead) if stage is None else _held_deed(ahead, stage, decided=decided)


def _held(ahead: GuideContext) -> GuideStage | None:
    stage = None if ahead.step is None else ahead.stage_of(ahead.step.id)
    return stage if stage is not None and stage.stage == "moving" else None


def _to_hold(ahead: GuideContext) -> Deed | None:
    """The crank stands where the guide wants it, and the gauge where the curve says: the move can be led from here."""
    assert ahead.step is not None
    action = moving(ahead, ahead.step).action
    stage = None if action is None else action.stage
    if action is None or stage is None or stage.stage != "moving" or chosen_way(stage) != "cam_turned":
        return None
    return Deed("held", action)


def _held_deed(ahead: GuideContext, stage: GuideStage, *, decided: bool) -> Deed | None:
    """What the hands did while the crank was held for a move: slackened, turned on, nipped up."""
    assert ahead.step is not None
    lobe, body = ahead.lobes.get(ahead.step.cam), stage.body
    gauge, crank = ahead.gauges.get(body["gauge"]), ahead.crank
    if lobe is None or gauge is None or not gauge.alive or crank is None:
        return None
    if body["lobe_fact"] != lobe.fact or "expected_mm" not in body or chosen_way(stage) != "cam_turned":
        return None
    off_deg = crank.deg - body["crank_deg"]
    if abs(off_deg) <= STILL_DEG:
        view = flank_view(ahead, stage, lobe, gauge)
        return _at_the_park(stage, view, gauge, crank.deg) if decided else _slackened(ahead.step, body, view)
    if "left" not in body:
        return _let_go(ahead, lobe, gauge.reading_mm, off_deg)
    return _nipped(ahead.step, body, decided=decided) if off_deg >= TURNED_ON_DEG else None


def _at_the_park(stage: GuideStage, view: MoveView, gauge: GaugeNow, crank_deg: float) -> Deed | None:
    """Remember that the cam stands on its number, and how; or no more, where it has left it again."""
    on_it, body = view.phase == "done", {name: stage.body[name] for name in stage.body if name != "left"}
    if on_it == ("left" in stage.body):
        return None
    if not on_it:
        return Deed(
            "off_again", Action("Off it again.", stage=GuideStage(stage.step, "moving", body)), rest_s=0.5
        )
    left = body | {"left": left_of(view, gauge, crank_deg)}
    return Deed("on_the_number", Action("On the number.", stage=GuideStage(stage.step, "moving", left)))


def _let_go(ahead: GuideContext, lobe: KnownLobe, reading_mm: float, off_deg: float) -> Deed | None:
    """The crank went on and the cam still goes with it: nobody has moved it, and nothing is led."""
    now_deg = ahead.job_deg()
    if abs(off_deg) < LET_GO_DEG or now_deg is None or lobe.base_mm is None:
        return None
    slip = slip_of(lobe, now_deg, reading_mm)
    on_its_curve = not slip.seen or abs(slip.slipped_deg) < SLACKENED_DEG
    return Deed("let_go", Action("Let go.", forget=True), rest_s=0.3) if on_its_curve else None


def _slackened(step: StepState, body: dict[str, Any], view: MoveView) -> Deed | None:
    moved_deg = abs(body["error_deg"] - view.to_go_deg)
    if not view.still or moved_deg < SLACKENED_DEG:
        return None
    action = Action("To be corrected.", facts=((Decided(step.cam, "correct"), None),))
    said = f"The {cam_words(step.cam)} left its curve with the crank held: it is being corrected."
    return Deed("slackened", action, said)


def _nipped(step: StepState, body: dict[str, Any], *, decided: bool) -> Deed:
    """It stood on its number, and the crank was turned on: it is nipped up, and what comes now proves it."""
    source = {name: body[name] for name in body if name != "left"} | body["left"]
    facts: list[tuple[Payload, dict[str, Any] | None]] = []
    if not decided:
        facts.append((Decided(step.cam, "correct"), None))
    facts.append((Moved(step.cam, "cam_turned", -body["error_deg"]), source))
    facts.append((Tightened(step.cam, "nipped"), None))
    said = f"The {cam_words(step.cam)} was left on its number and the crank turned on: nipped up."
    action = Action("Moved and nipped up.", facts=tuple(facts), forget=True)
    return Deed("nipped", action, said, 0.0, counts_from_deg=body["crank_deg"])


def _at_the_piston(context: GuideContext, step: StepState) -> Deed | None:
    """The crank stands where the valve is pushed from; what the gauge shows there is what its travel counts from."""
    off_deg = pushed_off_deg(context, step)
    if off_deg is not None:
        moved_on = abs(nearest(off_deg)) > LET_GO_DEG
        return Deed("let_go", Action("Let go.", forget=True), rest_s=0.3) if moved_on else None
    action = pushing(context, step).action
    stage = None if action is None else action.stage
    if action is None or stage is None or stage.stage != "push":
        return None
    return Deed("stands", action, gauge=stage.body["gauge"])
