"""What a step of a job wants measured: its piston, or the lobes that are left, in order."""

from __future__ import annotations

from collections.abc import Sequence

from analysis.job import Evidence, Step, StepState, as_found
from analysis.timing import Engine, Fact, Job, Lobe


def piston_of(engine: Engine, step: StepState) -> str:
    """Give the cylinder whose true TDC a step measures: the reference's, but for another bank's own."""
    return step.cylinder or engine.reference


def lobes_left(job: Job, facts: Sequence[Fact], step_id: str) -> tuple[Lobe, ...]:
    """Give the lobes that `step_id` wants and that were not measured for it yet.

    A step whose lobes are all measured and that is not done wants them all once more.
    """
    step = Evidence.of(job, facts).step(step_id)
    if step is None:
        return ()
    measured = lobes_measured(job, facts, step_id)
    left = tuple(lobe for lobe in step.lobes if lobe not in measured)
    return left or step.lobes


def lobes_measured(job: Job, facts: Sequence[Fact], step_id: str) -> set[Lobe]:
    """Give the lobes whose measurement counts for `step_id`."""
    evidence = Evidence.of(job, facts)
    step = evidence.step(step_id)
    return set() if step is None else _measured(evidence, step)


def _measured(evidence: Evidence, step: Step) -> set[Lobe]:
    if step.kind == "lobe":
        return _as_found(evidence, step)
    if step.kind == "cylinder":
        return {lobe for lobe in step.lobes if _since_touched(evidence, step, lobe)}
    others = step.kind == "again"
    cams = [cam.name for cam in evidence.job.engine.cams] if others else [step.cam]
    after = max((number for cam in cams for number in evidence.touches(cam)), default=0)
    return set(evidence.lobes(step.id, step.lobes, after=after))


def _as_found(evidence: Evidence, step: Step) -> set[Lobe]:
    """What was measured before a decision to measure again counts no more."""
    decision = evidence.decision(step.id, step.cam)
    since = decision[0] if decision is not None and decision[1].decision == "measure_again" else 0
    return {lobe for lobe, (number, _) in as_found(evidence, step).items() if number > since}


def _since_touched(evidence: Evidence, step: Step, lobe: Lobe) -> bool:
    cam = evidence.job.engine.cam_of(lobe).name
    return bool(evidence.lobes(step.id, (lobe,), after=max(evidence.touches(cam), default=0)))
