"""The job at the bench: what its pages and other programs ask for, and the guide that every screen shows."""

from __future__ import annotations

import asyncio
import logging

from starlette.requests import HTTPConnection

from analysis.timing import Job, StrokeFound
from api.base import (
    BenchError,
    BlockedError,
    Centre,
    ConflictError,
    DropEntry,
    FactAdded,
    FactEntry,
    GaugeChoice,
    Guide,
    Health,
    JobEntry,
    JobLine,
    JobView,
    MeasureEntry,
    MeasurementView,
    MoveWay,
    Pressed,
    PressEntry,
    ServiceError,
    SignEntry,
    StrokeEntry,
    ValvesEntry,
)
from api.entry import job_of
from api.guide import (
    Action,
    Guidance,
    GuideContext,
    GuideContexts,
    guidance_in,
    guide_in,
    overlap_here,
    token_of,
    with_reason,
)
from api.hands import BenchDesk, ByDeed, HandsFree, JobLead, Lead, TurnedParts
from api.jobs import SCREEN, JobMeasuring, Jobs, job_line, job_view
from api.live import FeedMessage
from api.measure import ANEW, Parts
from api.records import GuideStage
from api.service.job_reports import JobReports
from api.service.things_on_file import ThingsOnFile
from api.service.valve_to_valve import ValveToValve

log = logging.getLogger("lobewright.jobs")
GUIDE_EVERY_S = 0.06
STROKE_NEAR_DEG = 5.0


class JobService:
    """Everything about jobs that needs the bench; called from the event loop."""

    def __init__(self, parts: Parts) -> None:
        self.jobs = Jobs(parts.shop)
        self.on_file = ThingsOnFile(self.jobs, parts.shop)
        self.measuring = JobMeasuring(
            self.jobs,
            parts.measuring,
            parts.measurements,
            parts.fits,
            parts.bench.gauges,
            takes_in=not parts.config.copy_of,
        )
        self.contexts = GuideContexts(parts, self.jobs, self.measuring)
        self.reports = JobReports(self.jobs, self.contexts, parts.measurements, parts.fits)
        self.valve_to_valve = ValveToValve(self.jobs, self.contexts)
        self.hands_free = HandsFree(parts, self.contexts)
        self.turned_parts = TurnedParts(parts, self.jobs, self.hands_free)
        self._deeds = ByDeed(self.jobs, self.hands_free)
        self._parts = parts
        self._pressing = asyncio.Lock()
        self.bench_desk = BenchDesk(parts, self.contexts, self.hands_free, self._pressing)
        self._due = asyncio.Event()
        parts.board.guide_maker = self.guide
        self.jobs.on_change(self._changed)

    # -- the guide

    def guide(self, health: Health, measurement: MeasurementView | None, centre: Centre | None) -> Guide:
        """Say what to do now: in the open job, or by the bench alone where none is open."""
        context = self._context(health, measurement, centre)
        return self.bench_desk.guide(health, measurement, centre) if context is None else guide_in(context)

    def _context(
        self, health: Health, measurement: MeasurementView | None, centre: Centre | None
    ) -> GuideContext | None:
        job_id = self.contexts.active
        if job_id is None:
            return None
        if measurement is not None and measurement.state == "running" and measurement.job_id != job_id:
            return None
        context = self.contexts.context(job_id, health, measurement, centre, to_show=True)
        if context is not None and context.waiting:
            self._due.set()
        return context

    def _context_now(self, job_id: int) -> GuideContext:
        board = self._parts.board
        context = self.contexts.context(job_id, board.health(), board.measurement, board.centre)
        if context is None:
            raise ConflictError("job_being_read", "The job is being read; press again in a moment.")
        return context

    async def run(self) -> None:
        """Keep the guide of the open job moving, and take in what was finished; until cancelled."""
        self._due.set()
        while True:
            try:
                if self._due.is_set():
                    await self._take_in()
                if await self.contexts.follow():
                    self._parts.board.publish_guide()
                await self._follow_hands()
            except ServiceError as error:
                log.warning("%s", error.message)
            except Exception:
                log.exception("the guide of the job failed")
                await asyncio.sleep(1.0)
            await asyncio.sleep(GUIDE_EVERY_S)

    async def _follow_hands(self) -> None:
        """Let begin or end by itself what does; a press that is being done goes first."""
        if self._pressing.locked():
            return
        async with self._pressing:
            turns_a_part = await self.turned_parts.follow()
            job_id, board = self.contexts.active, self._parts.board
            context = None
            if job_id is not None:
                context = self.contexts.context(job_id, board.health(), board.measurement, board.centre)
            await self.hands_free.follow(self._lead(context))
            if not turns_a_part:
                await self._deeds.follow(context)

    def _lead(self, context: GuideContext | None) -> Lead | None:
        """Give whom hands-free serves: what was begun without a job ends without one; a job that is read is waited for."""
        shown = self._parts.board.measurement
        of_no_job = shown is not None and shown.state == "running" and shown.job_id is None
        if self.contexts.active is None or of_no_job:
            return self.bench_desk.lead()
        return None if context is None else JobLead(context, self.measuring)

    async def _take_in(self) -> None:
        self._due.clear()
        active = self.jobs.read.active()
        self.contexts.active = active
        if active is not None:
            await self.measuring.take_in(active)
            await self.contexts.read(active)
            self._parts.board.publish_guide()

    def _changed(self, job_id: int) -> None:
        self.contexts.forget(job_id)
        self._due.set()

    def take_readings(self, message: FeedMessage) -> None:
        """Take live readings of a channel, in order."""
        self.hands_free.take(message["channel"], message["t_ns"], message["value"])
        if message["channel"] == self._parts.bench.crank():
            for t_ns, value in zip(message["t_ns"], message["value"], strict=True):
                self.contexts.hand.take(t_ns, value)

    def hear(self, event: FeedMessage) -> None:
        """Hear of something that happened at the bench."""
        if event["code"] in ANEW:
            self.contexts.counted_anew(event["t_ns"])
            self.bench_desk.counted_anew(event["t_ns"])
            self.hands_free.forget()
            self._due.set()

    def feed_began(self) -> None:
        """The live feed was connected anew."""
        self.contexts.hand.forget()
        self.hands_free.forget()
        self.contexts.forget_zero()
        self._due.set()

    # -- jobs

    def lines(self, words: str, limit: int, before: int | None = None) -> list[JobLine]:
        """Give the jobs of the shop, or of them those that stand behind one."""
        active = self.jobs.read.active()
        held = self.jobs.all_held()
        rows = self.jobs.read.jobs(words, limit, before)
        return [job_line(row, active, held.get(row.id, "")) for row in rows]

    async def begin(self, entry: JobEntry) -> JobView:
        """Begin a job."""
        read = self.jobs.read
        job: Job = job_of(entry, read.engine(entry.engine_id), read.card(entry.card_id))
        number = await self.jobs.begin(job, entry.engine_id, entry.card_id, entry.by or entry.builder)
        return await self.open(number, entry.by or entry.builder) if entry.open else await self.view(number)

    async def view(self, job_id: int) -> JobView:
        """Give a job whole; what was finished meanwhile is taken in first."""
        row = self.jobs.read.job(job_id)
        await self.measuring.take_in(job_id)
        is_open = self.jobs.read.active() == job_id
        guide = None
        if is_open:
            self.contexts.active = job_id
            await self.contexts.read(job_id)
            guide = guide_in(self._context_now(job_id))
        running = self.measuring.running(job_id)
        return job_view(
            self.jobs.read.job(row.id),
            self.jobs.state(job_id),
            self.jobs.facts(job_id),
            self.jobs.read.adoptions(job_id),
            measurement=running.view() if running else None,
            guide=guide,
            is_open=is_open,
            by_itself=sorted(self.measuring.facts_by_itself(job_id, self.jobs.read.adoptions(job_id))),
            held=self.jobs.held(job_id),
            came=self.jobs.came(job_id),
        )

    async def open(self, job_id: int, by: str) -> JobView:
        """Let the bench serve a job."""
        await self.jobs.open(job_id, by or SCREEN)
        self._parts.board.clear_of_others(job_id)
        return await self.view(job_id)

    async def close(self, job_id: int) -> JobView:
        """Let the bench serve no job."""
        self.jobs.read.job(job_id)
        await self.jobs.close(job_id)
        self.contexts.active = self.jobs.read.active()
        return await self.view(job_id)

    async def delete(self, job_id: int, by: str) -> None:
        """Take a job off the list; refused while it is measured, and once it is signed."""
        async with self._pressing:
            await self.jobs.delete(job_id, by, self.measuring.sentence_if_measured)
            self.contexts.active = self.jobs.read.active()

    async def sign(self, job_id: int, entry: SignEntry) -> JobView:
        """Sign a job."""
        await self.measuring.take_in(job_id)
        await self.jobs.sign(job_id, entry.by, entry.statement)
        return await self.view(job_id)

    # -- doing

    async def press(self, job_id: int, entry: PressEntry) -> Pressed:
        """Do what the guide asks next, once; raises `ConflictError` where the job has gone on since."""
        async with self._pressing:
            await self._be_open(job_id)
            await self.measuring.take_in(job_id)
            await self.contexts.read(job_id)
            context = self._context_now(job_id)
            guidance = guidance_in(context)
            if entry.token and entry.token != token_of(context):
                raise ConflictError(
                    "pressed_already",
                    "That was done already, by another screen or a press before; nothing is lost. "
                    f"Now: {guidance.sentence}",
                )
            action = _pressed(guidance, entry)
            await self._perform(job_id, action, entry.by)
            await self.contexts.read(job_id)
            return Pressed(did=action.did, guide=guide_in(self._context_now(job_id)))

    async def _be_open(self, job_id: int) -> None:
        row = self.jobs.read.job(job_id)
        if self.jobs.read.active() != job_id:
            raise ConflictError(
                "job_not_open", f"Job {row.job.reference} is not open at the bench; open it first."
            )
        self.contexts.active = job_id

    async def _perform(self, job_id: int, action: Action, by: str) -> None:
        """What one press does, in the order in which its parts rest on one another."""
        for payload, source in action.facts:
            await self.jobs.add(job_id, payload, by, source)
        if action.forget or action.stage is not None:
            await self.jobs.set_stage(job_id, action.stage, by)
        if action.dismiss or action.by_itself is not None:
            self.hands_free.answered()
        if action.discard:
            await self.measuring.discard(job_id, "Thrown away: the gauge was on something else.")
        if action.begin:
            begun = await self.measuring.begin_on(
                job_id, action.begin, action.by_itself, action.gauge or None
            )
            self.hands_free.count_since(begun.start_ns)
        if action.finish:
            await self.measuring.finish(job_id)
        if action.sign:
            await self.sign(job_id, SignEntry(by=self.jobs.read.job(job_id).job.builder))

    async def measure(self, job_id: int, entry: MeasureEntry) -> MeasurementView:
        """Begin the measurement of a step."""
        async with self._pressing:
            await self.measuring.take_in(job_id)
            await self.contexts.refuse_without_zero(job_id, entry)
            begun = await self.measuring.begin(job_id, entry)
            self.hands_free.count_since(begun.start_ns)
            return begun.view()

    async def add_fact(self, job_id: int, entry: FactEntry) -> FactAdded:
        """Add something that happened."""
        await self.measuring.take_in(job_id)
        fact = await self.jobs.add(job_id, entry.what, entry.by)
        return FactAdded(fact=fact, job=await self.view(job_id))

    async def choose_gauge(self, job_id: int, entry: GaugeChoice) -> JobView:
        """Choose the gauge that is used on pistons, or on valves."""
        self.jobs.read.job(job_id)
        self.measuring.tell_gauge(job_id, entry.on == "valve", entry.gauge)
        self._changed(job_id)
        return await self.view(job_id)

    async def choose_way(self, job_id: int, entry: MoveWay) -> JobView:
        """Choose how the cam is moved in the correction that is due."""
        now = self.jobs.state(job_id).now or ""
        if not now.startswith("correction."):
            raise ConflictError("no_correction_due", "No correction is due in this job now.")
        await self.jobs.set_stage(job_id, GuideStage(now, "way", {"way": entry.way}), entry.by)
        return await self.view(job_id)

    async def stroke(self, job_id: int, entry: StrokeEntry) -> JobView:
        """Note that the crank stands at overlap TDC, or that an angle of the encoder is near it."""
        tdc_deg = self.jobs.state(job_id).tdc_deg
        if tdc_deg is None:
            raise BlockedError("not_yet", "Overlap TDC comes after true TDC: measure that first.", "true_tdc")
        crank_deg = entry.crank_deg if entry.crank_deg is not None else self._crank_now()
        found = overlap_here(crank_deg, tdc_deg)
        off = (crank_deg - found.overlap_tdc_deg + 360.0) % 720.0 - 360.0
        if abs(off) > STROKE_NEAR_DEG:
            raise BlockedError(
                "not_at_tdc",
                f"The crank stands {abs(off):.0f} deg {'past' if off > 0 else 'before'} TDC; turn to TDC, "
                "look at the valves, then note it.",
                "stroke",
            )
        await self.jobs.add(
            job_id, StrokeFound(found.overlap_tdc_deg, entry.how), entry.by, {"crank_deg": crank_deg}
        )
        return await self.view(job_id)

    async def drop(self, job_id: int, entry: DropEntry) -> JobView:
        """Keep a drop and what it says of valve to piston."""
        await self.reports.enter_drop(job_id, entry)
        return await self.view(job_id)

    async def valves(self, job_id: int, entry: ValvesEntry) -> JobView:
        """Keep what was found of valve to valve."""
        await self.valve_to_valve.enter(job_id, entry)
        return await self.view(job_id)

    def _crank_now(self) -> float:
        bench = self._parts.bench
        latest = bench.latest.get(bench.crank() or "")
        if latest is None:
            raise BenchError(
                "no_crank", "The encoder is not being read; see to it, or give the crank's angle."
            )
        return latest.value


def _pressed(guidance: Guidance, entry: PressEntry) -> Action:
    """Give what a press does: the large button, or one of the choices beside it."""
    if not entry.choice:
        if guidance.action is None:
            raise ConflictError("nothing_to_press", f"There is nothing to press now. {guidance.sentence}")
        return guidance.action
    if entry.choice > len(guidance.options):
        raise ConflictError("no_such_choice", f"That cannot be chosen now. {guidance.sentence}")
    option = guidance.options[entry.choice - 1]
    return with_reason(option.action, entry.reason) if option.wants_reason else option.action


def the_job_service(connection: HTTPConnection) -> JobService:
    """Give the service of jobs of an app to a route."""
    job_service: JobService = connection.app.state.service.job_service
    return job_service
