"""When the last steps of a job are done: other cylinders, valve to piston, sign-off."""

from __future__ import annotations

from analysis.base import Warn
from analysis.clearance import valves_apart_words
from analysis.job.apart import ASK, can_meet
from analysis.job.cam import still_to_measure
from analysis.job.evidence import Evidence
from analysis.job.opening import StepOutcome
from analysis.job.steps import Step
from analysis.timing import (
    Lobe,
    LobeMeasured,
    NotComparable,
    PistonClearanceFound,
    ValvesApartFound,
    early_or_late,
    lobe_error,
)


def cylinder(evidence: Evidence, step: Step) -> StepOutcome:
    """Done when every lobe of the cylinder is measured since its cam was last touched."""
    found: dict[Lobe, tuple[int, LobeMeasured]] = {}
    for one in step.lobes:
        found |= evidence.lobes(step.id, (one,), after=_last_touch(evidence, one))
    facts = tuple(number for number, _ in found.values())
    if missing := still_to_measure(step, found):
        return StepOutcome(False, missing, facts)
    said = "; ".join(f"{one.valve} {_error_words(evidence, what)}" for one, (_, what) in found.items())
    return StepOutcome(True, f"{said.capitalize()}.", facts)


def _last_touch(evidence: Evidence, one: Lobe) -> int:
    return max(evidence.touches(evidence.job.engine.cam_of(one).name), default=0)


def _error_words(evidence: Evidence, measured: LobeMeasured) -> str:
    try:
        return early_or_late(lobe_error(evidence.job, measured).error_deg)
    except NotComparable as why:
        return why.message.rstrip(".")


def valve_to_piston(evidence: Evidence, step: Step) -> StepOutcome:
    """Done when the clearance of both valves is known since their cams were last touched, and is enough."""
    known = {one: found for one in step.lobes if (found := _since_touched(evidence, step, one)) is not None}
    missing = [one.words for one in step.lobes if one not in known]
    facts = tuple(number for number, _ in known.values())
    if missing:
        return StepOutcome(False, f"{step.do} Still to do: {'; '.join(missing)}.", facts)
    said = " ".join(clearance_words(what) for _, what in known.values())
    near = [one for one, (_, what) in known.items() if what.least_mm - what.u95_mm < what.minimum_mm]
    if can_meet(evidence, step):
        apart = _apart_since_touched(evidence, step)
        if apart is None:
            return StepOutcome(False, f"{said} {ASK}", facts)
        facts += (apart[0],)
        said += f" {valves_apart_words(apart[1])}"
        if apart[1].least_mm - apart[1].u95_mm < apart[1].minimum_mm:
            near.append(step.lobes[0])
    if not near:
        return StepOutcome(True, said, facts)
    return _too_near(evidence, step, facts, said)


def _since_touched(evidence: Evidence, step: Step, one: Lobe) -> tuple[int, PistonClearanceFound] | None:
    found = evidence.clearance(one)
    after = max(_last_touch(evidence, one), evidence.opened_again.get(step.id, 0))
    return found if found is not None and found[0] > after else None


def _apart_since_touched(evidence: Evidence, step: Step) -> tuple[int, ValvesApartFound] | None:
    found = evidence.valves_apart(step.cylinder)
    after = max(*(_last_touch(evidence, one) for one in step.lobes), evidence.opened_again.get(step.id, 0))
    return found if found is not None and found[0] > after else None


def clearance_words(found: PistonClearanceFound) -> str:
    """Return a valve-to-piston finding in one sentence."""
    return (
        f"{found.valve.capitalize()} valve: least {found.least_mm:.2f} mm, give or take {found.u95_mm:.2f}; "
        f"wanted {found.minimum_mm:.2f} ({found.minimum_from})."
    )


def _too_near(evidence: Evidence, step: Step, facts: tuple[int, ...], said: str) -> StepOutcome:
    why = f"{said} That is under the least allowed, or cannot be told from it. Do not turn it under power."
    passed = evidence.own_decision(step.id, "under_minimum", max(facts))
    warning = Warn("under_minimum", why)
    return StepOutcome(passed, said, facts, "" if passed else "under_minimum", why, True, (warning,))


def sign_off(evidence: Evidence, step: Step) -> StepOutcome:
    """Done when signed."""
    signature = evidence.signature()
    if signature is None:
        return StepOutcome(False, step.do)
    return StepOutcome(True, f"Signed by {signature.by}, {signature.at}.", (signature.number,))
