"""A job's sheet, put together from its facts and what can be computed from them."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Iterable

import numpy as np

from analysis.job import (
    CHECK_PISTONS,
    MAKERS_FIRST,
    STOP_ON_RESISTANCE,
    TAKE_OUT,
    TURN_BY_HAND,
    CamStanding,
    Evidence,
    JobState,
)
from analysis.moving import single_cam_after
from analysis.timing import (
    Cam,
    Job,
    Lobe,
    LobeMeasured,
    NotComparable,
    SignedOff,
    StoredLift,
    expected_crank_deg,
    full_lift_of,
    lobe_error,
)
from api.base import CamStandingView, DepartureView, Finding, VerdictView
from api.live import PROGRAM
from api.records import Measurement, now_text
from api.service import JobService, Service
from api.sheet.measurements import measurement_lines, part_lines
from api.sheet.model import Sheet, SheetCam, SheetCurve
from api.sheet.words import (
    SIDES,
    card_lines,
    card_number,
    clearance_lines,
    engine_lines,
    happenings,
    set_back,
    signed_side,
)

CAUTIONS = (TURN_BY_HAND, STOP_ON_RESISTANCE, CHECK_PISTONS, TAKE_OUT, MAKERS_FIRST)
LEAST_LEFT_CAM_DEG = 0.05
CURVE_STEP_DEG = 1


async def job_sheet(service: Service, job_id: int) -> Sheet:
    """Give a job's sheet as it stands; what was finished meanwhile is taken in first."""
    service.job_service.jobs.read.job(job_id)
    await service.job_service.measuring.take_in(job_id)
    measured = {one.id: one for one in service.measurements.listed(job_id=job_id, limit=1000)}
    return await sheet_of(service.job_service, job_id, measured, service.config.notice)


def file_word(reference: str, job_id: int) -> str:
    """Give a job's reference in letters that the file names of every system take."""
    return re.sub(r"[^A-Za-z0-9._-]+", "-", reference).strip("-.") or f"job-{job_id}"


async def sheet_of(
    job_service: JobService, job_id: int, measured: dict[int, Measurement], notice: str
) -> Sheet:
    """Put a job's sheet together; `measured` are its measurements by number."""
    row, state, facts = (
        job_service.jobs.read.job(job_id),
        job_service.jobs.state(job_id),
        job_service.jobs.facts(job_id),
    )
    evidence = Evidence.of(row.job, facts)
    signature = evidence.signature()
    statement = signature.what.statement if signature and isinstance(signature.what, SignedOff) else ""
    return Sheet(
        program=PROGRAM,
        made_at=now_text(),
        notice=notice,
        job_id=job_id,
        begun_at=row.at,
        job=row.job,
        signed_by=state.signed_by,
        signed_at=state.signed_at,
        statement=statement,
        result=_result(state),
        engine=engine_lines(row.job.engine),
        card=card_lines(row.job),
        cams=[_cam(row.job, evidence, one) for one in state.cams],
        clearances=clearance_lines(row.job, list(evidence.facts)),
        measurements=measurement_lines(row.job, evidence, facts, measured),
        happenings=happenings(facts),
        departures=[DepartureView.model_validate(one) for one in state.departures],
        findings=[
            *_findings(state, job_service.reports.checks(job_id)),
            *set_back(facts, row.at),
        ],
        piston=await job_service.reports.piston_clearances(job_id),
        apart=job_service.valve_to_valve.found(job_id),
        lobes=job_service.reports.lobes(job_id),
        parts=part_lines(evidence.facts),
        changes=job_service.reports.changes(job_id),
        standings=[CamStandingView.model_validate(one) for one in state.cams],
        cautions=list(CAUTIONS),
        curves=await _curves(job_service, job_id, row.job, evidence),
        facts=facts,
    )


def _result(state: JobState) -> str:
    calls = [cam.verdict.call if cam.verdict is not None else "not_told" for cam in state.cams]
    if all(call == "in" for call in calls):
        return "Every cam is in tolerance."
    parts = [f"{cam.cam}: {_call_words(call)}" for cam, call in zip(state.cams, calls, strict=True)]
    return "; ".join(parts).capitalize() + "."


def _call_words(call: str) -> str:
    return {
        "in": "in tolerance",
        "out": "out of tolerance",
        "cannot_tell": "cannot be told from its tolerance",
        "not_told": "not proved",
    }[call]


def _findings(state: JobState, checks: Iterable[Finding]) -> list[Finding]:
    own = [Finding.model_validate(one) for one in state.findings]
    known = {one.message for one in own}
    return own + [one for one in checks if one.message not in known]


# -- cams in short


def _cam(job: Job, evidence: Evidence, standing: CamStanding) -> SheetCam:
    cam = job.engine.cam(standing.cam)
    lobes = job.engine.reference_lobes(cam)
    verdict = None if standing.verdict is None else VerdictView.model_validate(standing.verdict)
    return SheetCam(
        cam=standing.cam,
        as_found=[_in_words(job, _first(evidence, cam, lobe)) for lobe in lobes],
        as_left=[_in_words(job, _last(evidence, cam, lobe)) for lobe in lobes],
        card=[f"{lobe.valve} {card_number(job.card, lobe.valve)}" for lobe in lobes],
        verdict=verdict,
        left="not_told" if verdict is None else verdict.call,
        sentence=standing.sentence,
        cannot_be_cured=_not_curable(standing),
    )


def _of_lobe(evidence: Evidence, cam: Cam, lobe: Lobe, after: int = 0) -> list[LobeMeasured]:
    step = f"lobe.{cam.name}"
    return [
        what
        for number, what in evidence.counting(step, LobeMeasured)
        if (what.cylinder, what.valve) == (lobe.cylinder, lobe.valve) and number > after
    ]


def _first(evidence: Evidence, cam: Cam, lobe: Lobe) -> LobeMeasured | None:
    return next(iter(_of_lobe(evidence, cam, lobe)), None)


def _last(evidence: Evidence, cam: Cam, lobe: Lobe) -> LobeMeasured | None:
    after = max(evidence.touches(cam.name), default=0)
    return next(reversed(_of_lobe(evidence, cam, lobe, after)), None)


def _in_words(job: Job, what: LobeMeasured | None) -> str:
    if what is None:
        return "not measured"
    offset = job.engine.firing_offset_deg(what.cylinder)
    centre = full_lift_of(what.valve, what.centre_deg, offset)
    words = f"{what.valve} {centre:.2f} ± {what.u95_deg:.2f} {SIDES[what.valve]}"
    try:
        return f"{words}, {signed_side(lobe_error(job, what).error_deg)}"
    except NotComparable:
        return words


def _not_curable(standing: CamStanding) -> str:
    """Say what the grinder left on a single cam, which no setting cures, and what each lobe keeps of it."""
    left = standing.separation_error_cam_deg
    newest = {one.lobe.valve: one.verdict for one in standing.measured if one.verdict is not None}
    if left is None or abs(left) < LEAST_LEFT_CAM_DEG or set(newest) != {"inlet", "exhaust"}:
        return ""
    u95 = (newest["inlet"].u95_deg + newest["exhaust"].u95_deg) / 2
    now = single_cam_after(newest["inlet"].error_deg, newest["exhaust"].error_deg, 0.0).sentence
    cured = now.partition(" The lobe separation")[0].replace("then ", "now ")
    kind = "wider" if left > 0 else "narrower"
    return (
        f"Lobe separation measures {abs(left):.1f} ± {u95:.1f} cam deg {kind} than the card (cam, card or "
        f"follower): no setting of the cam cures that. {cured}"
    )


# -- curves


async def _curves(job_service: JobService, job_id: int, job: Job, evidence: Evidence) -> list[SheetCurve]:
    """Give every reference lobe's curve as found and, where the cam was touched, as left."""
    found = []
    for cam in job.engine.cams:
        for lobe in job.engine.reference_lobes(cam):
            for stage, what in (
                ("as found", _first(evidence, cam, lobe)),
                ("as left", _last(evidence, cam, lobe)),
            ):
                if what is None or (stage == "as left" and not evidence.touches(cam.name)):
                    continue
                curve = await _curve(job_service, job_id, job, what, stage)
                if curve is not None:
                    found.append(curve)
    return found


async def _curve(
    job_service: JobService, job_id: int, job: Job, what: LobeMeasured, stage: str
) -> SheetCurve | None:
    number = next(fact.number for fact in job_service.jobs.facts(job_id) if fact.what == what)
    known = await job_service.contexts.known_lobe(job_id, number, what)
    if known is None:
        return None
    crank, lift = await asyncio.to_thread(_sampled, known.lift)
    lobe = Lobe(what.cylinder, what.valve)
    return SheetCurve(
        lobe=lobe.words,
        valve=what.valve,
        stage="as found" if stage == "as found" else "as left",
        crank_deg=crank,
        lift_mm=lift,
        card_centre_deg=expected_crank_deg(job, lobe),
    )


def _sampled(lift: StoredLift) -> tuple[list[float], list[float]]:
    crank = np.arange(-360.0, 361.0, CURVE_STEP_DEG)
    values = lift.lifts_mm(crank)
    seen = np.isfinite(values)
    return crank[seen].tolist(), np.round(values[seen], 4).tolist()
