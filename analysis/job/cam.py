"""When the steps of one cam are done: lobe, verdict, correction, nipped up, torqued, measured once more."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import pairwise
from math import hypot, inf

from analysis.base import Warn
from analysis.job.apart import clear_of_valve, too_near
from analysis.job.evidence import Evidence
from analysis.job.opening import StepOutcome
from analysis.job.steps import Step
from analysis.timing import (
    CamError,
    Lobe,
    LobeMeasured,
    NotComparable,
    PistonClearanceFound,
    cam_error,
    early_or_late,
    nearest,
)

Found = Mapping[Lobe, tuple[int, LobeMeasured]]


def lobe(evidence: Evidence, step: Step) -> StepOutcome:
    """Done when every lobe that times this cam is measured before it is moved."""
    found = as_found(evidence, step)
    facts = numbers_of(found)
    if missing := still_to_measure(step, found):
        return StepOutcome(False, missing, facts)
    again = evidence.decision(step.id, step.cam, max(facts))
    if again is not None and again[1].decision == "measure_again":
        return StepOutcome(False, f"To be measured again. {step.do}", facts)
    return StepOutcome(True, "Measured as found.", facts)


def still_to_measure(step: Step, found: Found) -> str:
    """Say what to do, and of several lobes which are left where one is measured; empty where all are."""
    missing = [one.words for one in step.lobes if one not in found]
    if not missing or len(missing) == len(step.lobes):
        return step.do if missing else ""
    return f"{step.do} Still to measure: {'; '.join(missing)}."


def as_found(evidence: Evidence, step: Step) -> Found:
    """Return the newest measurements of the cam's lobes before it was first moved or tightened."""
    lobe_step = f"lobe.{step.cam}"
    after = evidence.opened_again.get(lobe_step, 0)
    touches = [number for number in evidence.touches(step.cam) if number > after]
    return evidence.lobes(lobe_step, step.lobes, before=min(touches, default=inf))


def position(evidence: Evidence, step: Step) -> Found:
    """Return the newest measurements of the cam's lobes since it was last moved or tightened."""
    return evidence.lobes(f"lobe.{step.cam}", step.lobes, after=max(evidence.touches(step.cam), default=0))


def numbers_of(found: Found) -> tuple[int, ...]:
    """Return the fact numbers of measurements."""
    return tuple(sorted(number for number, _ in found.values()))


def error_of(evidence: Evidence, cam: str, found: Found) -> CamError:
    """Return the cam's error from measurements; raises `NotComparable`."""
    return cam_error(evidence.job, evidence.job.engine.cam(cam), [what for _, what in found.values()])


def words_of(evidence: Evidence, error: CamError) -> str:
    """Return a verdict in words, with each lobe and what the grinder left where one cam carries both."""
    sentence = error.verdict(evidence.job.tolerance).sentence
    if len(error.lobes) < 2 or error.separation_error_cam_deg is None:
        return sentence
    each = "; ".join(f"{one.valve} {early_or_late(found.error_deg)}" for one, found in error.lobes)
    left = error.separation_error_cam_deg
    return f"{sentence} {each.capitalize()}. Lobe separation {left:+.1f} cam deg off the card."


def verdict(evidence: Evidence, step: Step) -> StepOutcome:
    """Done when the cam is in, or the builder has decided."""
    gone_back = step.id in evidence.opened_again
    found = position(evidence, step) if gone_back else as_found(evidence, step)
    facts = numbers_of(found)
    try:
        error = error_of(evidence, step.cam, found)
    except NotComparable as why:
        left = evidence.decision(step.id, step.cam, max(facts, default=0))
        if facts and left is not None and left[1].decision == "leave":
            return StepOutcome(True, f"{why.message} Left as it is: {left[1].reason}.", (*facts, left[0]))
        return StepOutcome(False, step.do, facts, why.code, why.message)
    return _decided(evidence, step, error, facts)


def _decided(evidence: Evidence, step: Step, error: CamError, facts: tuple[int, ...]) -> StepOutcome:
    """Done where it is in, or was decided; "measure again" leaves it to be done."""
    sentence = words_of(evidence, error)
    decision = evidence.decision(step.id, step.cam, max(facts))
    if decision is not None and decision[1].decision != "measure_again":
        number, what = decision
        words = "To be corrected." if what.decision == "correct" else f"Left as it is: {what.reason}."
        return StepOutcome(True, f"{sentence} {words}", (*facts, number))
    if decision is not None:
        return StepOutcome(False, f"{sentence} To be measured again.", facts)
    if error.verdict(evidence.job.tolerance).call == "in":
        return StepOutcome(True, sentence, facts)
    return StepOutcome(
        False, f"{sentence} Decide: correct it, leave it with a reason, or measure again.", facts
    )


def correction(evidence: Evidence, step: Step) -> StepOutcome:
    """Done when nothing is to be corrected, or the cam was moved after that was decided."""
    decision = evidence.decision(f"verdict.{step.cam}", step.cam)
    moved = evidence.moved(step.id, step.cam)
    if decision is None or decision[1].decision != "correct":
        return StepOutcome(True, "Moved." if moved else "Nothing to correct.", (moved,) if moved else ())
    if moved > decision[0]:
        return StepOutcome(True, "Moved; now prove it.", (moved,))
    found = position(evidence, step)
    if len(found) < len(step.lobes):
        why = (
            "The cam was touched after it was last measured: where it stands is not known. Measure it first."
        )
        return StepOutcome(False, step.do, (), "position_unknown", why)
    try:
        error = error_of(evidence, step.cam, found)
    except NotComparable as why_not:
        return StepOutcome(False, step.do, numbers_of(found), why_not.code, why_not.message)
    return _to_move(evidence, step, error, found, decision[0])


def _to_move(evidence: Evidence, step: Step, error: CamError, found: Found, decided: int) -> StepOutcome:
    way = "earlier" if error.error_deg > 0 else "later"
    size = abs(error.error_deg)
    sentence = f"Make it {size:.1f} deg {way} ({size / 2:.1f} cam deg). {step.do}"
    facts = numbers_of(found)
    warning = piston_warning(evidence, step, found, -error.error_deg)
    if warning is None:
        return StepOutcome(False, sentence, facts)
    if evidence.own_decision(step.id, warning.code, decided):
        return StepOutcome(False, sentence, facts, warnings=(warning,))
    return StepOutcome(False, sentence, facts, warning.code, warning.message, True, (warning,))


def piston_warning(evidence: Evidence, step: Step, found: Found, shift_deg: float) -> Warn | None:
    """Return a warning where shifting the cam from `found` (positive = later) brings a valve too near.

    The table speaks of the cam as it stood then; how far it has moved since is told by the lobe's centres.
    """
    for one, (_, now) in found.items():
        clear = as_moved_from(evidence, step, one, now)
        warning = None if clear is None else _too_near(one, clear[0], shift_deg + clear[1])
        if warning is not None:
            return warning
    other = clear_of_valve(evidence, step)
    if other is None:
        return None
    whole = shift_deg + other[1]
    return too_near(other[0], least_when_shifted(other[0], whole), whole)


def as_moved_from(
    evidence: Evidence, step: Step, one: Lobe, now: LobeMeasured
) -> tuple[PistonClearanceFound, float] | None:
    """Return a lobe's valve-to-piston finding, and how far its cam has moved since, positive = later."""
    known = evidence.clearance(one)
    then = None if known is None else _measured_before(evidence, step, one, known[0])
    if known is None or then is None:
        return None
    return known[1], nearest(now.centre_deg - then.centre_deg)


def _measured_before(evidence: Evidence, step: Step, one: Lobe, number: int) -> LobeMeasured | None:
    touched = max((n for n in evidence.touches(step.cam) if n < number), default=0)
    return evidence.measured_between(one, touched, number)


def _too_near(one: Lobe, clearance: PistonClearanceFound, shift_deg: float) -> Warn | None:
    """Warn of a move that leaves a valve nearer to its piston than is allowed, or of which that is not known."""
    least = least_when_shifted(clearance, shift_deg)
    if least is None:
        return Warn(
            "piston_clearance_unknown",
            f"The table of valve-to-piston clearance for {one.words} does not reach {shift_deg:+.1f} deg. "
            "Work it out that far before the cam is moved.",
        )
    if least - clearance.u95_mm >= clearance.minimum_mm:
        return None
    return Warn(
        "piston_clearance",
        f"That would leave the {one.valve} valve {least:.2f} mm from the piston, give or take "
        f"{clearance.u95_mm:.2f}; the least allowed is {clearance.minimum_mm:.2f} mm "
        f"({clearance.minimum_from}). Do not make this correction.",
    )


def least_when_shifted(clearance: PistonClearanceFound, shift_deg: float) -> float | None:
    """Return the least clearance with the cam shifted, straight between the lines of the table.

    `None` where the table does not reach that far.
    """
    rows = {row.shift_deg: row.least_mm for row in clearance.table} | {0.0: clearance.least_mm}
    if shift_deg in rows:
        return rows[shift_deg]
    for left, right in pairwise(sorted(rows)):
        if left < shift_deg < right:
            return rows[left] + (rows[right] - rows[left]) * (shift_deg - left) / (right - left)
    return None


def nipped(evidence: Evidence, step: Step) -> StepOutcome:
    """Done when the moved cam was nipped up, measured, and is in or left with a reason."""
    return _proved(evidence, step, "nipped")


def torqued(evidence: Evidence, step: Step) -> StepOutcome:
    """Done when the cam was torqued, measured again, and is in or left with a reason."""
    return _proved(evidence, step, "torqued")


def _proved(evidence: Evidence, step: Step, to: str) -> StepOutcome:
    """Done once every lobe was measured after the last tightening; a cam that was not moved needs none of it."""
    moved = evidence.moved(f"correction.{step.cam}", step.cam)
    tight = evidence.tightened(step.id, step.cam, to)
    if not moved and not tight:
        return StepOutcome(True, "Not moved: what was measured stands.")
    if tight < moved or not tight:
        return StepOutcome(False, step.do)
    found = _measured_after(evidence, step, tight)
    missing = [one.words for one in step.lobes if one not in found]
    if missing:
        return StepOutcome(
            False, f"{to.capitalize()}. Turn forward four full turns and measure {' and '.join(missing)}."
        )
    return _judged_again(evidence, step, found, _before_tightening(evidence, step, tight))


def _before_tightening(evidence: Evidence, step: Step, tight: int) -> Found:
    if step.kind != "torqued":
        return {}
    touched = max((number for number in evidence.touches(step.cam) if number < tight), default=0)
    return evidence.lobes(f"lobe.{step.cam}", step.lobes, after=touched, before=tight)


def _measured_after(evidence: Evidence, step: Step, tight: int) -> Found:
    """What was measured after a tightening and before anything else was touched; failing that, since then.

    What is measured after the torque does not prove the nipping up before it, and what is measured after
    another cam was moved is that cam's doing.
    """
    later = [n for cam in evidence.job.engine.cams for n in evidence.touches(cam.name) if n > tight]
    found = evidence.lobes(step.id, step.lobes, after=tight, before=min(later, default=inf))
    if len(found) == len(step.lobes):
        return found
    own = [number for number in evidence.touches(step.cam) if number > tight]
    return evidence.lobes(step.id, step.lobes, after=tight, before=min(own, default=inf))


def _judged_again(evidence: Evidence, step: Step, found: Found, before: Found) -> StepOutcome:
    warnings = _moved_since(step, found, before)
    said = " ".join(warning.message for warning in warnings)
    facts = numbers_of(found)
    try:
        error = error_of(evidence, step.cam, found)
    except NotComparable as why:
        return StepOutcome(True, f"{said} {why.message}".strip(), facts, warnings=warnings)
    outcome = _decided(evidence, step, error, facts)
    return StepOutcome(outcome.done, f"{said} {outcome.sentence}".strip(), outcome.facts, warnings=warnings)


def _moved_since(step: Step, found: Found, before: Found) -> tuple[Warn, ...]:
    """Return a warning for every lobe that stands elsewhere than in its measurement before."""
    code, cause = (
        ("tightening_moved", "Tightening") if step.kind == "torqued" else ("moved_since", "Something")
    )
    warnings = []
    for one, (_, now) in found.items():
        then = before[one][1] if one in before else None
        if then is None or then.drop_mm != now.drop_mm:
            continue
        change = nearest(now.centre_deg - then.centre_deg)
        if abs(change) > hypot(now.u95_deg, then.u95_deg):
            moved = (
                early_or_late(change).replace(" deg early", " deg earlier").replace(" deg late", " deg later")
            )
            warnings.append(Warn(code, f"{cause} moved {one.words}: it is {moved} than measured before."))
    return tuple(warnings)


def again(evidence: Evidence, step: Step) -> StepOutcome:
    """Done when the cam was measured since any other cam was touched, and is in or left with a reason."""
    others = [cam.name for cam in evidence.job.engine.cams if cam.name != step.cam]
    after = max((n for name in others for n in evidence.touches(name)), default=0)
    if not after and step.id not in evidence.opened_again:
        return StepOutcome(True, "No other cam was touched.")
    own = max(evidence.touches(step.cam), default=0)
    found = evidence.lobes(step.id, step.lobes, after=max(after, own))
    if missing := still_to_measure(step, found):
        return StepOutcome(False, missing)
    before = evidence.lobes(f"lobe.{step.cam}", step.lobes, after=own, before=after)
    return _judged_again(evidence, step, found, before)
