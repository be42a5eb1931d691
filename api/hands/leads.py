"""Whom hands-free serves: the open job, or, where none is open, the bench by itself.

Both say what may be measured, when it is enough and what has to be asked; what is done goes the way of a press.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping
from typing import Protocol

from analysis.touching import KnownZero, Touch
from api.base import MeasureEntry, MeasurementView
from api.guide import (
    ASKED_AFTER_DEG,
    BenchContext,
    Enough,
    GuideContext,
    Wanted,
    Watch,
    bench_doubt,
    bench_enough,
    bench_matching,
    bench_question,
    bench_zero,
    guidance_in,
    is_of,
    matching,
    metal_moved,
    question,
    wanted,
    zero_of,
)
from api.hands.looking import Look
from api.jobs import JobMeasuring
from api.measure import ByItself, MeasurementAsked, Measuring
from api.records import Measurement, MeasurementReader

TurnedSince = Callable[[str], float]
"""How far the crank was turned since it may be asked what a gauge touches."""


class Lead(Protocol):
    """What may be measured now, of what, and how it is begun and ended."""

    @property
    def due(self) -> Hashable:
        """What stands for that which is to be done; nothing that was asked before it became another is asked still."""

    @property
    def metal(self) -> Hashable:
        """What stands for the cams as they are: what was turned before they were touched does not count."""

    @property
    def view(self) -> MeasurementView | None:
        """The measurement in hand."""

    @property
    def in_trouble(self) -> bool:
        """Whether something is wrong with the bench."""

    @property
    def stands_aside(self) -> bool:
        """Whether nothing is looked at for a moment."""

    def looks_for(self) -> str:
        """Give the cylinder whose measurement is wanted; empty where none is."""

    def running(self) -> Measurement | None:
        """Give its measurement that has not ended."""

    def zero(self, touches: str) -> KnownZero:
        """Give what is known of where the tops of a cylinder stand."""

    def found(self, looks: Mapping[str, Look], is_kept: Callable[[str], bool]) -> tuple[Wanted, str] | None:
        """Give what is measured now and by which gauge; `is_kept` tells whether one stands where its last number was."""

    def asked(self, looks: Mapping[str, Look], turned_since: TurnedSince) -> Watch | None:
        """Give what has to be asked or said before anything begins; `None` where nothing has."""

    def doubted(self, running: Measurement, touch: Touch) -> str:
        """Ask about a running measurement whose gauge moves like something else; empty where it does not."""

    def enough(self) -> Enough:
        """Tell whether the running measurement has enough."""

    def usual_gauge(self, one: Wanted) -> str:
        """Name the gauge that one is usually measured with."""

    async def begin(self, one: Wanted, gauge: str, by_itself: ByItself) -> Measurement:
        """Begin one."""

    async def finish(self, running: Measurement, until_ns: int | None) -> Measurement:
        """End the running one."""

    async def discard(self, running: Measurement, why: str) -> None:
        """Throw the running one away."""


class JobLead:
    """The open job at this moment: its step says what is measured."""

    def __init__(self, context: GuideContext, measuring: JobMeasuring) -> None:
        self._context = context
        self._measuring = measuring
        self.due: Hashable = context.job_id, context.state.now
        self.metal: Hashable = context.job_id, metal_moved(context)
        self.view = context.measurement
        self.in_trouble = bool(context.trouble)
        self.stands_aside = self.in_trouble or context.waiting
        self._choice = wanted(context)

    def looks_for(self) -> str:
        """Give the cylinder whose measurement is wanted; empty where none is."""
        return self._choice[0].cylinder if self._choice else ""

    def running(self) -> Measurement | None:
        """Give the job's measurement that has not ended."""
        return self._measuring.running(self._context.job_id)

    def zero(self, touches: str) -> KnownZero:
        """Give what is known of a cylinder's TDC, and of its noses by the card."""
        return zero_of(self._context, touches.partition("_")[2].upper())

    def found(self, looks: Mapping[str, Look], is_kept: Callable[[str], bool]) -> tuple[Wanted, str] | None:
        """Give what the job lets be measured that a gauge touches."""
        choice = self._own_first(looks)
        for gauge, look in looks.items():
            one = matching(look.touch, choice)
            if one is not None and not self._needs_reading(one):
                return one, gauge
        return None

    def _own_first(self, looks: Mapping[str, Look]) -> list[Wanted]:
        """Leave later steps to later while the gauge of the step that is due has not told yet what it touches."""
        due = self._context.step
        own = [one for one in self._choice if due is not None and one.step == due.id]
        usual = looks.get(self.usual_gauge(own[0])) if own else None
        return own if usual is not None and usual.touch.kind == "not_yet" else self._choice

    def _needs_reading(self, one: Wanted) -> bool:
        """The first step's cautions are read, and said to be read, before the crank is turned for a number."""
        context = self._context
        return one.step == "bench_check" and not context.facts and context.measurement is None

    def asked(self, looks: Mapping[str, Look], turned_since: TurnedSince) -> Watch | None:
        """Ask of the gauge that should be used, once it was turned for long enough since the step is due."""
        one, due = self._choice[0], self._context.step
        gauge = self.usual_gauge(one)
        look = looks.get(gauge)
        if look is None or due is None or one.step != due.id or turned_since(gauge) < ASKED_AFTER_DEG:
            return None
        return Watch(True, question(look.touch, one), one.part, gauge, look.since_ns)

    def doubted(self, running: Measurement, touch: Touch) -> str:
        """Ask about a running measurement whose gauge moves like something else."""
        if self.view is None or is_of(self.view, touch, self._context):
            return ""
        part, _, cylinder = running.touches.partition("_")
        valve = None if part == "piston" else part
        return question(touch, Wanted("", cylinder.upper(), valve))  # type: ignore[arg-type]

    def enough(self) -> Enough:
        """Tell by the guide's own rule."""
        return guidance_in(self._context).enough

    def usual_gauge(self, one: Wanted) -> str:
        """Name the gauge that one is usually measured with in this job."""
        return self._measuring.usual_gauge(self._context.job_id, one.valve) or ""

    async def begin(self, one: Wanted, gauge: str, by_itself: ByItself) -> Measurement:
        """Begin the measurement of a step."""
        entry = MeasureEntry(step=one.step, cylinder=one.cylinder, valve=one.valve, gauge=gauge)
        return await self._measuring.begin(self._context.job_id, entry, by_itself)

    async def finish(self, running: Measurement, until_ns: int | None) -> Measurement:
        """End it and take it into the job."""
        return await self._measuring.finish(self._context.job_id, until_ns)

    async def discard(self, running: Measurement, why: str) -> None:
        """Throw it away."""
        await self._measuring.discard(self._context.job_id, why)


class BenchLead:
    """The bench without a job: whatever a gauge is set on is measured, once."""

    def __init__(self, context: BenchContext, measuring: Measuring, measurements: MeasurementReader) -> None:
        self._context = context
        self._measuring = measuring
        self._measurements = measurements
        self.due: Hashable = None, context.cylinder
        self.metal: Hashable = None
        self.view = context.measurement
        self.in_trouble = self.stands_aside = bool(context.trouble)

    def looks_for(self) -> str:
        """Give the cylinder that was said at the bench; nothing is looked for while something else is measured."""
        return "" if self._measurements.running() else self._context.cylinder

    def running(self) -> Measurement | None:
        """Give the measurement of no job that has not ended."""
        return next((one for one in self._measurements.running() if one.job_id is None), None)

    def zero(self, touches: str) -> KnownZero:
        """Give what is known of TDC."""
        return bench_zero(self._context, touches)

    def found(self, looks: Mapping[str, Look], is_kept: Callable[[str], bool]) -> tuple[Wanted, str] | None:
        """Give what a gauge touches that was set anew since its last number: that one stands until it is.

        The one that was set last goes first, and is waited for.
        """
        fresh = {gauge: look for gauge, look in looks.items() if not is_kept(gauge)}
        for gauge, look in sorted(fresh.items(), key=lambda item: -item[1].set_ns):
            one = bench_matching(self._context, look.touch)
            if one is not None:
                return one, gauge
            if look.set_ns and look.touch.kind == "not_yet":
                return None
        return None

    def asked(self, looks: Mapping[str, Look], turned_since: TurnedSince) -> Watch | None:
        """Ask of the first gauge of which something has to be asked."""
        asked = (
            bench_question(self._context, look.touch, gauge, look.since_ns)
            for gauge, look in looks.items()
            if turned_since(gauge) >= ASKED_AFTER_DEG
        )
        return next((one for one in asked if one is not None), None)

    def doubted(self, running: Measurement, touch: Touch) -> str:
        """Ask about a running measurement whose gauge moves like something else."""
        return "" if self.view is None else bench_doubt(self.view, touch)

    def enough(self) -> Enough:
        """Tell as in a job of the usual tolerance."""
        return bench_enough(self._context)

    def usual_gauge(self, one: Wanted) -> str:
        """Any gauge is as good as another here."""
        return ""

    async def begin(self, one: Wanted, gauge: str, by_itself: ByItself) -> Measurement:
        """Begin it as a press would."""
        return await self._measuring.begin(MeasurementAsked(touches=one.part, gauge=gauge), by_itself)

    async def finish(self, running: Measurement, until_ns: int | None) -> Measurement:
        """End it."""
        return await self._measuring.finish(running.id, until_ns)

    async def discard(self, running: Measurement, why: str) -> None:
        """Throw it away."""
        await self._measuring.discard(running.id, why)
