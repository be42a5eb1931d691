"""The job as a pure state machine: its state is a function of the job and the list of facts.

`state` tells where the job stands; `check` tells whether a new fact may be added, and raises `Blocked` with a
sentence when not; `added` makes the next fact. Nothing is changed here: the caller keeps the list, and only
ever adds to it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from analysis.base import Warn
from analysis.job import cam as procedure_cam
from analysis.job import closing as procedure_closing
from analysis.job import opening as procedure_opening
from analysis.job import room as procedure_room
from analysis.job.admission import admit
from analysis.job.checks import check_job
from analysis.job.evidence import Evidence
from analysis.job.opening import StepOutcome, zero_of
from analysis.job.state import (
    Blocked,
    CamStanding,
    Departure,
    JobState,
    LobeStanding,
    StepStanding,
    StepState,
)
from analysis.job.steps import Step, StepKind, plan
from analysis.timing import (
    Cam,
    Fact,
    Job,
    Lobe,
    LobeMeasured,
    NotComparable,
    OwnDecision,
    Payload,
    Skipped,
    full_lift_of,
    judge,
    lobe_error,
)

__all__ = [
    "Blocked",
    "JobState",
    "StepState",
    "check",
    "fact_added",
    "job_state",
    "plan",
]

_RULES: dict[StepKind, Callable[[Evidence, Step], StepOutcome]] = {
    "bench_check": procedure_opening.bench_check,
    "clearances": procedure_opening.clearances,
    "true_tdc": procedure_opening.true_tdc,
    "stroke": procedure_opening.stroke,
    "bank_tdc": procedure_opening.bank_tdc,
    "lobe": procedure_cam.lobe,
    "verdict": procedure_cam.verdict,
    "room": procedure_room.room,
    "correction": procedure_cam.correction,
    "nipped": procedure_cam.nipped,
    "torqued": procedure_cam.torqued,
    "again": procedure_cam.again,
    "cylinder": procedure_closing.cylinder,
    "tdc_again": procedure_opening.tdc_again,
    "valve_to_piston": procedure_closing.valve_to_piston,
    "sign_off": procedure_closing.sign_off,
}


def job_state(job: Job, facts: Sequence[Fact]) -> JobState:
    """Return where `job` stands after `facts`."""
    return _state_of(Evidence.of(job, facts))


def fact_added(job: Job, facts: Sequence[Fact], payload: Payload, *, at: str, by: str) -> Fact:
    """Return the next fact of the list once `check` has passed it; raises `Blocked`."""
    check(job, facts, payload, by=by)
    return Fact(facts[-1].number + 1 if facts else 1, at, by, payload)


def check(job: Job, facts: Sequence[Fact], payload: Payload, *, by: str) -> None:
    """Do nothing if `payload` may be added to `facts` by the builder `by`; otherwise raise `Blocked`."""
    evidence = Evidence.of(job, facts)
    admit(evidence, _state_of(evidence), payload, by)


def _state_of(evidence: Evidence) -> JobState:
    """Conclude every step from the facts that count, then the order among them."""
    outcomes = {step.id: _RULES[step.kind](evidence, step) for step in evidence.steps}
    zero, _, _ = zero_of(evidence)
    signature = evidence.signature()
    steps, now = _step_states(evidence, outcomes)
    return JobState(
        steps=steps,
        now=now,
        tdc_deg=None if zero is None else zero.tdc_deg,
        tdc_u95_deg=None if zero is None else zero.u95_deg,
        overlap_tdc_deg=procedure_opening.overlap_of(evidence),
        cams=tuple(_cam_standing(evidence, cam) for cam in evidence.job.engine.cams),
        findings=_findings(evidence, outcomes),
        departures=_departures(evidence, steps),
        signed_by="" if signature is None else signature.by,
        signed_at="" if signature is None else signature.at,
    )


def _findings(evidence: Evidence, outcomes: Mapping[str, StepOutcome]) -> tuple[Warn, ...]:
    of_steps = [warn for outcome in outcomes.values() for warn in outcome.warnings]
    return tuple(dict.fromkeys([*of_steps, *check_job(evidence.job, evidence.standing())]))


def _step_states(
    evidence: Evidence, outcomes: Mapping[str, StepOutcome]
) -> tuple[tuple[StepState, ...], str | None]:
    """Walk the steps in order: each may rest only on steps that are done or skipped."""
    states: list[StepState] = []
    passed: dict[str, str] = {}
    now: str | None = None
    for step in evidence.steps:
        in_the_way = [need for need in step.needs if need not in passed]
        standing, why = _standing(evidence, step, outcomes[step.id], in_the_way, now is None)
        if standing in {"done", "skipped"}:
            passed[step.id] = standing
        elif now is None and not in_the_way:
            now = step.id
        states.append(_step_state(step, outcomes[step.id], standing, why))
    return tuple(states), now


def _standing(
    evidence: Evidence, step: Step, outcome: StepOutcome, in_the_way: Sequence[str], may_be_now: bool
) -> tuple[StepStanding, str]:
    """A step that was left out counts as left out while nothing was found at it."""
    skip = evidence.skip(step)
    if skip is not None and (not outcome.done or not outcome.facts):
        return "skipped", skip[1]
    if in_the_way:
        first = next(other for other in evidence.steps if other.id == in_the_way[0])
        return "blocked", f"First: {first.title}."
    if outcome.done:
        return "done", ""
    if outcome.code:
        return "blocked", outcome.why
    return ("now" if may_be_now else "open"), ""


def _step_state(step: Step, outcome: StepOutcome, standing: StepStanding, why: str) -> StepState:
    """Put together what a step is and what became of it; a blocked one says what it would do, not what it found."""
    own_block = outcome.code if why and why == outcome.why else ""
    sentence = step.do if standing == "blocked" and not own_block else outcome.sentence
    return StepState(
        id=step.id,
        kind=step.kind,
        title=step.title,
        state=standing,
        sentence=sentence if standing != "skipped" else f"Skipped: {why}",
        gives=step.gives,
        needs=step.needs,
        cautions=step.cautions,
        cam=step.cam,
        cylinder=step.cylinder,
        lobes=step.lobes,
        may_skip=step.may_skip,
        why=why,
        code=own_block,
        may_override=bool(own_block) and outcome.may_override,
        facts=outcome.facts,
    )


def _cam_standing(evidence: Evidence, cam: Cam) -> CamStanding:
    """Every measurement of a cam's reference lobes, and what the newest of them say together."""
    lobes = evidence.job.engine.reference_lobes(cam)
    measured = tuple(
        _lobe_standing(evidence, cam, fact.number, fact.what)
        for fact in evidence.facts
        if isinstance(fact.what, LobeMeasured) and Lobe(fact.what.cylinder, fact.what.valve) in lobes
    )
    step = evidence.step(f"lobe.{cam.name}")
    assert step is not None  # every cam has one
    try:
        error = procedure_cam.error_of(evidence, cam.name, procedure_cam.position(evidence, step))
    except NotComparable as why:
        return CamStanding(cam.name, measured, None, None, why.message)
    verdict = error.verdict(evidence.job.tolerance)
    words = procedure_cam.words_of(evidence, error)
    left = error.separation_error_cam_deg
    return CamStanding(cam.name, measured, verdict, -error.error_deg, words, left)


def _lobe_standing(evidence: Evidence, cam: Cam, number: int, measured: LobeMeasured) -> LobeStanding:
    """One measurement against the card, or why the card cannot judge it."""
    offset = evidence.job.engine.firing_offset_deg(measured.cylinder)
    verdict, not_comparable = None, ""
    try:
        error = lobe_error(evidence.job, measured)
        verdict = judge(error.error_deg, error.u95_deg, evidence.job.tolerance)
    except NotComparable as why:
        not_comparable = why.message
    return LobeStanding(
        lobe=Lobe(measured.cylinder, measured.valve),
        fact=number,
        stage=evidence.stage_of(number, cam.name),
        full_lift_deg=full_lift_of(measured.valve, measured.centre_deg, offset),
        u95_deg=measured.u95_deg,
        drop_mm=measured.drop_mm,
        verdict=verdict,
        not_comparable=not_comparable,
        by_hand=measured.by_hand,
    )


def _departures(evidence: Evidence, steps: Sequence[StepState]) -> tuple[Departure, ...]:
    """Those that still stand: a step that was opened again takes its own back."""
    titles = {step.id: step.title for step in steps}
    skipped = {step.id for step in steps if step.state == "skipped"}
    found = []
    for fact in evidence.facts:
        what = fact.what
        after = evidence.opened_again.get(getattr(what, "step", ""), 0)
        if fact.number <= after:
            continue
        if isinstance(what, Skipped) and what.step in skipped:
            found.append(Departure(what.step, titles[what.step], what.reason, fact.by, fact.at))
        if isinstance(what, OwnDecision):
            found.append(Departure(what.step, titles[what.step], what.reason, fact.by, fact.at, what.code))
    return tuple(found)
