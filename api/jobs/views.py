"""A job as its pages and other programs are given it."""

from __future__ import annotations

from collections.abc import Sequence

from analysis.job import JobState
from analysis.timing import Fact
from api.base import (
    CamStandingView,
    DepartureView,
    Finding,
    Guide,
    JobLine,
    JobView,
    MeasurementView,
    StepView,
    Unadopted,
)
from api.records import Adoption, JobRow


def job_line(row: JobRow, active: int | None, held: str = "") -> JobLine:
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
        held=held,
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
    by_itself: Sequence[int] = (),
    held: str = "",
    came: str = "",
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
        steps=[StepView.model_validate(step) for step in state.steps],
        cams=[CamStandingView.model_validate(cam) for cam in state.cams],
        tdc_deg=state.tdc_deg,
        tdc_u95_deg=state.tdc_u95_deg,
        overlap_tdc_deg=state.overlap_tdc_deg,
        findings=[Finding.model_validate(one) for one in state.findings],
        departures=[DepartureView.model_validate(one) for one in state.departures],
        signed_by=state.signed_by,
        signed_at=state.signed_at,
        facts=list(facts),
        by_itself=list(by_itself),
        not_taken=[Unadopted.model_validate(one) for one in adoptions if one.fact is None],
        measurement=measurement,
        guide=guide,
        held=held,
        came=came,
    )
