"""What can be computed from a job at any time: corrections, valve to piston, checks, which card it is."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from analysis.base import Refusal
from analysis.clearance import DropMeasured, PistonClearance, Pushed, find_piston_clearance, minimum_of
from analysis.job import (
    CamStanding,
    Evidence,
    JobState,
    card_from,
    check_job,
    lobe_changes,
    rank_cards,
    rooms,
)
from analysis.moving import (
    adjuster_now,
    best_park,
    correction_for,
    lift_at_tdc_after,
    setting_of,
    single_cam_after,
)
from analysis.timing import Cam, CamCard, Fact, Job, Lobe, LobeMeasured, PistonClearanceFound, Valve, newest
from analysis.timing import table as lobe_table
from api.base import (
    CamCorrection,
    CardFromEntry,
    CardMatchView,
    ClearanceCurveView,
    ConflictError,
    DropEntry,
    FeatureView,
    Finding,
    HandEntry,
    LobeChangeView,
    LobeLineView,
    LobeName,
    PistonClearanceView,
    RoomView,
    ShiftedClearanceView,
    SingleCamView,
    with_service_errors,
)
from api.guide import NO_VALVE_CURVE, GuideContexts, KnownLobe, drop_of, drop_source, less_clearance_mm
from api.jobs import Jobs, fact_by_hand, lift_table, source_of, told_from
from api.measure import Fits
from api.records import MeasurementReader
from api.service.cam_report import JobCamReport, job_cam_report
from api.service.drive_slack import DriveSlackView, job_drive_slack
from api.service.piston_map import JobPistonMap, job_piston_map

CURVE_STEP = 4
"""The clearance curve is kept every quarter degree and told every full one."""

VALVES: tuple[Valve, Valve] = ("inlet", "exhaust")
SHOWN_AROUND_TDC_DEG = 60.0


class JobReports:
    """Computes reports of jobs; called from the event loop."""

    def __init__(
        self, jobs: Jobs, contexts: GuideContexts, measurements: MeasurementReader, fits: Fits
    ) -> None:
        self._jobs = jobs
        self._fits = fits
        self._contexts = contexts
        self._measurements = measurements

    def _counting(self, job_id: int) -> tuple[Job, Evidence, tuple[Fact, ...]]:
        job = self._jobs.read.job(job_id).job
        evidence = Evidence.of(job, self._jobs.facts(job_id))
        return job, evidence, evidence.facts

    # -- checks

    def checks(self, job_id: int) -> list[Finding]:
        """Give what the measurements of a job say of each other."""
        job, _, facts = self._counting(job_id)
        return [Finding.model_validate(one) for one in with_service_errors(check_job)(job, facts)]

    def lobes(self, job_id: int) -> list[LobeLineView]:
        """Give every lobe measured beside the others."""
        job, _, facts = self._counting(job_id)
        return [LobeLineView.model_validate(line) for line in lobe_table(job, facts)]

    def changes(self, job_id: int) -> list[LobeChangeView]:
        """Give every lobe that was measured again, with whether it moved."""
        job, evidence, _ = self._counting(job_id)
        facts = evidence.standing()
        changes = lobe_changes(job, facts, told_from(facts, self._measurements, job_id))
        return [LobeChangeView.model_validate(one) for one in changes]

    async def lift_table(self, job_id: int) -> str:
        """Give lift by degree of every lobe as it was measured last, as CSV."""
        job, _, facts = self._counting(job_id)
        lifts = {}
        for lobe, (number, what) in newest(job, facts).items():
            known = await self._contexts.known_lobe(job_id, number, what)
            if known is not None:
                lifts[lobe] = known.lift
        if not lifts:
            raise ConflictError(
                "no_curve", "No lobe of this job has a lift curve yet; measure one over four full turns."
            )
        return await asyncio.to_thread(lift_table, job.engine, lifts)

    async def cam_report(self, job_id: int) -> JobCamReport:
        """Give all that the newest trace of every lobe tells of the cam."""
        job, _, facts = self._counting(job_id)
        return await asyncio.to_thread(job_cam_report, job, newest(job, facts), self._fits)

    async def drive_slack(
        self, job_id: int, crank_teeth: int | None, pitch_mm: float | None, links: int | None
    ) -> DriveSlackView:
        """Give the slack of the cams' drives, against the last job on the same engine."""
        return await asyncio.to_thread(job_drive_slack, self._jobs, job_id, crank_teeth, pitch_mm, links)

    # -- by hand

    async def enter_by_hand(self, job_id: int, entry: HandEntry) -> None:
        """Take disc and gauge readings into a job."""
        job = self._jobs.read.job(job_id).job
        fact = fact_by_hand(job, self._jobs.state(job_id), entry)
        await self._jobs.add(job_id, fact, entry.by, source_of(entry))

    # -- which card it is

    def card_matches(self, job_id: int) -> list[CardMatchView]:
        """Rank the cards on file by how well they fit the lobes measured."""
        measured, offset = self._pair(job_id)
        cards = {
            one.id: one.body for one in self._jobs.read.on_file("cards") if isinstance(one.body, CamCard)
        }
        kept = {id(card): number for number, card in cards.items()}
        return [
            CardMatchView(
                card_id=kept[id(match.card)],
                card=match.card,
                fit=match.fit,
                off_rms=match.off_rms,
                features=[FeatureView.model_validate(feature) for feature in match.features],
                sentence=match.sentence,
            )
            for match in with_service_errors(rank_cards)(list(cards.values()), measured, offset)
        ]

    def _pair(self, job_id: int) -> tuple[list[LobeMeasured], float]:
        """Give the newest lobe of either valve of the reference cylinder, and that cylinder's offset."""
        job, _, facts = self._counting(job_id)
        reference = job.engine.reference
        found = [what for lobe, (_, what) in newest(job, facts).items() if lobe.cylinder == reference]
        if not found:
            raise ConflictError(
                "nothing_measured", "No lobe of the reference cylinder is measured yet; measure one first."
            )
        return found, job.engine.firing_offset_deg(reference)

    async def keep_card_from(self, job_id: int, entry: CardFromEntry) -> int:
        """Keep a new card made of the lobes measured, and give its number."""
        measured, offset = self._pair(job_id)
        card = with_service_errors(card_from)(entry.name, measured, offset, entry.check_lift_mm)
        return await self._jobs.keep(card, entry.by)

    # -- correction

    async def corrections(self, job_id: int) -> list[CamCorrection]:
        """Give for every cam what would bring it to its card."""
        await self._contexts.read(job_id)
        state = self._jobs.state(job_id)
        job, _, facts = self._counting(job_id)
        lobes = self._contexts.lobes(job_id)
        return [
            _correction(job, job.engine.cam(one.cam), one, lobes.get(one.cam), facts)
            for one in state.cams
            if one.to_make_deg is not None
        ]

    # -- valve to piston

    async def enter_drop(self, job_id: int, entry: DropEntry) -> None:
        """Keep what a drop that was entered says of valve to piston."""
        await self._contexts.read(job_id)
        job = self._jobs.read.job(job_id).job
        lobe = Lobe(entry.cylinder or job.engine.reference, entry.valve)
        drop = drop_of(
            job,
            lobe,
            entry.at_deg % 720.0,
            entry.drop_mm,
            from_seat=entry.from_seat,
            angle_deg=entry.valve_angle_deg,
            crown=entry.crown,
            u_mm=entry.u_mm,
            others_mm=tuple(entry.others_mm),
        )
        known = self._contexts.lobes(job_id).get(lobe.touches)
        if known is None:
            raise ConflictError(
                "no_curve",
                f"The lift curve of {lobe.words} since its cam was last touched is not there: measure it "
                "over four full turns, then enter the drop.",
            )
        if job.lifted == "follower":
            raise ConflictError("gauge_on_follower", NO_VALVE_CURVE)
        found = await asyncio.to_thread(self._clearance, job_id, job, drop, known)
        await self._jobs.add(job_id, found.fact(), entry.by, drop_source(drop, known))

    @with_service_errors
    def _clearance(self, job_id: int, job: Job, drop: DropMeasured, known: KnownLobe) -> PistonClearance:
        u_tdc = _u_tdc(self._jobs.state(job_id))
        less = less_clearance_mm(job, drop.lobe.valve)
        return find_piston_clearance(
            job.engine,
            drop,
            known.lift,
            less_clearance_mm=less,
            tdc_u_deg=u_tdc,
            shop_minimum_mm=job.shop_least_mm(drop.lobe.valve),
        )

    async def piston_clearances(self, job_id: int) -> list[PistonClearanceView]:
        """Give valve to piston, as last found for each valve, with its curve where that can be drawn."""
        await self._contexts.read(job_id)
        job, evidence, _ = self._counting(job_id)
        sources = self._jobs.read.sources(job_id)
        found = []
        for lobe in dict.fromkeys(
            lobe for cam in job.engine.cams for lobe in job.engine.reference_lobes(cam)
        ):
            known = evidence.clearance(lobe)
            if known is not None:
                curve = await self._curve(job_id, job, sources.get(known[0], {}), known[1])
                found.append(_clearance_view(job, evidence, known, curve))
        return found

    async def piston_map(self, job_id: int) -> JobPistonMap:
        """Give valve to piston of every cylinder against the phase of both cams."""
        await self._contexts.read(job_id)
        job, evidence, facts = self._counting(job_id)
        sources = self._jobs.read.sources(job_id)
        known: dict[Lobe, Pushed] = {}
        for lobe, (number, what) in newest(job, facts).items():
            found = evidence.clearance(lobe)
            taken = None if found is None else await self._pushed(job_id, lobe, sources.get(found[0], {}))
            now = await self._contexts.known_lobe(job_id, number, what)
            if taken is not None and now is not None:
                less, shop = less_clearance_mm(job, lobe.valve), job.shop_least_mm(lobe.valve)
                known[lobe] = Pushed(taken[0], taken[1].lift, now.lift, less, shop)
        state = self._jobs.state(job_id)
        return await asyncio.to_thread(job_piston_map, job, known, state.cams, _u_tdc(state))

    async def _curve(
        self, job_id: int, job: Job, source: dict[str, Any], found: PistonClearanceFound
    ) -> ClearanceCurveView | None:
        """Compute the curve again from the drop and the lobe that it was found with."""
        taken = await self._pushed(job_id, Lobe(found.cylinder, found.valve), source)
        if taken is None:
            return None
        clearance = await asyncio.to_thread(self._clearance, job_id, job, *taken)
        return _shown(clearance)

    async def _pushed(
        self, job_id: int, lobe: Lobe, source: dict[str, Any]
    ) -> tuple[DropMeasured, KnownLobe] | None:
        """Give the drop that a clearance was found from, and the curve of then."""
        number = source.get("lobe_fact")
        fact = next((one for one in self._jobs.facts(job_id) if one.number == number), None)
        if fact is None or not isinstance(fact.what, LobeMeasured):
            return None
        known = await self._contexts.known_lobe(job_id, fact.number, fact.what)
        if known is None:
            return None
        taken = {name: value for name, value in source.items() if name != "lobe_fact"}
        taken["others_mm"] = tuple(taken.get("others_mm", ()))
        return DropMeasured(lobe, **taken), known


def _u_tdc(state: JobState) -> float:
    return max((state.tdc_u95_deg or 0.2) / 2, 0.05)


def _shown(clearance: PistonClearance) -> ClearanceCurveView:
    curve = clearance.curve
    near = abs(curve.after_tdc_deg) <= SHOWN_AROUND_TDC_DEG
    return ClearanceCurveView(
        after_tdc_deg=curve.after_tdc_deg[near][::CURVE_STEP].tolist(),
        clearance_mm=curve.clearance_mm[near][::CURVE_STEP].round(4).tolist(),
        lift_mm=curve.lift_mm[near][::CURVE_STEP].round(4).tolist(),
        piston_mm=curve.piston_mm[near][::CURVE_STEP].round(4).tolist(),
    )


def _clearance_view(
    job: Job,
    evidence: Evidence,
    known: tuple[int, PistonClearanceFound],
    curve: ClearanceCurveView | None,
) -> PistonClearanceView:
    """What was found beside the least that holds now; `enough` is by the least of then."""
    number, what = known
    lobe = Lobe(what.cylinder, what.valve)
    touched = max(evidence.touches(job.engine.cam_of(lobe).name), default=0)
    minimum, whose = minimum_of(job.engine, what.valve, job.shop_least_mm(what.valve))
    return PistonClearanceView(
        lobe=LobeName.model_validate(lobe),
        fact=number,
        still_holds=number > touched,
        least_mm=what.least_mm,
        at_deg=what.at_deg,
        u95_mm=what.u95_mm,
        minimum_mm=minimum,
        minimum_from=whose,
        enough=what.least_mm - what.u95_mm >= what.minimum_mm,
        table=[
            ShiftedClearanceView(
                shift_deg=row.shift_deg,
                least_mm=row.least_mm,
                at_deg=row.at_deg,
                enough=row.least_mm - what.u95_mm >= what.minimum_mm,
            )
            for row in what.table
        ],
        room=_room(evidence, job.engine.cam_of(lobe).name, lobe),
        curve=curve,
    )


def _room(evidence: Evidence, cam: str, lobe: Lobe) -> RoomView | None:
    """Give how far the cam may go from where it stands; `None` where that is not known."""
    step = evidence.step(f"room.{cam}")
    known = () if step is None else rooms(evidence, step)
    return next((RoomView.model_validate(one) for one in known if one.lobe == lobe), None)


def _correction(
    job: Job, cam: Cam, standing: CamStanding, known: KnownLobe | None, facts: Sequence[Fact]
) -> CamCorrection:
    """By how much, by which setting, parked where, and what it leaves."""
    assert standing.to_make_deg is not None
    error = -standing.to_make_deg
    found = correction_for(job.engine, cam, error)
    setting = setting_of(adjuster_now(cam, job.engine.reference_lobes(cam), facts), error)
    plain = {name: value for name, value in asdict(found).items() if name != "error_deg"}
    return CamCorrection(
        cam=cam.name,
        error_deg=error,
        sentence=standing.sentence,
        setting="" if setting is None else setting.sentence,
        setting_leaves_deg=None if setting is None else setting.leaves_deg,
        single_cam=_single(job, cam, standing),
        park=_park_words(job, known, error),
        lift_at_tdc_then_mm=_lift_then(job, known, -error),
        **plain,
    )


def _single(job: Job, cam: Cam, standing: CamStanding) -> SingleCamView | None:
    """Say what both lobes of a single cam become, and what the grinder left that nothing cures."""
    if len(cam.valves) < 2 or standing.to_make_deg is None:
        return None
    newest = {one.lobe.valve: one.verdict for one in standing.measured if one.verdict is not None}
    if set(newest) != {"inlet", "exhaust"}:
        return None
    then = single_cam_after(newest["inlet"].error_deg, newest["exhaust"].error_deg, standing.to_make_deg)
    return SingleCamView(
        aim=job.single_cam_aim,
        **asdict(then),
    )


def _park_words(job: Job, known: KnownLobe | None, error_deg: float) -> str:
    if known is None:
        return ""
    try:
        return best_park(known.lift, error_deg, job.engine.tdcs_deg()).sentence
    except Refusal as refusal:
        return refusal.message


def _lift_then(job: Job, known: KnownLobe | None, change_deg: float) -> float | None:
    if known is None:
        return None
    offset = job.engine.firing_offset_deg(known.lobe.cylinder)
    try:
        return lift_at_tdc_after(known.lift, change_deg, offset)
    except Refusal:
        return None
