"""What the guide of the open job is made from, kept ready so that it can be made many times a second."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, field
from typing import Any

from analysis.base import Refusal
from analysis.job import Evidence, JobState, job_state
from analysis.timing import Decided, Fact, Job, Lobe, LobeMeasured, StoredLift, told_from_own_tdc
from api.base import BlockedError, Centre, Health, MeasureEntry, MeasurementView, ServiceError
from api.guide.guidance import CrankNow, GaugeNow, GuideContext, KnownLobe, TakeUp, Watch
from api.guide.moving import next_phase
from api.jobs import SCREEN, JobMeasuring, Jobs, curve_of
from api.measure import Parts, ZeroProof, zero_proof
from api.records import GuideStage

ALIVE = frozenset({"online"})
USUAL_STEP_MM = 0.01


@dataclass(slots=True)
class _Ready:
    """A job as it was read last."""

    job: Job
    facts: list[Fact]
    state: JobState
    stage: GuideStage | None
    taken: set[int]
    ahead: JobState | None = None
    lobes: dict[str, KnownLobe] = field(default_factory=dict)
    to_use: dict[str, str] = field(default_factory=dict)
    zero: ZeroProof = field(default_factory=lambda: ZeroProof("stands"))
    by_itself: frozenset[int] = frozenset()


class GuideContexts:
    """Keeps the open job ready and puts the bench's newest readings beside it."""

    def __init__(self, parts: Parts, jobs: Jobs, measuring: JobMeasuring) -> None:
        self._parts = parts
        self._jobs = jobs
        self._measuring = measuring
        self._ready: dict[int, _Ready] = {}
        self._shown: dict[int, _Ready] = {}
        self._known: dict[tuple[int, int], KnownLobe | None] = {}
        self._anew_ns = 0
        self.hand = TakeUp()
        self.watch = Watch()
        self.active: int | None = jobs.read.active()

    def forget(self, job_id: int) -> None:
        """The job has changed; it is read again before it is next shown."""
        self._shown.update({number: ready for number, ready in self._ready.items() if number == job_id})
        self._ready.pop(job_id, None)

    def forget_zero(self) -> None:
        """The bench has begun anew; whether the zero stands is asked again."""
        self._ready.clear()

    def counted_anew(self, t_ns: int) -> None:
        """The counter began anew at this instant, which may not be in the store yet."""
        self._anew_ns = max(self._anew_ns, t_ns)
        self.forget_zero()

    async def read(self, job_id: int) -> None:
        """Read a job, its curves and whether its zero stands, if it has changed."""
        if job_id in self._ready:
            return
        row = self._jobs.read.job(job_id)
        facts, state = self._jobs.facts(job_id), self._jobs.state(job_id)
        adoptions = self._jobs.read.adoptions(job_id)
        taken = {one.measurement_id for one in adoptions}
        ready = _Ready(told_from_own_tdc(row.job, facts), facts, state, self._jobs.read.stage(job_id), taken)
        ready.ahead = _decided_ahead(row.job, facts, state)
        ready.by_itself = self._measuring.facts_by_itself(job_id, adoptions)
        parts = self._parts
        ready.zero = await asyncio.to_thread(
            zero_proof,
            state,
            facts,
            parts.measurements,
            parts.stored,
            run_id=parts.bench.run_id,
            anew_ns=self._anew_ns,
            from_elsewhere=row.facts_from_elsewhere,
            reference=ready.job.engine.reference,
        )
        ready.lobes = await self._lobes(job_id, ready)
        if len(parts.bench.gauges()) > 1:
            on_piston, on_valve = (self._measuring.usual_gauge(job_id, valve) for valve in (None, "inlet"))
            ready.to_use = {"piston": on_piston or "", "valve": on_valve or ""}
        self._ready[job_id] = ready

    async def _lobes(self, job_id: int, ready: _Ready) -> dict[str, KnownLobe]:
        """Give the curves by which a move, and valve to piston, are led."""
        evidence = Evidence.of(ready.job, ready.facts)
        found: dict[str, KnownLobe] = {}
        for cam in ready.job.engine.cams:
            lobes = ready.job.engine.reference_lobes(cam)
            after = max(evidence.touches(cam.name), default=0)
            newest = sorted(evidence.lobes(f"lobe.{cam.name}", lobes, after=after).values())
            for number, what in newest:
                known = await self.known_lobe(job_id, number, what)
                if known is not None:
                    found[cam.name] = known
                    if known.lobe.cylinder == ready.job.engine.reference:
                        found[known.lobe.valve] = known
                    found[known.lobe.touches] = known
        return found

    def lobes(self, job_id: int) -> dict[str, KnownLobe]:
        """Give the curves of a job that was read: by cam, by valve of the reference cylinder, and by lobe."""
        return self._ready[job_id].lobes

    async def known_lobe(self, job_id: int, number: int, what: LobeMeasured) -> KnownLobe | None:
        """Give the curve of one measured lobe, computed from what is stored; `None` where it cannot be."""
        key = (job_id, number)
        if key not in self._known:
            look = self._look_by_hand if what.by_hand else self._look
            self._known[key] = await asyncio.to_thread(look, job_id, number, what)
        return self._known[key]

    def _look_by_hand(self, job_id: int, number: int, what: LobeMeasured) -> KnownLobe | None:
        source = self._jobs.read.sources(job_id).get(number, {})
        lift = curve_of(source)
        if lift is None:
            return None
        lobe, step = Lobe(what.cylinder, what.valve), float(source["gauge_step_mm"])
        return KnownLobe(
            lobe, number, "", lift, source["base_mm"], source["polarity"], None, step, what.u95_deg
        )

    def _look(self, job_id: int, number: int, what: LobeMeasured) -> KnownLobe | None:
        """Fit the trace of a lobe; `None` where it was measured by hand or cannot be fitted any more."""
        if not what.measurement_id.isdecimal():
            return None
        try:
            measurement, outcome = self._parts.fits.of(int(what.measurement_id))
            if outcome.curve is None:
                return None
            lift = StoredLift.of(outcome.curve)
        except (ServiceError, Refusal):
            return None
        detail: dict[str, Any] = outcome.detail or {}
        return KnownLobe(
            lobe=Lobe(what.cylinder, what.valve),
            fact=number,
            gauge=measurement.gauge,
            lift=lift,
            base_mm=_level_mm(detail),
            polarity=int(detail.get("polarity") or 1),
            slack_deg=what.slack_deg,
            step_mm=measurement.facts.get("step_mm") or USUAL_STEP_MM,
            u95_deg=what.u95_deg,
        )

    async def refuse_without_zero(self, job_id: int, entry: MeasureEntry) -> None:
        """Refuse to measure a lobe while it is not proved that the encoder's zero stands."""
        await self.read(job_id)
        state = self._ready[job_id].state
        asked = state.now if entry.step is None else entry.step
        lobe = entry.valve is not None or any(
            step.id == asked and step.asks.measures == "lobe" for step in state.steps
        )
        zero = self._ready[job_id].zero
        if lobe and zero.state != "stands":
            raise BlockedError(f"zero_{zero.state}", zero.sentence, "true_tdc")

    def context(
        self,
        job_id: int,
        health: Health,
        measurement: MeasurementView | None,
        centre: Centre | None,
        *,
        to_show: bool = False,
    ) -> GuideContext | None:
        """Give what the guide is made from at this moment; `None` before the job was read.

        What is only shown stays as it was while a job that has changed is read again.
        """
        ready = self._ready.get(job_id, self._shown.get(job_id) if to_show else None)
        if ready is None:
            return None
        own = measurement if measurement is not None and measurement.job_id == job_id else None
        return GuideContext(
            job_id=job_id,
            job=ready.job,
            facts=ready.facts,
            state=ready.state,
            ahead=ready.ahead,
            stage=ready.stage,
            measurement=own,
            centre=centre
            if own is not None and centre is not None and centre.measurement_id == own.id
            else None,
            crank=self._crank(health),
            gauges=self._gauges(health),
            to_use=ready.to_use,
            lobes=ready.lobes,
            trouble=_trouble(health),
            zero=ready.zero,
            watch=self.watch,
            by_itself=ready.by_itself,
            waiting=own is not None and own.state == "finished" and own.id not in ready.taken,
        )

    def _crank(self, health: Health) -> CrankNow | None:
        bench = self._parts.bench
        name = bench.crank()
        latest = bench.latest.get(name) if name is not None else None
        if latest is None or name is None:
            return None
        return CrankNow(latest.value, _alive(health, name), self.hand.taken_up, self.hand.turned_deg)

    def _gauges(self, health: Health) -> dict[str, GaugeNow]:
        bench = self._parts.bench
        return {
            name: GaugeNow(bench.latest[name].value, _alive(health, name))
            for name in bench.gauges()
            if name in bench.latest
        }

    async def follow(self) -> bool:
        """Go on with what the guide remembers; `True` where an open job's guide may have changed."""
        if self.active is None or self.active not in self._ready:
            return False
        ready, board = self._ready[self.active], self._parts.board
        if ready.stage is None or ready.stage.stage != "moving":
            return True
        context = self.context(self.active, board.health(), board.measurement, board.centre)
        cam = ready.stage.step.partition(".")[2]
        lobe = ready.lobes.get(cam)
        phase = next_phase(context, ready.stage, lobe) if context is not None and lobe is not None else None
        if phase is not None:
            stage = GuideStage(ready.stage.step, "moving", ready.stage.body | {"phase": phase})
            await self._jobs.set_stage(self.active, stage)
        return True


def _decided_ahead(job: Job, facts: list[Fact], state: JobState) -> JobState | None:
    """Give where the job would stand, were the cam in hand decided to be corrected; `None` where it is in."""
    cam = "" if state.now is None else state.step(state.now).cam
    standing = next((one for one in state.cams if one.cam == cam), None)
    if standing is None or standing.verdict is None or standing.verdict.call == "in":
        return None
    decided = Fact(facts[-1].number + 1, "", SCREEN, Decided(cam, "correct"))
    ahead = job_state(job, [*facts, decided])
    return ahead if ahead.now == f"correction.{cam}" else None


def _level_mm(detail: dict[str, Any]) -> float | None:
    """Where the fitted curve's zero stands on the gauge; without its polarity nothing is known of it."""
    return float(detail.get("base_mm") or 0.0) if detail.get("polarity") else None


def _alive(health: Health, name: str) -> bool:
    return any(channel.name == name and channel.state in ALIVE for channel in health.channels)


def _trouble(health: Health) -> str:
    if not health.capture_alive:
        return health.sentence
    silent = [channel for channel in health.channels if channel.state not in ALIVE]
    return silent[0].told if silent else "" if health.channels else health.sentence
