"""What the guide knows, what it says, and what its one large button would do."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

from analysis.job import Evidence, JobState, Step, StepState
from analysis.timing import Fact, Job, Lobe, Payload, StoredLift, nearest
from api.base import CamTurn, Centre, MeasurementView
from api.measure import ByItself, ZeroProof
from api.records import GuideStage

PARTS = {
    "piston": "piston",
    "inlet": "the inlet valve of cylinder",
    "exhaust": "the exhaust valve of cylinder",
}

FITTED_KINDS: dict[str, Literal["key", "dowel", "hole", "tooth"]] = {
    "keys": "key",
    "dowels": "dowel",
    "holes": "hole",
    "teeth": "tooth",
}
"""Adjusters with fixed sizes, and what of them is fitted."""

Tone = Literal["", "approach", "on_the_number", "overshot", "fault"]


@dataclass(frozen=True, slots=True)
class GaugeNow:
    """A gauge at this moment, and whether it is being read."""

    reading_mm: float
    alive: bool


@dataclass(frozen=True, slots=True)
class CrankNow:
    """The crank at this moment.

    Attributes
    ----------
    deg
        Encoder's degrees, unwrapped.
    taken_up
        Turned forward last, far enough that any slack is taken up.
    turned_deg
        Furthest forward since the running measurement began; `None` where that is not known.
    """

    deg: float
    alive: bool
    taken_up: bool
    turned_deg: float | None = None


@dataclass(frozen=True, slots=True)
class KnownLobe:
    """The newest measurement of a cam's lobe that the guide can lead by.

    Attributes
    ----------
    lift
        Its curve, crank degrees after overlap TDC of the reference cylinder.
    base_mm
        Gauge reading where the curve is 0: on the base circle, or, where that was not seen, the gauge's own zero, for
        such a curve is told in the gauge's readings. `None` where neither is known: no slip could be seen then.
    polarity
        +1 where the reading grows with the lift.
    fact
        Number of the fact that holds it.
    """

    lobe: Lobe
    fact: int
    gauge: str
    lift: StoredLift
    base_mm: float | None
    polarity: int
    slack_deg: float | None
    step_mm: float
    u95_deg: float = 0.0


@dataclass(frozen=True, slots=True)
class Watch:
    """What hands-free makes of the gauges at this moment.

    Attributes
    ----------
    on
        Measurements begin and end by themselves.
    question
        What has to be asked, empty where nothing has: whether `gauge` touches `part`, for which what was turned since
        `since_ns` would count.
    """

    on: bool = False
    question: str = ""
    part: str = ""
    gauge: str = ""
    since_ns: int = 0


@dataclass(frozen=True, slots=True)
class GuideContext:
    """Everything the guide is made from; nothing else is asked."""

    job_id: int
    job: Job
    facts: Sequence[Fact]
    state: JobState
    ahead: JobState | None = None
    """Where the job would stand, were the cam that is out decided to be corrected; `None` where none is."""
    stage: GuideStage | None = None
    measurement: MeasurementView | None = None
    centre: Centre | None = None
    crank: CrankNow | None = None
    gauges: Mapping[str, GaugeNow] = field(default_factory=dict)
    lobes: Mapping[str, KnownLobe] = field(default_factory=dict)
    """By cam, the lobe that the move is led by; by ``inlet_1`` or ``exhaust_1``, for valve to piston."""
    to_use: Mapping[str, str] = field(default_factory=dict)
    """The gauge for ``piston`` and for ``valve``; empty where the bench has one gauge only."""
    trouble: str = ""
    """What is wrong with the bench, empty when nothing is."""
    zero: ZeroProof = field(default_factory=lambda: ZeroProof("stands"))
    waiting: bool = False
    """A measurement has ended and is not in the facts yet."""
    watch: Watch = Watch()
    by_itself: frozenset[int] = frozenset()
    """Numbers of the facts whose measurements began by themselves."""

    @property
    def step(self) -> StepState | None:
        """The step that is due."""
        return None if self.state.now is None else self.state.step(self.state.now)

    @property
    def evidence(self) -> Evidence:
        """The facts, ready to be asked."""
        return Evidence.of(self.job, self.facts)

    def planned(self, step_id: str) -> Step:
        """The planned step of a name."""
        found = self.evidence.step(step_id)
        assert found is not None
        return found

    def job_deg(self) -> float | None:
        """Crank degrees after overlap TDC, 0..720, where both are known."""
        if self.crank is None or self.state.overlap_tdc_deg is None:
            return None
        return (self.crank.deg - self.state.overlap_tdc_deg) % 720.0

    def gauge_words(self, part: str, gauge: str = "") -> str:
        """Say what the gauge goes on; where there is more than one, its name, or that of `gauge`."""
        kind, _, cylinder = part.partition("_")
        usual = self.to_use.get("piston" if kind == "piston" else "valve", "")
        name = gauge if gauge and self.to_use else usual
        where = PARTS[kind].replace("valve", self.job.lifted)
        return f"{f'Gauge {name}' if name else 'Gauge'} on {where} {cylinder.upper()}"

    def stage_of(self, step_id: str) -> GuideStage | None:
        """How far the guide is inside a step; what was remembered for another step counts no more."""
        return self.stage if self.stage is not None and self.stage.step == step_id else None


@dataclass(frozen=True, slots=True)
class Action:
    """What a press does, in this order: facts are added, the stage is set, a measurement begins or ends.

    Attributes
    ----------
    facts
        Payloads to add, each with what it was computed from, if anything.
    stage
        What the guide remembers; `forget` lets it remember nothing.
    begin
        What the gauge touches in the measurement to begin.
    sign
        The job's builder signs it.
    by_itself
        What of the measurement that begins goes by itself; `gauge` is its gauge, where it is not the usual one.
    dismiss, discard
        The question is answered; the running measurement is thrown away.
    name, take_back
        The measurement in hand is of this part, such as ``inlet_1``; its number counts no more.
    did
        What was done, in words.
    """

    did: str
    facts: tuple[tuple[Payload, dict[str, Any] | None], ...] = ()
    stage: GuideStage | None = None
    forget: bool = False
    begin: str = ""
    finish: bool = False
    sign: bool = False
    by_itself: ByItself | None = None
    gauge: str = ""
    dismiss: bool = False
    discard: bool = False
    name: str = ""
    take_back: bool = False


@dataclass(frozen=True, slots=True)
class Number:
    """The one large number of a guide; `None` where there is none yet."""

    value: float | None = None
    unit: Literal["deg", "mm", ""] = ""
    label: str = ""
    interval: float | None = None


NO_NUMBER = Number()


@dataclass(frozen=True, slots=True)
class Option:
    """What a smaller button would do; the reason that it may want goes into its decision."""

    label: str
    action: Action
    wants_reason: bool = False


@dataclass(frozen=True, slots=True)
class CamVerdict:
    """A verdict as a screen shouts it."""

    call: Literal["in", "out", "cannot_tell"]
    headline: str
    error_deg: float
    u95_deg: float


@dataclass(frozen=True, slots=True)
class Guidance:
    """What a step has to say at this moment, and what the large button would do.

    Attributes
    ----------
    to_go_deg, to_go_mm, target_mm
        As in the guide that screens are sent.
    button
        Label of the large button; it is shown only where there is a `action`.
    action
        `None`: the button does nothing.
    link
        Page that a press opens.
    options
        What else may be done, by smaller buttons.
    told
        The verdict that takes over the screen.
    enough
        Whether the running measurement has enough: ``far`` if only a way back is still wanted, ``whole`` if nothing is.
    """

    sentence: str
    why: str = ""
    tone: Tone = ""
    number: Number = NO_NUMBER
    to_go_deg: float | None = None
    to_go_mm: float | None = None
    target_mm: float | None = None
    verdict: str = ""
    button: str = ""
    action: Action | None = None
    link: str = ""
    options: tuple[Option, ...] = ()
    move: CamTurn | None = None
    told: CamVerdict | None = None
    enough: Literal["", "far", "whole"] = ""


def token_of(context: GuideContext) -> str:
    """Give what stands for this moment of a job: another press, or another screen's, changes it."""
    measurement = context.measurement
    parts = (
        context.job_id,
        len(context.facts),
        (measurement.id, measurement.state) if measurement is not None else None,
        (context.stage.step, context.stage.stage) if context.stage is not None else None,
        context.watch.question,
    )
    return hashlib.sha256(repr(parts).encode()).hexdigest()[:12]


BACK_MOST_DEG = 40.0
"""Further behind than this it is come to forward, as the sentence says: back and forward again is no shorter."""
SLACK_DEG = 8.0


class TakeUp:
    """Follows the crank and tells whether the slack is taken up forwards (a play operator).

    The cam's sprocket stands between the crank and `SLACK_DEG` ahead of it; it is driven forwards when the
    crank has caught up with it.
    """

    def __init__(self) -> None:
        self._sprocket: float | None = None
        self._since_ns = 0
        self._mark: float | None = None
        self._furthest = 0.0
        self.deg: float | None = None

    def take(self, t_ns: int, crank_deg: float) -> None:
        """Take one reading of the crank."""
        sprocket = crank_deg + SLACK_DEG if self._sprocket is None else self._sprocket
        self._sprocket = min(max(sprocket, crank_deg), crank_deg + SLACK_DEG)
        self.deg = crank_deg
        self._count(t_ns, crank_deg)

    def count_since(self, since_ns: int, heard: Iterable[tuple[int, float]]) -> None:
        """Count the turning from an instant on.

        A busy computer hears of that instant later: what comes from before it moves the mark and is not counted.

        Parameters
        ----------
        since_ns : int
            The instant, as readings are stamped.
        heard : iterable of (int, float)
            What was read around it and since, in order.
        """
        self._since_ns, self._mark, self._furthest = since_ns, self.deg, 0.0
        for t_ns, crank_deg in heard:
            self._count(t_ns, crank_deg)

    def _count(self, t_ns: int, crank_deg: float) -> None:
        if self._mark is None or t_ns <= self._since_ns:
            self._mark, self._furthest = crank_deg, 0.0
        self._furthest = max(self._furthest, crank_deg - self._mark)

    def forget(self) -> None:
        """The crank's readings began anew."""
        self._sprocket = self._mark = self.deg = None
        self._furthest = 0.0

    @property
    def taken_up(self) -> bool:
        """Whether the crank drives the cam forwards."""
        return self._sprocket is not None and self.deg is not None and self._sprocket - self.deg < 0.05

    @property
    def turned_deg(self) -> float | None:
        """How far forward the crank went at most since the mark."""
        return None if self._mark is None else self._furthest


def to_go_deg(
    now_deg: float, target_deg: float, *, forward_only: bool = False, near_deg: float = 2.0
) -> float:
    """Give the way to an angle of the cycle, forward positive; back only where it is a little behind.

    An engine that must not be turned back goes forward to all that is behind, but to what it stands on already.
    """
    way = nearest(target_deg - now_deg)
    if way < -BACK_MOST_DEG:
        return way % 720.0
    if not forward_only or way >= 0:
        return way
    return 0.0 if way >= -near_deg else way % 720.0
