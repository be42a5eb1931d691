"""The guide in steps that measure: what to set the gauge on, how to turn, when it is enough."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Literal

from analysis.job import TURNS_DEG, StepState, error_of, far_enough, fitting_up, how_to_turn
from analysis.timing import (
    Decided,
    DropCentre,
    Event,
    FittedUp,
    Lobe,
    LobeMeasured,
    NotComparable,
    Tightened,
    Verdict,
    cam_words,
    early_or_late,
    full_lift_of,
    judge,
    late_or_early,
    lobe_error,
)
from api.base import MeasurementView
from api.guide.clearances import figures, on_the_card
from api.guide.deeds import leading
from api.guide.guidance import NO_NUMBER, Action, Guidance, GuideContext, Number, Option, Tone
from api.guide.verdicts import choices_of, told_of
from api.jobs import lobes_left, lobes_measured, piston_of, touched
from api.live import coaching
from api.measure import ByItself

GOOD_SHARE, LEAST_WANTED_DEG = 0.25, 0.1
TOO_WIDE = "Turn on, and more slowly: too wide yet to tell ± {:g} deg."
CANNOT_TELL_YET = "cannot tell yet"
UNPROVEN = frozenset({"seen_once", "agreement_unproven"})
"""Warned of while the passes so far would not show a cam that stands now here, now there: no verdict hangs on those."""
MEANT_PASSES = 4
"""Over the top and back twice is asked for; a crank that was rocked over it once may be somebody trying it."""
OR_ELSE = "Slacken it there, and it counts as to be moved. Or leave it with a reason, or measure again."
Kind = Literal["bench_check", "tdc", "lobe"]
Enough = Literal["", "far", "whole"]


def measuring(context: GuideContext, step: StepState) -> Guidance:
    """Give the guide of a step that measures."""
    view = context.measurement
    if view is not None and view.state == "running":
        return _running(context, step, view)
    if step.kind in {"nipped", "torqued"} and not is_tightened(context, step):
        return _to_tighten(context, step)
    if step.cam and _all_measured(context, step):
        return deciding(context, step)
    return _to_begin(context, step)


def _to_begin(context: GuideContext, step: StepState) -> Guidance:
    """Say how to set up and to turn; where the last was refused, its reason comes first."""
    part = _next_part(context, step)
    view = context.measurement
    refused = view is not None and view.state == "refused" and view.touches == part
    said = step.why if step.code else step.sentence
    first = step.kind == "bench_check"
    begin = Action("Begun.", begin=part, by_itself=_ends_by_itself(context) if first else None)
    if refused and view is not None:
        why = said if said != view.sentence else ""
        return Guidance(view.sentence, why, "fault", button="Start again", action=begin)
    unread = first and context.evidence.last(step.id, FittedUp) is None
    said_where = f"{context.gauge_words(part)}. {_how(context, step, part, pressed=unread)}"
    why = _unsaid(context, step)
    if not unread:
        return Guidance(said_where, why, button="Start", action=begin)
    return _fitting_up(context, Guidance(said_where, why, action=begin))


def _unsaid(context: GuideContext, step: StepState) -> str:
    """Give of the step's words what the sentence above has not said, and better: on what, and how to turn."""
    planned = context.planned(step.id).do
    if step.code or step.sentence != planned or step.kind == "again":
        return step.why if step.code else step.sentence
    return f"{planned.partition('. ')[0]}." if step.kind == "lobe" else ""


def _fitting_up(context: GuideContext, said: Guidance) -> Guidance:
    """Ask at once what only a person knows before the crank is turned: fitted up, and clearances set as on the card."""
    assert said.action is not None
    fitted = FittedUp(fitting_up(context.job.engine))
    only = replace(said.action, did="Fitted up; begun.", facts=((fitted, None),))
    clearances = next((one for one in context.state.steps if one.kind == "clearances"), None)
    open_still = clearances is not None and clearances.state == "open" and not clearances.code
    noted = on_the_card(context, clearances) if clearances is not None and open_still else ()
    if not noted:
        sentence = f"Fit up as listed. {said.sentence}"
        return replace(said, sentence=sentence, button="Fitted up, all read: Start", action=only)
    return replace(
        said,
        sentence=f"Fit up as listed, clearances cold: {figures(noted)} mm. {said.sentence}",
        button="Fitted up, clearances set, all read: Start",
        action=replace(only, facts=(*only.facts, *((fact, None) for fact in noted))),
        options=(Option("Fitted up; clearances later", only),),
    )


def _next_part(context: GuideContext, step: StepState) -> str:
    if step.asks.measures == "tdc":
        return f"piston_{piston_of(context.job.engine, step).lower()}"
    return lobes_left(context.job, context.facts, step.id)[0].touches


def _how(context: GuideContext, step: StepState, part: str, *, pressed: bool) -> str:
    kind: Kind = (
        "bench_check" if step.kind == "bench_check" else "tdc" if part.startswith("piston") else "lobe"
    )
    how = how_to_turn(kind, forward_only=context.job.engine.forward_only)
    if context.watch.on and not pressed:
        return f"{how} It begins by itself."
    return f"Press, and {how[0].lower()}{how[1:]}"


def _ends_by_itself(context: GuideContext) -> ByItself | None:
    """What a press has begun because only a person could know that it was time; it ends without another."""
    return ByItself() if context.watch.on else None


# -- before: nipping up and torquing


def is_tightened(context: GuideContext, step: StepState) -> bool:
    """Tell whether the cam was nipped up or torqued, as its step wants, since it was moved."""
    evidence = context.evidence
    moved = evidence.moved(f"correction.{step.cam}", step.cam)
    return evidence.tightened(step.id, step.cam, step.kind) > moved


def _to_tighten(context: GuideContext, step: StepState) -> Guidance:
    to = "nipped" if step.kind == "nipped" else "torqued"
    bolts = f"the bolts of the {cam_words(step.cam)}"
    do = f"Nip up {bolts}" if to == "nipped" else f"Torque and lock {bolts} as the engine maker says"
    part = step.lobes[0].touches
    done = Tightened(step.cam, "nipped" if to == "nipped" else "torqued")
    sentence = f"{do}. {context.gauge_words(part)}. {_how(context, step, part, pressed=True)}"
    label = "Nipped up: start" if to == "nipped" else "Torqued: start"
    words = "Nipped up; measuring." if to == "nipped" else "Torqued; measuring."
    action = Action(words, facts=((done, None),), begin=part, by_itself=_ends_by_itself(context))
    return Guidance(sentence, button=label, action=action)


# -- while it runs


@dataclass(frozen=True, slots=True)
class _Live:
    """What the running measurement shows so far; an empty sentence: go on as said."""

    number: Number = NO_NUMBER
    sentence: str = ""
    tone: Tone = ""
    verdict: str = ""
    enough: Enough = ""


def _running(context: GuideContext, step: StepState, view: MeasurementView) -> Guidance:
    """Say how far the measurement is, and what would make it enough."""
    kind: Kind = "bench_check" if step.kind == "bench_check" else view.what
    how = how_to_turn(kind, forward_only=context.job.engine.forward_only)
    target = TURNS_DEG.get(kind)
    turned = context.crank.turned_deg if context.crank is not None else None
    left = None if target is None or turned is None else max(0.0, target - turned)
    enough = left is None or left <= 0
    if kind == "bench_check" and turned is not None:
        number = Number(turned / 360, label="turns forward")
        live = _Live(number, "Far enough: finish.", enough="whole") if enough else _Live(number)
    else:
        live = _live(context, view, enough=enough)
    return Guidance(
        (_ENDS[live.enough] if view.ends_by_itself else live.sentence) or how,
        _not_yet(context) or _coached(context) or ("It began by itself." if view.begun_by_itself else ""),
        live.tone,
        live.number,
        to_go_deg=left,
        verdict=live.verdict,
        button="Finish",
        action=Action("Finished.", finish=True),
        enough=live.enough,
    )


_ENDS: dict[Enough, str] = {
    "": "",
    "far": "Far enough: turn back until the gauge has moved, then hold still.",
    "whole": "Enough: hold still, it ends by itself.",
}


def _not_yet(context: GuideContext) -> str:
    error = context.centre.error if context.centre is not None else None
    return error["message"] if error else ""


def _wanted_deg(context: GuideContext) -> float:
    """The interval that a verdict wants."""
    return max(LEAST_WANTED_DEG, GOOD_SHARE * context.job.tolerance)


def _coached(context: GuideContext) -> str:
    return coaching(context.centre.outlook, _wanted_deg(context)) if context.centre is not None else ""


def _live(context: GuideContext, view: MeasurementView, *, enough: bool) -> _Live:
    result = context.centre.result if context.centre is not None else None
    if result is None:
        return _Live()
    if view.what == "tdc":
        return _live_tdc(context, result)
    return _live_lobe(context, view, result, enough=enough)


def tdc_is_enough(result: dict[str, Any], wanted_u95_deg: float) -> Enough:
    """Tell whether true TDC is told as well as is wanted, and was meant."""
    meant = len(result["passes"]) >= MEANT_PASSES
    return "whole" if meant and result["u95_deg"] <= wanted_u95_deg else ""


def lobe_is_enough(result: dict[str, Any], tolerance_deg: float, *, forward_only: bool) -> Enough:
    """Tell whether a lobe for which the crank was turned far enough can be held against a tolerance."""
    if result["u95_deg"] > tolerance_deg or sum(1 for one in result["passes"] if one["used"]) < 2:
        return ""
    return "whole" if forward_only or result.get("slack_deg") is not None else "far"


def _live_tdc(context: GuideContext, result: dict[str, Any]) -> _Live:
    number = Number(result["centre_deg"], "deg", "True TDC on the encoder", result["u95_deg"])
    if result["u95_deg"] > _wanted_deg(context):
        return _Live(number, tone="approach")
    words, enough = "It has settled: finish.", tdc_is_enough(result, _wanted_deg(context))
    return _Live(number, words, "on_the_number", enough=enough)


def _live_lobe(
    context: GuideContext, view: MeasurementView, result: dict[str, Any], *, enough: bool
) -> _Live:
    """The settling number in the card's words, and whether it is enough for the tolerance."""
    what = touched(context.job.engine, view.touches)
    offset = context.job.engine.firing_offset_deg(what.cylinder)
    side = "ATDC" if what.valve == "inlet" else "BTDC"
    full_lift = full_lift_of(what.lobe.valve, result["centre_deg"], offset)
    doubts = UNPROVEN & {one["code"] for one in result["warnings"]}
    label = f"{what.lobe.words.capitalize()}: centre {side}{', seen once' if 'seen_once' in doubts else ''}"
    number = Number(full_lift, "deg", label, result["u95_deg"])
    verdict = CANNOT_TELL_YET if doubts else _live_verdict(context, _as_fact(what.lobe, result))
    if enough and result["u95_deg"] > context.job.tolerance:
        return _Live(number, TOO_WIDE.format(context.job.tolerance), "approach", verdict)
    forward_only = context.job.engine.forward_only
    told = lobe_is_enough(result, context.job.tolerance, forward_only=forward_only)
    if enough and told:
        return _Live(number, far_enough(back=told == "far"), "on_the_number", verdict, told)
    return _Live(number, "", "approach", verdict)


def _as_fact(lobe: Lobe, result: dict[str, object]) -> LobeMeasured:
    """Give what a running measurement would be kept as, as far as a verdict needs it."""
    plain = {name: result[name] for name in ("centre_deg", "drop_mm", "u95_deg", "asymmetry_deg")}
    events = tuple(
        Event(**{name: one[name] for name in ("lift_mm", "opens_deg", "closes_deg", "duration_deg")})
        for one in result.get("events", [])  # type: ignore[attr-defined]
    )
    drops: tuple[DropCentre, ...] = ()
    return LobeMeasured(lobe.cylinder, lobe.valve, events=events, centres=drops, **plain)  # type: ignore[arg-type]


def _live_verdict(context: GuideContext, measured: LobeMeasured) -> str:
    try:
        error = lobe_error(context.job, measured)
    except NotComparable as why:
        return why.message
    tolerance = context.job.tolerance
    if error.u95_deg > tolerance and judge(error.error_deg, error.u95_deg, tolerance).call == "cannot_tell":
        return CANNOT_TELL_YET
    return early_or_late(error.error_deg)


# -- after: in, out, cannot tell


def _all_measured(context: GuideContext, step: StepState) -> bool:
    return step.kind != "lobe" and set(step.lobes) <= lobes_measured(context.job, context.facts, step.id)


def deciding(context: GuideContext, step: StepState) -> Guidance:
    """Give the guide where a cam is measured and somebody has to decide."""
    verdict = None if step.code else _verdict(context, step)
    if verdict is None:
        return _not_comparable(context, step)
    label = late_or_early(verdict.error_deg)
    choices = choices_of(context, step, verdict, _measure_again(step))
    told = told_of(context, step.cam, verdict, "Go on.")
    to_move = verdict.call == "out" or (verdict.call == "cannot_tell" and verdict.turns_needed is None)
    first = choices[0] if to_move else choices[2]
    led, held = (leading(context, step) if to_move else None) or (None, False)
    if led is not None and held:
        others = tuple(replace(one, action=replace(one.action, forget=True)) for one in choices[1:])
        return replace(led, button="", action=None, options=others)
    said = Guidance(
        f"Move it, leave it with a reason, or measure again.{_gauge_for_that(context, step)}",
        step.sentence,
        number=Number(abs(verdict.error_deg), "deg", label, verdict.u95_deg),
        verdict=early_or_late(verdict.error_deg),
        button=first.label,
        action=first.action,
        options=tuple(one for one in choices if one is not first),
        told=told,
    )
    if led is None:
        return said
    return replace(said, sentence=led.sentence, why=OR_ELSE, tone=led.tone, to_go_deg=led.to_go_deg)


def _verdict(context: GuideContext, step: StepState) -> Verdict | None:
    planned = context.planned(step.id)
    evidence = context.evidence
    after = max(evidence.touches(step.cam), default=0)
    try:
        error = error_of(evidence, step.cam, evidence.lobes(step.id, planned.lobes, after=after))
    except NotComparable:
        return None
    return judge(error.error_deg, error.u95_deg, context.job.tolerance)


def _not_comparable(context: GuideContext, step: StepState) -> Guidance:
    said = f"{step.why or step.sentence}{_gauge_for_that(context, step)}"
    return Guidance(said, tone="fault", button="Measure again", action=_measure_again(step))


def _gauge_for_that(context: GuideContext, step: StepState) -> str:
    """Say where the gauge belongs where a press begins at once: after the other valve it still stands on that one."""
    return "" if step.kind == "verdict" else f" {context.gauge_words(step.lobes[0].touches)} for that."


def _measure_again(step: StepState) -> Action:
    if step.kind == "verdict":
        return Action("To be measured again.", facts=((Decided(step.cam, "measure_again"), None),))
    return Action("Begun.", begin=step.lobes[0].touches)
