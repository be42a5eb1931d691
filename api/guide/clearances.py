"""Valve clearances: set as the card has them, which only a person can say; one press notes all of them."""

from __future__ import annotations

from analysis.job import StepState
from analysis.timing import ClearanceNoted, Lobe
from api.guide.guidance import Action, Guidance, GuideContext


def setting_clearances(context: GuideContext, step: StepState) -> Guidance:
    """Give the guide of the clearances: one press notes the card's for every valve that is still to be noted."""
    said = step.why or step.sentence
    if step.code:
        return Guidance(said, tone="fault")
    noted = on_the_card(context, step)
    if not noted:
        return Guidance(said, "Enter what was found on the job's page.")
    why = "As the card has them, in mm. A valve that differs is entered on the job's page."
    action = Action("Clearances noted.", facts=tuple((fact, None) for fact in noted))
    return Guidance(said, why, button=f"I have set them: {figures(noted)}", action=action)


def figures(noted: tuple[ClearanceNoted, ...]) -> str:
    """Say the clearances of the card, once for valves that are alike."""
    told = dict.fromkeys(f"{fact.valve} {fact.clearance_mm:.2f}" for fact in noted)
    return ", ".join(told)


def on_the_card(context: GuideContext, step: StepState) -> tuple[ClearanceNoted, ...]:
    """Give what the card says of every valve that is still to be noted; nothing where it does not say all of it."""
    facts = [_as_on_the_card(context, lobe) for lobe in _to_note(context, step)]
    return tuple(fact for fact in facts if fact is not None) if None not in facts else ()


def _to_note(context: GuideContext, step: StepState) -> list[Lobe]:
    noted = {
        Lobe(what.cylinder, what.valve) for _, what in context.evidence.counting(step.id, ClearanceNoted)
    }
    engine = context.job.engine
    wanted = [lobe for cam in engine.cams for lobe in engine.reference_lobes(cam)]
    return [lobe for lobe in wanted if lobe not in noted]


def _as_on_the_card(context: GuideContext, lobe: Lobe) -> ClearanceNoted | None:
    card = context.job.card.lobe(lobe.valve)
    if card is None or card.checking_clearance_mm is None:
        return None
    return ClearanceNoted(lobe.cylinder, lobe.valve, card.checking_clearance_mm)
