"""Where a job stands, as screens and the sheet show it: frozen, JSON-able through `analysis.plain`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from analysis.base import AnalysisError, Warn
from analysis.job.evidence import LobeStage
from analysis.job.steps import ASKS, Asks, StepKind
from analysis.timing import Lobe, Verdict, full_lift_words

StepStanding = Literal["done", "now", "blocked", "skipped", "open"]


class Blocked(AnalysisError):
    """A fact that may not be added now.

    Parameters
    ----------
    code, message : str
        As in `AnalysisError`.
    step : str
        The step that is in the way, or that the fact belongs to.
    may_override : bool
        An `OwnDecision` with a reason goes past it.
    """

    def __init__(self, code: str, message: str, step: str = "", may_override: bool = False) -> None:
        super().__init__(code, message)
        self.step = step
        self.may_override = may_override


@dataclass(frozen=True, slots=True)
class StepState:
    """One step as a screen shows it.

    Attributes
    ----------
    sentence
        What to do now, or what was found.
    why
        Why it is blocked, or the reason it was skipped for; empty otherwise.
    code, may_override
        Of the block; an `OwnDecision` with this code goes past it where `may_override`.
    facts
        Numbers of the facts that count for this step.
    """

    id: str
    kind: StepKind
    title: str
    state: StepStanding
    sentence: str
    gives: str
    needs: tuple[str, ...]
    cautions: tuple[str, ...]
    cam: str = ""
    cylinder: str = ""
    lobes: tuple[Lobe, ...] = ()
    may_skip: bool = True
    why: str = ""
    code: str = ""
    may_override: bool = False
    facts: tuple[int, ...] = ()

    @property
    def asks(self) -> Asks:
        """What it asks of the bench and of the builder."""
        return ASKS[self.kind]


@dataclass(frozen=True, slots=True)
class LobeStanding:
    """One measurement of a lobe against its card.

    `full_lift_deg` is the measured centre in the card's words: inlet ATDC, exhaust BTDC. `verdict` is `None`
    where `not_comparable` says why.
    """

    lobe: Lobe
    fact: int
    stage: LobeStage
    full_lift_deg: float
    u95_deg: float
    drop_mm: float
    verdict: Verdict | None
    not_comparable: str = ""
    by_hand: bool = False

    @property
    def full_lift(self) -> str:
        """The measured centre as it is said: ``110.25 ATDC``."""
        return full_lift_words(self.lobe.valve, self.full_lift_deg, 2)


@dataclass(frozen=True, slots=True)
class CamStanding:
    """Where a cam stands: every measurement of the lobes that time it, in order, and the change to make.

    Attributes
    ----------
    verdict
        Of its newest position; `None` where that is not known or not comparable: `sentence` says why.
    to_make_deg
        Change that would bring it to its card, crank degrees, positive = later.
    separation_error_cam_deg
        What the grinder left on a single cam: measured less card, cam degrees.
    """

    cam: str
    measured: tuple[LobeStanding, ...]
    verdict: Verdict | None
    to_make_deg: float | None
    sentence: str
    separation_error_cam_deg: float | None = None


@dataclass(frozen=True, slots=True)
class Departure:
    """A step left out, or a block gone past, with the reason given: printed on the sheet."""

    step: str
    title: str
    reason: str
    by: str
    at: str
    code: str = ""


@dataclass(frozen=True, slots=True)
class JobState:
    """Where a job stands.

    Attributes
    ----------
    now
        Id of the step to do, `None` once signed. It may be blocked by its own `code`.
    tdc_deg, overlap_tdc_deg
        True TDC (0..360) and overlap TDC (0..720) in the encoder's degrees.
    findings
        What the sheet warns of.
    departures
        What was skipped, and what the builder went past on his own decision.
    """

    steps: tuple[StepState, ...]
    now: str | None
    tdc_deg: float | None
    tdc_u95_deg: float | None
    overlap_tdc_deg: float | None
    cams: tuple[CamStanding, ...]
    findings: tuple[Warn, ...]
    departures: tuple[Departure, ...]
    signed_by: str = ""
    signed_at: str = ""

    def step(self, step_id: str) -> StepState:
        """Return the step called `step_id`; raises `Blocked` where the job has none of that name."""
        for step in self.steps:
            if step.id == step_id:
                return step
        raise Blocked("no_such_step", f"This job has no step called {step_id}.")
