"""The web API of what can be computed from a job at any time."""

from __future__ import annotations

from fastapi import APIRouter

from api.job_messages import CamCorrection, Finding, PistonClearanceView
from api.routes_jobs import TROUBLES, Desk, JobNumber

router = APIRouter(prefix="/api/jobs", tags=["jobs"], responses=TROUBLES)


@router.get("/{job_id}/correction", summary="What would bring each cam to its card")
async def read_corrections(job_id: JobNumber, desk: Desk) -> list[CamCorrection]:
    """Which way as the builder sees it, arc at the bolt circle, what to set on the adjuster at hand."""
    return await desk.reports.corrections(job_id)


@router.get("/{job_id}/valve_to_piston", summary="Least clearance of each valve to its piston")
async def read_piston_clearances(job_id: JobNumber, desk: Desk) -> list[PistonClearanceView]:
    """Where it is least, against whose figure, and what it becomes with the cam early or late."""
    return await desk.reports.piston_clearances(job_id)


@router.get("/{job_id}/checks", summary="What the measurements of a job say of each other")
async def read_checks(job_id: JobNumber, desk: Desk) -> list[Finding]:
    """Give the odd lobe, a wrong stroke or cylinder, clearance, lift, slack, a zero or a lag that moved."""
    return desk.reports.checks(job_id)
