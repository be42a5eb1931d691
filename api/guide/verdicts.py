"""The verdict that takes over the screen after a measurement that was compared, and what beside a number says its card."""

from __future__ import annotations

from dataclasses import replace

from analysis.job import CamStanding, StepState
from analysis.moving import correction_for
from analysis.timing import (
    Decided,
    Lobe,
    LobeMeasured,
    Noted,
    PartMeasured,
    Verdict,
    expected_crank_deg,
    full_lift_of,
    full_lift_words,
    late_or_early,
)
from api.guide.guidance import FITTED_KINDS, Action, CamVerdict, Guidance, GuideContext, Number, Option
from api.jobs import touched


def error_words(error_deg: float) -> str:
    """Give an error as it is shouted: crank degrees alone."""
    if round(abs(error_deg), 1) == 0:
        return "on it"
    return f"{abs(error_deg):.1f} deg {late_or_early(error_deg)}"


def move_words(context: GuideContext, cam_name: str, error_deg: float) -> str:
    """Give direction and amount of the move that takes an error away."""
    cam = context.job.engine.cam(cam_name)
    correction = correction_for(context.job.engine, cam, error_deg)
    way = correction.make if cam.adjuster.kind in FITTED_KINDS else correction.cam_turn
    return f"{correction.cam_deg:.1f} cam deg {way}"


def told_of(context: GuideContext, cam: str, verdict: Verdict, then: str) -> CamVerdict:
    """Give a verdict as it takes over the screen; `then` is what to do where the cam is in."""
    found, allowed = error_words(verdict.error_deg), f"± {verdict.tolerance_deg:g}"
    if verdict.call == "in":
        said = f"IN. {found[0].upper()}{found[1:]} of {allowed}. {then}"
    elif verdict.call == "out":
        said = f"OUT. {found[0].upper()}{found[1:]}. Move it {move_words(context, cam, verdict.error_deg)}."
    else:
        more = f"Measure again, about {verdict.turns_needed} turns." if verdict.turns_needed else "Decide."
        said = f"CANNOT TELL. {found[0].upper()}{found[1:]}, give or take {verdict.u95_deg:.1f}, of {allowed}. {more}"
    return CamVerdict(verdict.call, said, verdict.error_deg, verdict.u95_deg)


def choices_of(context: GuideContext, step: StepState, verdict: Verdict, again: Action) -> tuple[Option, ...]:
    """Give all three choices of a verdict: move, leave with a reason, measure again."""
    leave = Action("Left as it is.", facts=((Decided(step.cam, "leave"), None),))
    move = Action("To be corrected.", facts=((Decided(step.cam, "correct"), None),))
    words = f"Move it {move_words(context, step.cam, verdict.error_deg)}"
    return (
        Option(words, move),
        Option("Leave it, with a reason", leave, wants_reason=True),
        Option("Measure again", again),
    )


def with_reason(action: Action, reason: str) -> Action:
    """Put the reason that was given into what an action decides."""
    facts = tuple(
        (replace(what, reason=reason) if isinstance(what, Decided) else what, source)
        for what, source in action.facts
    )
    return replace(action, facts=facts)


def just_measured(context: GuideContext) -> tuple[Lobe, CamStanding] | None:
    """Give the lobe that was measured last and where its cam stands, while nothing was done since."""
    facts = [fact.what for fact in context.evidence.facts if not isinstance(fact.what, Noted | PartMeasured)]
    last = facts[-1] if facts else None
    if not isinstance(last, LobeMeasured):
        return None
    lobe = Lobe(last.cylinder, last.valve)
    name = context.job.engine.cam_of(lobe).name
    return lobe, next(one for one in context.state.cams if one.cam == name)


def over(context: GuideContext, step: StepState, guidance: Guidance) -> Guidance:
    """Let the verdict of a cam that is in take over the next step's words, until something else is done.

    What is out or cannot be told is decided in its own step, which says so itself.
    """
    measured = just_measured(context)
    if guidance.told is not None or measured is None or measured[1].verdict is None:
        return guidance
    lobe, standing = measured
    verdict = standing.verdict
    if verdict is None or verdict.call != "in" or lobe.cylinder != context.job.engine.reference:
        return guidance
    again = Option("Measure again", Action("Begun.", begin=lobe.touches))
    then = "Torque it." if step.kind == "torqued" and step.cam == standing.cam else "It stays."
    return replace(
        guidance,
        told=told_of(context, standing.cam, verdict, then),
        number=Number(abs(verdict.error_deg), "deg", late_or_early(verdict.error_deg), verdict.u95_deg),
        options=(*guidance.options, again),
    )


def was(context: GuideContext, step: StepState) -> str:
    """Say what the last number was, where the cam was touched since and it is proved no more."""
    if not step.cam:
        return ""
    standing = next(one for one in context.state.cams if one.cam == step.cam)
    last = standing.measured[-1] if standing.measured else None
    touched_at = max(context.evidence.touches(step.cam), default=0)
    if last is None or last.verdict is None or last.fact > touched_at:
        return ""
    return f"was {error_words(last.verdict.error_deg)}; now unproved"


def card_words(context: GuideContext, step: StepState) -> str:
    """Say what the card wants of the lobe in hand, and within what; empty where no lobe is in hand."""
    lobe = _lobe_in_hand(context, step)
    if lobe is None:
        return ""
    allowed = f"± {context.job.tolerance:g} deg"
    at = expected_crank_deg(context.job, lobe)
    if at is None:
        return f"Tolerance {allowed}"
    wanted = full_lift_of(lobe.valve, at, context.job.engine.firing_offset_deg(lobe.cylinder))
    return f"Card: {lobe.valve} {full_lift_words(lobe.valve, wanted)}, {allowed}"


def _lobe_in_hand(context: GuideContext, step: StepState) -> Lobe | None:
    """The lobe that is spoken of: being measured, else what times the cam, else just measured, else the first."""
    view = context.measurement
    if view is not None and view.state == "running":
        what = touched(context.job.engine, view.touches)
        return None if what.valve is None else what.lobe
    measured = just_measured(context)
    if step.kind == "verdict":  # of the lobe that times the cam, whichever was measured last
        standing = next(one for one in context.state.cams if one.cam == step.cam)
        return standing.measured[-1].lobe if standing.measured else step.lobes[0]
    if measured is not None:
        return measured[0]
    return step.lobes[0] if step.lobes and step.kind != "valve_to_piston" else None
