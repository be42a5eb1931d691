"""Measurements of a job: what its step asks for is begun, and what was finished becomes a fact.

A finished measurement is taken into its job whoever finished it and whenever: at once, or, if the service
was killed in between, when the job is looked at again.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, Sequence

from analysis.base import TdcSettings
from analysis.job import JobState, StepState, valve_check_lift_mm
from analysis.timing import CYCLE_DEG, Job, Payload, Valve
from api.base import BlockedError, ConflictError, MeasureEntry, MisuseError, NotFoundError, ServiceError
from api.jobs.jobs import Jobs
from api.jobs.left_to_measure import lobes_left, piston_of
from api.jobs.measured import Touched, bench_fact, lobe_fact, tdc_fact, touched
from api.live import tdc_to_tdc, turned_deg
from api.measure import ByItself, Fits, LobeAsked, MeasurementAsked, Measuring, TdcAsked
from api.records import Adoption, Measurement, MeasurementReader, What

log = logging.getLogger("lobewright.jobs")
USUAL_DROP_MM = 1.27
USUAL_CHECK_LIFTS_MM = (0.1, 0.3, 1.0, 1.27)


class JobMeasuring:
    """Begins measurements for jobs and takes the finished ones in; called from the event loop."""

    def __init__(
        self,
        jobs: Jobs,
        measuring: Measuring,
        measurements: MeasurementReader,
        fits: Fits,
        gauges: Callable[[], list[str]],
        *,
        takes_in: bool = True,
    ) -> None:
        self._takes_in = takes_in  # not in a copy, which is only looked at
        self._jobs = jobs
        self._gauges = gauges
        self._told_gauges: dict[tuple[int, What], str] = {}
        self._measuring = measuring
        self._measurements = measurements
        self._fits = fits
        self._taking: dict[int, asyncio.Lock] = {}

    def running(self, job_id: int) -> Measurement | None:
        """Give the job's measurement that has not ended."""
        return next((one for one in self._measurements.running() if one.job_id == job_id), None)

    def sentence_if_measured(self, job_id: int) -> str:
        """Say what of the job is being measured, or nothing."""
        running = self.running(job_id)
        if running is None:
            return ""
        return (
            f"The job is being measured ({running.touches.replace('_', ' ')}, number {running.id}); "
            "finish or discard that, then delete it."
        )

    async def begin(self, job_id: int, entry: MeasureEntry, by_itself: ByItself | None = None) -> Measurement:
        """Begin the measurement that a step asks for; raises a `ServiceError` with what is in the way."""
        row, state = self._jobs.read.job(job_id), self._jobs.state(job_id)
        self._jobs.refuse_held_elsewhere(job_id)
        if state.signed_by:
            raise BlockedError("signed", f"The job is signed by {state.signed_by}; go back to a step first.")
        step = _chosen_step(state, entry)
        _refuse_blocked(step)
        what = self._touched(job_id, step, entry)
        asked = self._asked(row.job, state, what, entry.gauge or self.usual_gauge(job_id, what.valve))
        return await self._measuring.begin(asked.model_copy(update={"job_id": job_id}), by_itself)

    async def begin_on(
        self, job_id: int, part: str, by_itself: ByItself | None = None, gauge: str | None = None
    ) -> Measurement:
        """Begin the measurement of what the gauge touches, such as ``inlet_1``, in the step that is due."""
        what = touched(self._jobs.read.job(job_id).job.engine, part)
        entry = MeasureEntry(cylinder=what.cylinder, valve=what.valve, gauge=gauge)
        return await self.begin(job_id, entry, by_itself)

    def _touched(self, job_id: int, step: StepState, entry: MeasureEntry) -> Touched:
        """Give what the gauge is to touch in a step: what was asked for, else what is still missing."""
        engine = self._jobs.read.job(job_id).job.engine
        if entry.valve is not None or entry.cylinder is not None:
            cylinder = entry.cylinder or engine.reference
            return touched(engine, f"{entry.valve or 'piston'}_{cylinder.lower()}")
        if step.asks.measures == "tdc":
            return Touched(piston_of(engine, step), None)
        left = lobes_left(self._jobs.read.job(job_id).job, self._jobs.facts(job_id), step.id)
        if not left:
            raise MisuseError("nothing_to_measure", f"{step.title} asks for no measurement.")
        return Touched(left[0].cylinder, left[0].valve)

    def _asked(self, job: Job, state: JobState, what: Touched, gauge: str | None) -> MeasurementAsked:
        """What a measurement is asked, from engine, card and what is known of the zero."""
        if what.valve is None:
            engine = job.engine
            tdc = TdcAsked(
                stroke_mm=engine.stroke_mm,
                rod_mm=engine.rod_mm,
                pin_offset_mm=engine.offset_mm,
                pin_side_known=engine.offset_side_known,
            )
            return MeasurementAsked(touches=f"piston_{what.cylinder.lower()}", gauge=gauge, tdc=tdc)
        if state.overlap_tdc_deg is None:
            raise BlockedError("not_yet", "A lobe comes after the stroke: find overlap TDC first.", "stroke")
        lobe = LobeAsked(
            tdc_deg=state.overlap_tdc_deg,
            tdc_u_deg=(state.tdc_u95_deg or 0.0) / 2,
            drop_mm=wanted_drop_mm(job, what.valve),
            check_lifts_mm=wanted_lifts_mm(job, what.valve),
            forward_only=job.engine.forward_only,
        )
        return MeasurementAsked(touches=what.lobe.touches, gauge=gauge, lobe=lobe)

    def usual_gauge(self, job_id: int, valve: Valve | None) -> str | None:
        """Give the gauge for a piston (`None`) or a valve of a job.

        What was told for it; else the gauge that measured the same kind of thing in this job last, else any
        in this job, else the first of the bench.
        """
        kind: What = "tdc" if valve is None else "lobe"
        told_of = self._told_gauges.get((job_id, kind))
        before = self._measurements.listed(job_id=job_id, limit=50)
        same = [one.gauge for one in before if one.what == kind]
        there = self._gauges()
        likely = [told_of, *same, *(one.gauge for one in before), *there]
        return next((name for name in likely if name in there), None)

    def tell_gauge(self, job_id: int, valve: bool, name: str) -> None:
        """Say which gauge is used on pistons, or on valves, from now on; raises `NotFoundError`."""
        there = self._gauges()
        if name not in there:
            raise NotFoundError(
                "no_such_gauge", f"The bench has no gauge {name}; it has {', '.join(there) or 'none'}."
            )
        self._told_gauges[job_id, "lobe" if valve else "tdc"] = name

    def facts_by_itself(self, job_id: int, adoptions: Sequence[Adoption]) -> frozenset[int]:
        """Give the numbers of the facts that were added by themselves: by what was done, or measured so."""
        done = {fact for fact, source in self._jobs.read.sources(job_id).items() if source.get("by_itself")}
        kept = self._measurements.listed(state="finished", job_id=job_id, limit=1000)
        own = {one.id for one in kept if one.begun_by_itself}
        measured = {one.fact for one in adoptions if one.fact is not None and one.measurement_id in own}
        return frozenset(done | measured)

    async def finish(self, job_id: int, until_ns: int | None = None) -> Measurement:
        """Finish the job's running measurement and take it in; raises `ConflictError` if there is none."""
        running = self.running(job_id)
        if running is None:
            raise ConflictError(
                "already_ended", "Nothing is being measured; another screen was faster, and nothing is lost."
            )
        ended = await self._measuring.finish(running.id, until_ns)
        await self.take_in(job_id)
        return ended

    async def discard(self, job_id: int, why: str) -> None:
        """Throw the job's running measurement away; its readings stay stored."""
        running = self.running(job_id)
        if running is not None:
            await self._measuring.discard(running.id, why)

    # -- what was finished becomes a fact

    async def take_in(self, job_id: int) -> None:
        """Take every finished measurement of a job that was not taken yet into its facts, oldest first."""
        if not self._takes_in:
            return
        async with self._taking.setdefault(job_id, asyncio.Lock()):
            known = {one.measurement_id for one in self._jobs.read.adoptions(job_id)}
            finished = self._measurements.listed(state="finished", job_id=job_id, limit=1000)
            for measurement in reversed(finished):
                if measurement.id not in known:
                    await self._take(job_id, measurement)

    async def _take(self, job_id: int, measurement: Measurement) -> None:
        step = self._jobs.state(job_id).now or ""
        adoption = Adoption(measurement.id, None, step, "", measurement.sentence)
        try:
            payload = await self._payload(job_id, measurement, step)
            await self._jobs.add(job_id, payload, adopting=adoption)
        except ServiceError as error:
            log.warning("job %d does not take measurement %d: %s", job_id, measurement.id, error.message)
            refused = Adoption(measurement.id, None, step, error.code, error.message)
            await self._jobs.not_taken(job_id, refused)

    async def _payload(self, job_id: int, measurement: Measurement, step: str) -> Payload:
        engine = self._jobs.read.job(job_id).job.engine
        what = touched(engine, measurement.touches)
        if what.valve is None and step == "bench_check":
            return await asyncio.to_thread(self._bench, measurement)
        if what.valve is None:
            return tdc_fact(measurement, what.cylinder)
        _, outcome = await asyncio.to_thread(self._fits.of, measurement.id)
        offset = engine.firing_offset_deg(what.cylinder) % CYCLE_DEG
        return lobe_fact(measurement, what.lobe, offset, outcome.curve)

    def _bench(self, measurement: Measurement) -> Payload:
        streams = self._fits.interval(measurement).streams()
        settings, polarity = measurement.analysis_settings(), (measurement.detail or {}).get("polarity", 1)
        assert isinstance(settings, TdcSettings)
        turn = tdc_to_tdc(streams, settings, measurement.gauge_facts(), polarity)
        return bench_fact(measurement, turn, turned_deg(streams))


def _chosen_step(state: JobState, entry: MeasureEntry) -> StepState:
    if entry.step is not None:
        found = next((step for step in state.steps if step.id == entry.step), None)
        if found is None:
            raise MisuseError("no_such_step", f"This job has no step called {entry.step}; see its steps.")
        return found
    if state.now is None:
        raise BlockedError("nothing_due", "No step is due in this job; name the step to be measured.")
    return state.step(state.now)


def _refuse_blocked(step: StepState) -> None:
    if step.state == "blocked" and not step.code:
        raise BlockedError("not_yet", f"{step.title} cannot be measured yet. {step.why}", step.id)


def wanted_drop_mm(job: Job, valve: Valve) -> float:
    """Give the drop below full lift at which the job's card wants a lobe's centre."""
    card = job.card_at_gauge.lobe(valve)
    drop = card.drop_mm if card is not None and job.card.way == "full_lift" else None
    return USUAL_DROP_MM if drop is None else drop


def wanted_lifts_mm(job: Job, valve: Valve) -> list[float]:
    """Give the check lifts, at the valve, at which a lobe's events are wanted: the usual and the card's."""
    card = job.card_at_gauge.lobe(valve)
    own = valve_check_lift_mm(card) if card is not None and card.check_lift_mm is not None else 0.0
    return sorted({*USUAL_CHECK_LIFTS_MM, *([own] if own > 0 else [])})
