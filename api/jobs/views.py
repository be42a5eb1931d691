"""A job as its pages and other programs are given it."""

from __future__ import annotations

from collections.abc import Sequence

from analysis.job import CamStanding, Departure, JobState, LobeStanding, StepState
from analysis.timing import Fact, Lobe, Verdict, full_lift_words
from api.base import (
    CamStandingView,
    DepartureView,
    Finding,
    Guide,
    JobLine,
    JobView,
    LobeName,
    LobeStandingView,
    MeasurementView,
    StepView,
    Unadopted,
    VerdictView,
)
from api.store import Adoption, JobRow


def touches(lobe: Lobe) -> str:
    """Give what a gauge on the valve of a lobe is said to touch: ``inlet_1``."""
    return f"{lobe.valve}_{lobe.cylinder.lower()}"


def step_view(step: StepState) -> StepView:
    """Give one step."""
    return StepView(
        id=step.id,
        kind=step.kind,
        title=step.title,
        state=step.state,
        sentence=step.sentence,
        why=step.why,
        gives=step.gives,
        needs=list(step.needs),
        cautions=list(step.cautions),
        cam=step.cam,
        cylinder=step.cylinder,
        lobes=[LobeName(cylinder=one.cylinder, valve=one.valve, touches=touches(one)) for one in step.lobes],
        measures=step.asks.measures,
        at_bench=step.asks.at_bench,
        needs_zero=step.asks.needs_zero,
        by_hand=step.asks.by_hand,
        may_skip=step.may_skip,
        may_override=step.may_override,
        code=step.code,
        facts=list(step.facts),
    )


def verdict_view(verdict: Verdict | None) -> VerdictView | None:
    """Give a verdict."""
    if verdict is None:
        return None
    return VerdictView(
        call=verdict.call,
        error_deg=verdict.error_deg,
        error_cam_deg=verdict.error_cam_deg,
        u95_deg=verdict.u95_deg,
        tolerance_deg=verdict.tolerance_deg,
        sentence=verdict.sentence,
    )


def _lobe_standing(one: LobeStanding) -> LobeStandingView:
    return LobeStandingView(
        cylinder=one.lobe.cylinder,
        valve=one.lobe.valve,
        fact=one.fact,
        stage=one.stage,
        full_lift_deg=one.full_lift_deg,
        full_lift=full_lift_words(one.lobe.valve, one.full_lift_deg, 2),
        u95_deg=one.u95_deg,
        drop_mm=one.drop_mm,
        by_hand=one.by_hand,
        verdict=verdict_view(one.verdict),
        not_comparable=one.not_comparable,
    )


def cam_standing_view(cam: CamStanding) -> CamStandingView:
    """Give where a cam stands."""
    return CamStandingView(
        cam=cam.cam,
        measured=[_lobe_standing(one) for one in cam.measured],
        verdict=verdict_view(cam.verdict),
        to_make_deg=cam.to_make_deg,
        separation_error_cam_deg=cam.separation_error_cam_deg,
        sentence=cam.sentence,
    )


def departure_view(one: Departure) -> DepartureView:
    """Give a step left out, or a block gone past."""
    return DepartureView(
        step=one.step, title=one.title, reason=one.reason, by=one.by, at=one.at, code=one.code
    )


def job_line(row: JobRow, active: int | None) -> JobLine:
    """Give a job as one line of a list."""
    return JobLine(
        id=row.id,
        reference=row.job.reference,
        customer=row.job.customer,
        builder=row.job.builder,
        engine=row.job.engine.name,
        card=row.job.card.name,
        at=row.at,
        changed_at=row.changed_at,
        now_step=row.now_step,
        now_title=row.now_title,
        signed_at=row.signed_at,
        signed_by=row.signed_by,
        open=row.id == active,
    )


def job_view(
    row: JobRow,
    state: JobState,
    facts: Sequence[Fact],
    adoptions: Sequence[Adoption],
    *,
    measurement: MeasurementView | None,
    guide: Guide | None,
    is_open: bool,
) -> JobView:
    """Give a job whole."""
    return JobView(
        id=row.id,
        open=is_open,
        at=row.at,
        by=row.by,
        changed_at=row.changed_at,
        job=row.job,
        now=state.now,
        steps=[step_view(step) for step in state.steps],
        cams=[cam_standing_view(cam) for cam in state.cams],
        tdc_deg=state.tdc_deg,
        tdc_u95_deg=state.tdc_u95_deg,
        overlap_tdc_deg=state.overlap_tdc_deg,
        findings=[Finding(code=one.code, message=one.message) for one in state.findings],
        departures=[departure_view(one) for one in state.departures],
        signed_by=state.signed_by,
        signed_at=state.signed_at,
        facts=list(facts),
        not_taken=[
            Unadopted(measurement_id=one.measurement_id, step=one.step, code=one.code, sentence=one.sentence)
            for one in adoptions
            if one.fact is None
        ],
        measurement=measurement,
        guide=guide,
    )
