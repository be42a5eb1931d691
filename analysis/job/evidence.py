"""Which facts of a job count, and for which step: what was withdrawn or gone back over counts no more."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal, TypeVar

from analysis.job.steps import Step, plan
from analysis.timing import (
    Decided,
    Fact,
    Job,
    Lobe,
    LobeMeasured,
    Moved,
    OwnDecision,
    PistonClearanceFound,
    SignedOff,
    Skipped,
    TdcMeasured,
    Tightened,
    ValvesApartFound,
    WentBack,
    Withdrawn,
    told_from_own_tdc,
)

P = TypeVar("P")
LobeStage = Literal["as_found", "moved", "nipped", "torqued"]


@dataclass(frozen=True, slots=True)
class Evidence:
    """The facts of a job, ready to be asked.

    Attributes
    ----------
    as_entered
        The job before the TDCs measured on its banks were counted in.
    steps
        The plan of the job.
    facts
        Facts that were not withdrawn, in order.
    opened_again
        For each step, the number of the last going back over it; only later facts count for it.
    """

    job: Job
    as_entered: Job
    steps: tuple[Step, ...]
    facts: tuple[Fact, ...]
    opened_again: dict[str, int] = field(default_factory=dict)

    @classmethod
    def of(cls, job: Job, facts: Sequence[Fact]) -> Evidence:
        """Return the evidence of a list of facts."""
        gone = {fact.what.number for fact in facts if isinstance(fact.what, Withdrawn)}
        steps = plan(job)
        left = tuple(fact for fact in facts if fact.number not in gone)
        return cls(told_from_own_tdc(job, left), job, steps, left, _opened_again(steps, left))

    def step(self, step_id: str) -> Step | None:
        """Return the planned step, `None` where there is none of that name."""
        return next((step for step in self.steps if step.id == step_id), None)

    def counting(self, step_id: str, kind: type[P]) -> list[tuple[int, P]]:
        """Return number and payload of the facts of one kind that count for a step, in order."""
        after = self.opened_again.get(step_id, 0)
        return [
            (fact.number, fact.what)
            for fact in self.facts
            if fact.number > after and isinstance(fact.what, kind)
        ]

    def last(
        self, step_id: str, kind: type[P], wanted: Callable[[P], bool] = lambda _: True
    ) -> tuple[int, P] | None:
        """Return the newest fact of one kind that counts for a step."""
        found = [(number, what) for number, what in self.counting(step_id, kind) if wanted(what)]
        return found[-1] if found else None

    def standing(self) -> tuple[Fact, ...]:
        """Return the facts whose measurements were not gone back over."""
        return tuple(fact for fact in self.facts if fact.number > self._cut_of(fact))

    def _cut_of(self, fact: Fact) -> int:
        if isinstance(fact.what, TdcMeasured):
            return self.opened_again.get("true_tdc", 0)
        if isinstance(fact.what, LobeMeasured):
            cam = self.job.engine.cam_of(Lobe(fact.what.cylinder, fact.what.valve))
            return self.opened_again.get(f"lobe.{cam.name}", 0)
        return 0

    def skip(self, step: Step) -> tuple[int, str] | None:
        """Return number and reason of a step's skip; a cam's steps are skipped with its lobe step."""
        own = self.last(step.id, Skipped, lambda what: what.step == step.id)
        if own is not None:
            return own[0], own[1].reason
        if not step.cam or step.kind in {"lobe", "again"}:
            return None
        lobe = f"lobe.{step.cam}"
        with_it = self.last(step.id, Skipped, lambda what: what.step == lobe)
        return None if with_it is None else (with_it[0], f"skipped with {lobe}: {with_it[1].reason}")

    def own_decision(self, step_id: str, code: str, after: int) -> bool:
        """Tell whether the builder went past the block `code` of a step, knowing the facts up to `after`."""
        found = self.last(step_id, OwnDecision, lambda what: (what.step, what.code) == (step_id, code))
        return found is not None and found[0] > after

    def moved(self, step_id: str, cam: str) -> int:
        """Return the number of the last movement of a cam, 0 if none."""
        found = self.last(step_id, Moved, lambda what: what.cam == cam)
        return found[0] if found else 0

    def tightened(self, step_id: str, cam: str, to: str | None = None) -> int:
        """Return the number of the last nipping up or torquing of a cam, 0 if none."""
        found = self.last(step_id, Tightened, lambda what: what.cam == cam and to in (None, what.to))
        return found[0] if found else 0

    def touches(self, cam: str) -> tuple[int, ...]:
        """Return the numbers of every movement or tightening of a cam, whatever was gone back over."""
        return tuple(
            fact.number
            for fact in self.facts
            if isinstance(fact.what, Moved | Tightened) and fact.what.cam == cam
        )

    def lobes(
        self, step_id: str, lobes: Sequence[Lobe], after: int = 0, before: float = float("inf")
    ) -> dict[Lobe, tuple[int, LobeMeasured]]:
        """Return the newest counting measurement of each of `lobes` between two numbers."""
        found: dict[Lobe, tuple[int, LobeMeasured]] = {}
        for number, what in self.counting(step_id, LobeMeasured):
            lobe = Lobe(what.cylinder, what.valve)
            if lobe in lobes and after < number < before:
                found[lobe] = (number, what)
        return found

    def decision(self, step_id: str, cam: str, after: int = 0) -> tuple[int, Decided] | None:
        """Return the newest decision on a cam after a number."""
        found = self.last(step_id, Decided, lambda what: what.cam == cam)
        return found if found is not None and found[0] > after else None

    def clearance(self, lobe: Lobe) -> tuple[int, PistonClearanceFound] | None:
        """Return the newest valve-to-piston finding of a lobe, whatever was gone back over."""
        found = [
            (fact.number, fact.what)
            for fact in self.facts
            if isinstance(fact.what, PistonClearanceFound)
            and Lobe(fact.what.cylinder, fact.what.valve) == lobe
        ]
        return found[-1] if found else None

    def valves_apart(self, cylinder: str) -> tuple[int, ValvesApartFound] | None:
        """Return the newest valve-to-valve finding of a cylinder, whatever was gone back over."""
        found = [
            (fact.number, fact.what)
            for fact in self.facts
            if isinstance(fact.what, ValvesApartFound) and fact.what.cylinder == cylinder
        ]
        return found[-1] if found else None

    def measured_between(self, lobe: Lobe, after: int, before: int) -> LobeMeasured | None:
        """Return a lobe's newest measurement between two numbers, whatever was gone back over."""
        found = [
            fact.what
            for fact in self.facts
            if after < fact.number < before
            and isinstance(fact.what, LobeMeasured)
            and Lobe(fact.what.cylinder, fact.what.valve) == lobe
        ]
        return found[-1] if found else None

    def tdcs(self, step_id: str, after: int = 0) -> list[tuple[int, TdcMeasured]]:
        """Return the counting TDC measurements of the reference cylinder after a number."""
        reference = self.job.engine.reference
        return [
            (number, what)
            for number, what in self.counting(step_id, TdcMeasured)
            if what.cylinder == reference and number > after
        ]

    def signature(self) -> Fact | None:
        """Return the sign-off that stands."""
        found = self.last("sign_off", SignedOff)
        if found is None:
            return None
        return next(fact for fact in self.facts if fact.number == found[0])

    def stage_of(self, number: int, cam: str) -> LobeStage:
        """Return in which state the cam was when fact `number` was measured."""
        stage: LobeStage = "as_found"
        for fact in self.facts:
            what: Any = fact.what
            if fact.number >= number:
                break
            if isinstance(what, Moved) and what.cam == cam:
                stage = "moved"
            if isinstance(what, Tightened) and what.cam == cam and stage != "as_found":
                stage = what.to
        return stage


def _opened_again(steps: tuple[Step, ...], facts: tuple[Fact, ...]) -> dict[str, int]:
    at: dict[str, int] = {}
    for fact in facts:
        if isinstance(fact.what, WentBack):
            at |= dict.fromkeys(resting_on(steps, fact.what.step), fact.number)
    return at


def resting_on(steps: tuple[Step, ...], step_id: str) -> tuple[str, ...]:
    """Return a step and every step that rests on it, in order."""
    opened = {step_id}
    for step in steps:
        if opened.intersection(step.needs):
            opened.add(step.id)
    return tuple(step.id for step in steps if step.id in opened)
