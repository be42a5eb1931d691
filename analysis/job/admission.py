"""Which fact may be added to a job now: every block of the procedure, each with its sentence."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from analysis.base import EntryError
from analysis.job.evidence import Evidence
from analysis.job.state import Blocked, JobState, StepState
from analysis.timing import (
    BenchChecked,
    ClearanceNoted,
    Decided,
    FittedUp,
    Lobe,
    LobeMeasured,
    Moved,
    Noted,
    OwnDecision,
    PartMeasured,
    Payload,
    PistonClearanceFound,
    SignedOff,
    Skipped,
    StrokeFound,
    TdcMeasured,
    Tightened,
    ValvesApartFound,
    WentBack,
    Withdrawn,
    cam_words,
)

MAY_BE_WITHDRAWN = (
    BenchChecked,
    FittedUp,
    ClearanceNoted,
    TdcMeasured,
    StrokeFound,
    LobeMeasured,
    Decided,
    Moved,
    Tightened,
    PistonClearanceFound,
    ValvesApartFound,
    Skipped,
    OwnDecision,
    Noted,
    PartMeasured,
)


def admit(evidence: Evidence, now: JobState, payload: Payload, by: str) -> None:
    """Do nothing if `payload` may be added; otherwise raise `Blocked` with a sentence."""
    if not by.strip():
        raise Blocked("no_name", "Nobody's name is given: say who does this, then do it again.")
    if now.signed_by and not isinstance(payload, WentBack | Noted):
        raise Blocked(
            "signed",
            f"This job was signed by {now.signed_by}, {now.signed_at}. Go back to a step, with a reason, to "
            "change it.",
            "sign_off",
        )
    try:
        _GATES[type(payload)](evidence, now, payload)
    except EntryError as mistake:
        raise Blocked(mistake.code, mistake.message) from None


def _bench(evidence: Evidence, now: JobState, what: BenchChecked) -> None:
    if len(what.gauge_signs) not in (0, len(what.gauges)):
        raise Blocked("gauge_signs", "Give one sign for each gauge, or none.", "bench_check")


def _fitted_up(evidence: Evidence, now: JobState, what: FittedUp) -> None:
    if not any(line.strip() for line in what.lines) or len(what.lines) > 20:
        raise Blocked("fitting_up_empty", "Say what is fitted up, in 1 to 20 lines.", "bench_check")


def _clearance(evidence: Evidence, now: JobState, what: ClearanceNoted) -> None:
    _known_lobe(evidence, what.cylinder, what.valve)
    if not 0 <= what.clearance_mm <= 2:
        raise Blocked(
            "clearance_impossible",
            f"{what.clearance_mm:g} mm cannot be a valve clearance. If it is in thou, 10 thou are 0.254 mm.",
            "clearances",
        )


def _tdc(evidence: Evidence, now: JobState, what: TdcMeasured) -> None:
    evidence.job.engine.firing_offset_deg(what.cylinder)
    _not_kept_twice(evidence, what)
    _has_interval(what.u95_deg)
    _needs_passed(now, "true_tdc")


def _stroke(evidence: Evidence, now: JobState, what: StrokeFound) -> None:
    _needs_passed(now, "stroke")


def _lobe(evidence: Evidence, now: JobState, what: LobeMeasured) -> None:
    cam = _known_lobe(evidence, what.cylinder, what.valve)
    _not_kept_twice(evidence, what)
    _has_interval(what.u95_deg)
    _needs_passed(now, f"lobe.{cam}")


def _decision(evidence: Evidence, now: JobState, what: Decided) -> None:
    step = now.step(f"verdict.{evidence.job.engine.cam(what.cam).name}")
    _needs_passed(now, step.id)
    standing = next(cam for cam in now.cams if cam.cam == what.cam)
    if what.decision == "correct" and standing.verdict is None:
        raise Blocked(
            "nothing_to_correct_by", f"There is no number to correct by: {standing.sentence}", step.id
        )
    in_tolerance = standing.verdict is not None and standing.verdict.call == "in"
    if what.decision == "leave" and not in_tolerance:
        _reason(what.reason, "Leaving a cam that is not proved to be in needs a reason.", step.id)


def _moved(evidence: Evidence, now: JobState, what: Moved) -> None:
    step = now.step(f"correction.{evidence.job.engine.cam(what.cam).name}")
    _needs_passed(now, step.id)
    _own_block(step)
    if step.state in {"done", "skipped"}:
        raise Blocked(
            "no_correction_asked",
            f"No correction of the {cam_words(what.cam)} is asked for. Measure it and decide to correct it first.",
            step.id,
        )


def _tightened(evidence: Evidence, now: JobState, what: Tightened) -> None:
    name = evidence.job.engine.cam(what.cam).name
    _needs_passed(now, f"{what.to}.{name}")
    if what.torque_nm is not None and what.torque_nm <= 0:
        raise Blocked("torque_impossible", "A torque is more than 0 Nm. Correct it.", f"{what.to}.{name}")


def _piston_clearance(evidence: Evidence, now: JobState, what: PistonClearanceFound) -> None:
    cam = _known_lobe(evidence, what.cylinder, what.valve)
    _needs_passed(now, f"verdict.{cam}")
    if what.minimum_mm <= 0:
        raise Blocked("minimum_impossible", "The least clearance allowed is more than 0 mm. Correct it.")


def _valves_apart(evidence: Evidence, now: JobState, what: ValvesApartFound) -> None:
    for valve in ("inlet", "exhaust"):
        _needs_passed(now, f"verdict.{_known_lobe(evidence, what.cylinder, valve)}")
    if what.minimum_mm <= 0:
        raise Blocked("minimum_impossible", "The least clearance allowed is more than 0 mm. Correct it.")


def _skip(evidence: Evidence, now: JobState, what: Skipped) -> None:
    step = now.step(what.step)
    if not step.may_skip:
        raise Blocked(
            "may_not_skip", _CANNOT_SKIP.get(step.kind, f"{step.title} cannot be skipped."), step.id
        )
    if step.state in {"done", "skipped"}:
        raise Blocked("already_passed", f"{step.title} is {step.state} already.", step.id)
    if step.code:
        _own_block(step)
    _reason(what.reason, "A skipped step needs a reason; it is printed on the sheet.", step.id)


_CANNOT_SKIP = {
    "true_tdc": "Without true TDC no cam angle has a zero. Measure it, or enter it by hand.",
    "stroke": "Without the stroke a cam may be a whole turn out. Look at the valves and note it.",
    "verdict": "A verdict is not skipped: leave the cam as it is, with a reason, or correct it.",
    "sign_off": "A job is signed or left unsigned; there is nothing to skip.",
}


def _back(evidence: Evidence, now: JobState, what: WentBack) -> None:
    step = now.step(what.step)
    if now.signed_by:
        _reason(what.reason, "Changing a signed job needs a reason; it is printed on the sheet.", step.id)


def _withdraw(evidence: Evidence, now: JobState, what: Withdrawn) -> None:
    fact = next((fact for fact in evidence.facts if fact.number == what.number), None)
    if fact is None:
        raise Blocked("no_such_fact", f"There is no entry {what.number}, or it was withdrawn already.")
    if not isinstance(fact.what, MAY_BE_WITHDRAWN):
        raise Blocked("may_not_withdraw", "This entry is not withdrawn; go back to its step instead.")
    _reason(what.reason, "Withdrawing an entry needs a reason; it stays in the list.", "")


def _own(evidence: Evidence, now: JobState, what: OwnDecision) -> None:
    step = now.step(what.step)
    if step.code != what.code or not what.code:
        raise Blocked("no_such_block", f"{step.title} is not blocked by {what.code or 'anything'}.", step.id)
    if not step.may_override:
        raise Blocked(step.code, f"{step.why} This cannot be gone past.", step.id)
    _reason(what.reason, "Going past this needs a reason; it is printed on the sheet.", step.id)


def _note(evidence: Evidence, now: JobState, what: Noted) -> None:
    _reason(what.text, "The note is empty: write it, or leave it.", what.step)


def _part(evidence: Evidence, now: JobState, what: PartMeasured) -> None:
    if not what.part.strip() or len(what.part) > 60:
        raise Blocked("part_without_name", "Name the part in 1 to 60 letters: No. 3 main journal.")
    if not 1 <= len(what.figures) <= 40:
        raise Blocked("part_without_number", "Give 1 to 40 numbers of the part.")


def _sign(evidence: Evidence, now: JobState, what: SignedOff) -> None:
    unfinished = [
        step for step in now.steps if step.state not in {"done", "skipped"} and step.id != "sign_off"
    ]
    if unfinished:
        first = unfinished[0]
        raise Blocked(
            "unfinished",
            f"{len(unfinished)} step(s) are neither done nor skipped, the first: {first.title}. "
            f"{first.why or first.sentence}",
            first.id,
            first.may_override,
        )


def _known_lobe(evidence: Evidence, cylinder: str, valve: Any) -> str:
    return evidence.job.engine.cam_of(Lobe(cylinder, valve)).name


def _not_kept_twice(evidence: Evidence, what: TdcMeasured | LobeMeasured) -> None:
    """One measurement may hold several lobes and TDC, from gauges logged together; each is kept once."""
    for fact in evidence.facts:
        kept = fact.what
        if not isinstance(kept, TdcMeasured | LobeMeasured) or not what.measurement_id:
            continue
        if (kept.measurement_id, kept.cylinder, _valve(kept)) == (
            what.measurement_id,
            what.cylinder,
            _valve(what),
        ):
            raise Blocked(
                "already_kept",
                f"This measurement was already kept by {fact.by}, {fact.at}; nothing is lost.",
            )


def _valve(what: TdcMeasured | LobeMeasured) -> str:
    return what.valve if isinstance(what, LobeMeasured) else ""


def _has_interval(u95_deg: float) -> None:
    if u95_deg <= 0:
        raise Blocked("no_interval", "A measurement without its interval proves nothing. Give its interval.")


def _needs_passed(now: JobState, step_id: str) -> None:
    step = now.step(step_id)
    for need in step.needs:
        other = now.step(need)
        if other.state not in {"done", "skipped"}:
            raise Blocked(
                other.code or "not_yet",
                f"{step.title} comes after {other.title}. {other.why or other.sentence}",
                other.id,
                other.may_override,
            )


def _own_block(step: StepState) -> None:
    if step.code:
        raise Blocked(step.code, step.why, step.id, step.may_override)


def _reason(words: str, sentence: str, step_id: str) -> None:
    if sum(letter.isalpha() for letter in words) < 3:
        raise Blocked("no_reason", sentence, step_id)


_GATES: dict[type, Callable[[Evidence, JobState, Any], None]] = {
    BenchChecked: _bench,
    FittedUp: _fitted_up,
    ClearanceNoted: _clearance,
    TdcMeasured: _tdc,
    StrokeFound: _stroke,
    LobeMeasured: _lobe,
    Decided: _decision,
    Moved: _moved,
    Tightened: _tightened,
    PistonClearanceFound: _piston_clearance,
    ValvesApartFound: _valves_apart,
    Skipped: _skip,
    WentBack: _back,
    Withdrawn: _withdraw,
    OwnDecision: _own,
    Noted: _note,
    PartMeasured: _part,
    SignedOff: _sign,
}
