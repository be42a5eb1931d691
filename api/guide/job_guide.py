"""What the builder does now in a job: one sentence, one number, one way to go, one button.

Pure: made from a `GuideContext` and nothing else, so that the same moment always gives the same guide.
"""

from __future__ import annotations

from collections.abc import Callable

from analysis.job import EVERLASTING, STROKE_NEAR_TDC_DEG, StepState, fitting_up
from analysis.timing import StrokeFound, WentBack, nearest
from api.base import Choice, Guide
from api.guide.clearances import setting_clearances
from api.guide.following import asking, taking_back
from api.guide.guidance import Action, Guidance, GuideContext, Number, Tone, token_of
from api.guide.measuring import deciding, measuring
from api.guide.moving import moving
from api.guide.pistons import pushing
from api.guide.verdicts import card_words, over, was
from api.records import GuideStage

Rule = Callable[[GuideContext, StepState], Guidance]
FULL_CYCLE_DEG = 720.0


def guide_in(context: GuideContext) -> Guide:
    """Give the guide of this moment, as every screen is sent it."""
    guidance, step = guidance_in(context), context.step
    number, presses, told = guidance.number, guidance.action is not None, guidance.told
    running = context.measurement is not None and context.measurement.state == "running"
    press = f"/api/jobs/{context.job_id}/press?token={token_of(context)}"
    return Guide(
        job_id=context.job_id,
        step="Signed" if step is None else step.title,
        sentence=guidance.sentence,
        why=guidance.why,
        number=number.value,
        unit=number.unit,
        label=number.label,
        interval=number.interval,
        to_go_deg=guidance.to_go_deg,
        to_go_mm=guidance.to_go_mm,
        target_mm=guidance.target_mm,
        verdict=guidance.verdict,
        tone=guidance.tone,
        button=guidance.button if presses else "",
        action=press if presses else "",
        link=guidance.link,
        choices=[
            Choice(label=one.label, action=f"{press}&choice={place}", wants_reason=one.wants_reason)
            for place, one in enumerate(guidance.options, 1)
        ],
        move=guidance.move,
        call="" if told is None else told.call,
        headline="" if told is None else told.headline,
        was="" if step is None or running else was(context, step),
        card="" if step is None else card_words(context, step),
        job=context.job.reference,
        customer=context.job.customer,
        step_number=len(context.state.steps) if step is None else context.state.steps.index(step) + 1,
        steps=len(context.state.steps),
        hands_free=context.watch.on,
        cautions=[] if step is None or context.waiting else _cautions(context, step, running=running),
    )


def _cautions(context: GuideContext, step: StepState, *, running: bool) -> list[str]:
    """Give the step's cautions; what was read, and fitted, before the crank was turned is said no more."""
    said_before = {*EVERLASTING, *fitting_up(context.job.engine)} if running else set()
    return [caution for caution in step.cautions if caution not in said_before]


def guidance_in(context: GuideContext) -> Guidance:
    """Give what is said at this moment, and what the buttons would do."""
    return asking(context, taking_back(context, _of_step(context)))


def _of_step(context: GuideContext) -> Guidance:
    """What holds the step up comes before the step: the bench in trouble, a zero that does not stand."""
    step = context.step
    if step is None:
        return Guidance(_signed(context))
    if context.waiting:
        return Guidance("The measurement is being kept; a moment.")
    running = context.measurement is not None and context.measurement.state == "running"
    if running and not step.asks.measures:
        return measuring(context, step)
    if context.trouble and not running and step.asks.at_bench:
        return Guidance(context.trouble, tone="fault")
    if context.zero.state != "stands" and not running and step.asks.needs_zero:
        return _zero(context)
    said = measuring(context, step) if step.asks.measures else RULES[step.kind](context, step)
    return said if running else over(context, step, said)


def _zero(context: GuideContext) -> Guidance:
    """Nothing that rests on the zero goes on before it is proved to be where it was."""
    said = context.zero.sentence
    if context.zero.state == "moved":
        back = WentBack("true_tdc", f"The encoder's zero moved by {context.zero.off_deg:+.2f} deg.")
        action = Action("Gone back.", facts=((back, None),))
        return Guidance(said, tone="fault", button="Back to true TDC", action=action)
    part = f"piston_{context.job.engine.reference.lower()}"
    return Guidance(said, tone="fault", button="Start", action=Action("Begun.", begin=part))


def _signed(context: GuideContext) -> str:
    if not context.state.signed_by:
        return "Nothing is due in this job."
    return f"Signed by {context.state.signed_by}. The sheet is ready."


def _stroke(context: GuideContext, step: StepState) -> Guidance:
    """Lead to the next TDC; there, the valves tell which one it is."""
    if context.state.tdc_deg is None or context.crank is None:
        return Guidance(step.sentence, step.why)
    off = nearest(context.crank.deg - context.state.tdc_deg, 360.0)
    near = abs(off) <= STROKE_NEAR_TDC_DEG
    to_go = -off if near else (-off) % 360.0
    if context.job.engine.forward_only:
        to_go = max(to_go, 0.0)
    number = Number(abs(to_go), "deg", "to TDC")
    if not near:
        tone: Tone = "approach" if to_go < 90 else ""
        return Guidance(step.sentence, step.why, tone, number, to_go_deg=to_go)
    found = overlap_here(context.crank.deg, context.state.tdc_deg)
    return Guidance(
        f"Look at the {context.job.lifted}s of cylinder {step.cylinder}. Both rocking: press. Both "
        f"{'shut' if context.job.lifted == 'valve' else 'down'}: turn on one turn.",
        step.why,
        "on_the_number",
        number,
        to_go_deg=to_go,
        button=f"Both {context.job.lifted}s rocking: exhaust closing, inlet opening",
        action=Action("Overlap TDC noted.", facts=((found, {"crank_deg": context.crank.deg}),)),
    )


def overlap_here(crank_deg: float, tdc_deg: float) -> StrokeFound:
    """Give the overlap TDC, in the encoder's degrees, that the crank stands at or nearest to."""
    off = nearest(crank_deg - tdc_deg, 360.0)
    return StrokeFound((crank_deg - off) % FULL_CYCLE_DEG)


def _sign_off(context: GuideContext, step: StepState) -> Guidance:
    """First the sheet is read, as it stands now; then the job's builder signs it."""
    facts, stage = len(context.facts), context.stage_of(step.id)
    sheet = f"/api/jobs/{context.job_id}/sheet.html"
    read = Action("The sheet is open.", stage=GuideStage(step.id, "read", {"facts": facts}))
    if step.code:
        return Guidance(step.why, tone="fault")
    if stage is None or stage.body.get("facts") != facts:
        return Guidance(step.sentence, step.why, button="Read the sheet", action=read, link=sheet)
    if not context.job.builder:
        return Guidance(step.sentence, "The job names no builder: sign it on the job's page, with a name.")
    signed = Action(f"Signed by {context.job.builder}.", sign=True, forget=True)
    return Guidance(step.sentence, step.why, button=f"Sign as {context.job.builder}", action=signed)


RULES: dict[str, Rule] = {
    "clearances": setting_clearances,
    "stroke": _stroke,
    "verdict": deciding,
    "room": pushing,
    "correction": moving,
    "valve_to_piston": pushing,
    "sign_off": _sign_off,
}
