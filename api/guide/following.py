"""Hands-free: what a job lets be measured next, which of it a gauge touches, and what has to be asked.

Pure, as all of the guide: the service gives it what was recognised and does what it says.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from analysis.job import StepState
from analysis.timing import Decided, Moved, Tightened, Valve, WentBack, Withdrawn
from analysis.touching import KnownZero, Touch
from api.base import MeasurementView
from api.guide.guidance import PARTS, Action, Guidance, GuideContext, Option
from api.guide.measuring import Enough, is_tightened
from api.jobs import lobes_left, piston_of, touched
from api.measure import ByItself

FOLLOWS_IN = frozenset({"clearances", "verdict"})
"""Steps without a measurement of their own in which one of a later step may begin by itself."""
ASKED_AFTER_DEG = 180.0
REST_S: dict[tuple[bool, str], float] = {
    (True, "whole"): 1.2,
    (True, "far"): 6.0,
    (False, "whole"): 5.0,
    (False, "far"): 12.0,
}
"""How long the crank rests before a measurement ends by itself; one that was pressed for is left longer to a press."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """A measurement that the job lets begin: its step and what the gauge touches in it."""

    step: str
    cylinder: str
    valve: Valve | None
    a_valve: bool = False
    """A valve, and which one cannot be told."""

    @property
    def part(self) -> str:
        """What the gauge touches, as ``inlet_1``."""
        return f"{'valve' if self.a_valve else self.valve or 'piston'}_{self.cylinder.lower()}"


def wanted(context: GuideContext) -> list[Wanted]:
    """Give what may be measured now: of the step that is due first, then of later steps that rest on nothing open."""
    due = context.step
    if due is None or not (due.asks.measures or due.kind in FOLLOWS_IN):
        return []
    open_steps = [step for step in context.state.steps if step.state == "open" and step.asks.measures]
    own = [due] if due.asks.measures and due.state == "now" else []
    return [one for step in (*own, *open_steps) for one in _of_step(context, step)]


def _of_step(context: GuideContext, step: StepState) -> list[Wanted]:
    if step.asks.needs_zero and context.zero.state != "stands":
        return []
    if step.asks.measures == "tdc":
        return [Wanted(step.id, piston_of(context.job.engine, step), None)]
    if step.kind in {"nipped", "torqued"} and not is_tightened(context, step):
        return []
    left = lobes_left(context.job, context.facts, step.id)
    return [Wanted(step.id, lobe.cylinder, lobe.valve) for lobe in left]


def metal_moved(context: GuideContext) -> int:
    """Give the number of the last entry before which nothing that was turned counts for what comes; 0 if none."""
    kinds = (Moved, Tightened, WentBack, Withdrawn)
    return max((fact.number for fact in context.facts if isinstance(fact.what, kinds)), default=0)


def zero_of(context: GuideContext, cylinder: str) -> KnownZero:
    """Give what is known of a cylinder's TDC and of where its noses should stand."""
    state, engine = context.state, context.job.engine
    offset = engine.firing_offset_deg(cylinder)
    sides = {"inlet": 1.0, "exhaust": -1.0}
    noses = dict(KnownZero().nose_deg)
    for valve, side in sides.items():
        card = context.job.card.lobe(valve)  # type: ignore[arg-type]
        if card is not None and card.full_lift_deg is not None:
            noses[valve] = side * card.full_lift_deg  # type: ignore[index]
    others = [
        (nose + engine.firing_offset_deg(other) - offset) % 720.0
        for other in engine.cylinders
        if other != cylinder
        for nose in noses.values()
    ]
    return KnownZero(
        tdc_deg=None if state.tdc_deg is None else (state.tdc_deg + offset) % 360.0,
        overlap_tdc_deg=None if state.overlap_tdc_deg is None else (state.overlap_tdc_deg + offset) % 720.0,
        stroke_mm=engine.stroke_mm,
        nose_deg=tuple(noses.items()),
        other_noses_deg=tuple(others),
    )


def matching(touch: Touch, choice: Sequence[Wanted]) -> Wanted | None:
    """Give what a gauge measures, of all that may be measured; `None` where it touches none of it, or is not sure."""
    if not touch.sure or touch.kind not in {"piston", "valve"}:
        return None
    return next((one for one in choice if one.valve == touch.valve), None)


def question(touch: Touch, one: Wanted) -> str:
    """Ask whether the gauge touches what the step wants; empty where there is nothing to ask."""
    like = _like(touch, one)
    return f"{like} Gauge on {PARTS[one.valve or 'piston']} {one.cylinder}?" if like else ""


LIKE = {
    "nothing": "Nothing moves the gauge: tied up, or on nothing that moves.",
    "unclear": "What the gauge touches cannot be told.",
    "piston": "This moves like a piston.",
    "valve": "This moves like a valve.",
}


def _like(touch: Touch, one: Wanted) -> str:
    if touch.kind == "piston" and not one.valve:
        return ""
    if touch.kind != "valve":
        return LIKE.get(touch.kind, "")
    if not one.valve:
        return LIKE["valve"]
    if touch.valve is None:
        return "This moves like a valve; which one cannot be told."
    return f"This moves like the {touch.valve} valve." if touch.valve != one.valve else ""


def asking(context: GuideContext, said: Guidance) -> Guidance:
    """Put the question above what the step says, with its two buttons."""
    watch, view = context.watch, context.measurement
    if not watch.question:
        return said
    if view is not None and view.state == "running":  # what was begun is still ended by its own button
        goes_on = Option("Yes, go on", Action("Going on.", dismiss=True))
        away = Option("No, throw it away", Action("Thrown away.", discard=True))
        return replace(said, sentence=watch.question, why=said.sentence, options=(goes_on, away))
    kind, _, cylinder = watch.part.partition("_")
    return replace(
        said,
        sentence=watch.question,
        why=said.sentence,
        button=f"Yes, on {PARTS[kind]} {cylinder.upper()}",
        action=Action("Begun.", begin=watch.part, by_itself=ByItself(watch.since_ns), gauge=watch.gauge),
        options=(Option("No, I set it anew", Action("The gauge is set anew.", dismiss=True)),),
    )


def taking_back(context: GuideContext, said: Guidance) -> Guidance:
    """Let what began by itself and is kept be taken back, until something else is done."""
    gone = {fact.what.number for fact in context.facts if isinstance(fact.what, Withdrawn)}
    counting = (
        fact
        for fact in reversed(context.facts)
        if not isinstance(fact.what, Withdrawn) and fact.number not in gone
    )
    last = next(counting, None)
    if last is None or last.number not in context.by_itself or context.state.signed_by:
        return said
    withdrawn = Withdrawn(last.number, "It went by itself and was not meant.")
    label = (
        f"Take back: {_DONE[type(last.what)]}" if type(last.what) in _DONE else "Take the last number back"
    )
    back = Option(label, Action("Taken back.", facts=((withdrawn, None),), forget=True))
    return replace(said, options=(*said.options, back))


_DONE: dict[type, str] = {Decided: "to be moved", Moved: "moved", Tightened: "nipped up"}


def ends_now(view: MeasurementView | None, enough: Enough, rested_s: float) -> bool:
    """Tell whether a running measurement is over: enough by the guide's own rule, and the crank rests."""
    if view is None or not view.ends_by_itself or not enough:
        return False
    return rested_s >= REST_S[view.begun_by_itself, enough]


def is_of(view: MeasurementView, touch: Touch, context: GuideContext) -> bool:
    """Tell whether what is recognised is what a running measurement was begun for, or may be."""
    if not touch.sure or touch.kind not in {"piston", "valve", "nothing"}:
        return True
    what = touched(context.job.engine, view.touches)
    return touch.kind != "nothing" and touch.valve == what.valve
