"""The web API of what can be computed from a job at any time."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Path, Query, status
from fastapi.responses import Response

from analysis.job import Evidence
from api.base import (
    CamCorrection,
    CardFromEntry,
    CardKept,
    CardMatchView,
    Finding,
    HandEntry,
    JobView,
    LobeChangeView,
    LobeLineView,
    PistonClearanceView,
    ValvesApartView,
)
from api.jobs import curve_csv, parts_csv
from api.service import DriveSlackView, JobCamReport, JobPistonMap
from api.web.routes.jobs import TROUBLES, JobNumber, TheJobService

router = APIRouter(prefix="/api/jobs", tags=["jobs"], responses=TROUBLES)


@router.get("/{job_id}/correction", summary="What would bring each cam to its card")
async def read_corrections(job_id: JobNumber, job_service: TheJobService) -> list[CamCorrection]:
    """Which way as the builder sees it, arc at the bolt circle, what to set on the adjuster at hand."""
    return await job_service.reports.corrections(job_id)


@router.get("/{job_id}/valve_to_piston", summary="Least clearance of each valve to its piston")
async def read_piston_clearances(job_id: JobNumber, job_service: TheJobService) -> list[PistonClearanceView]:
    """Where it is least, against whose figure, and what it becomes with the cam early or late."""
    return await job_service.reports.piston_clearances(job_id)


@router.get("/{job_id}/piston_map", summary="Valve to piston against the phase of both cams")
async def read_piston_map(job_id: JobNumber, job_service: TheJobService) -> JobPistonMap:
    """Give for every cylinder what is left 20 degrees either way, the card's place and the walls."""
    return await job_service.reports.piston_map(job_id)


@router.get("/{job_id}/drive_slack", summary="Slack of the cams' drives, against last time")
async def read_drive_slack(
    job_id: JobNumber,
    job_service: TheJobService,
    crank_teeth: Annotated[int | None, Query(ge=6, le=200)] = None,
    pitch_mm: Annotated[float | None, Query(ge=1, le=60)] = None,
    links: Annotated[int | None, Query(ge=10, le=2000)] = None,
) -> DriveSlackView:
    """Give crank degrees, and mm of chain or belt where teeth of the crank's sprocket and pitch are given.

    Last time is the last job before on the same engine in which a cam was turned back.
    """
    return await job_service.reports.drive_slack(job_id, crank_teeth, pitch_mm, links)


@router.get("/{job_id}/valve_to_valve", summary="Least distance of inlet to exhaust valve")
async def read_valves_apart(job_id: JobNumber, job_service: TheJobService) -> list[ValvesApartView]:
    """Where it is least, whether it is enough, and how far either cam may go."""
    return job_service.valve_to_valve.found(job_id)


@router.get("/{job_id}/checks", summary="What the measurements of a job say of each other")
async def read_checks(job_id: JobNumber, job_service: TheJobService) -> list[Finding]:
    """Give the odd lobe, a wrong stroke or cylinder, clearance, lift, slack, a zero or a lag that moved."""
    return job_service.reports.checks(job_id)


@router.get("/{job_id}/lobes", summary="Every lobe measured beside the others")
async def read_lobes(job_id: JobNumber, job_service: TheJobService) -> list[LobeLineView]:
    """Give each lobe's phase against the card, lift, duration and slack; `odd` names what is unlike."""
    return job_service.reports.lobes(job_id)


@router.get("/{job_id}/changes", summary="Lobes measured again: did they move")
async def read_changes(job_id: JobNumber, job_service: TheJobService) -> list[LobeChangeView]:
    """Compare each lobe with its measurement before, such as before and after torque.

    Nothing is compared over a movement made on purpose. `call` says whether a difference means anything.
    """
    return job_service.reports.changes(job_id)


@router.get("/{job_id}/report", summary="Cam report: every lobe beside its card and its neighbours")
async def read_cam_report(job_id: JobNumber, job_service: TheJobService) -> JobCamReport:
    """Give durations, areas, rates and ramps of every lobe, and what the two of a cylinder have in common."""
    return await job_service.reports.cam_report(job_id)


@router.get("/{job_id}/lift_table.csv", response_class=Response, summary="Lift by degree as CSV")
async def read_lift_table(job_id: JobNumber, job_service: TheJobService) -> Response:
    """Give a row a crank degree after overlap TDC: lift of every lobe measured, piston below its top."""
    return Response(
        await job_service.reports.lift_table(job_id),
        media_type="text/csv; charset=utf-8",
        headers={"Content-Disposition": f'attachment; filename="job-{job_id}-lift.csv"'},
    )


@router.post(
    "/{job_id}/by_hand", status_code=status.HTTP_201_CREATED, summary="Enter disc and gauge readings"
)
async def enter_by_hand(job_id: JobNumber, entry: HandEntry, job_service: TheJobService) -> JobView:
    """Take pairs of equal readings; they give the same numbers, verdict and sheet, marked as by hand.

    Begin such a job with the fact `bench_checked` with `by_hand` true; the stroke is noted with
    ``POST /stroke`` at the disc's TDC.
    """
    await job_service.reports.enter_by_hand(job_id, entry)
    return await job_service.view(job_id)


@router.get("/{job_id}/card_match", summary="Which card on file the measured cam fits")
async def read_card_matches(job_id: JobNumber, job_service: TheJobService) -> list[CardMatchView]:
    """Compare lift, duration and separation with every card; phase is left out. Best fit first."""
    return job_service.reports.card_matches(job_id)


@router.post("/{job_id}/card", status_code=status.HTTP_201_CREATED, summary="Keep the measured cam as a card")
async def keep_card_from(job_id: JobNumber, entry: CardFromEntry, job_service: TheJobService) -> CardKept:
    """Make a new card of the lobes measured, by full lift at their drop."""
    return job_service.on_file.cards.one(await job_service.reports.keep_card_from(job_id, entry))


@router.get("/{job_id}/parts.csv", response_class=Response, summary="Parts beside the cams as CSV")
async def read_parts_csv(job_id: JobNumber, job_service: TheJobService) -> Response:
    """Give a row a number: runouts, end floats, decks and what else is kept of parts, in mm and inch."""
    jobs = job_service.jobs
    # What was withdrawn counts no more, here as on the sheet.
    left = Evidence.of(jobs.read.job(job_id).job, jobs.facts(job_id)).facts
    return Response(parts_csv(left), media_type="text/csv; charset=utf-8")


@router.get(
    "/{job_id}/parts/{fact}.csv", response_class=Response, summary="The curve of one part's runout as CSV"
)
async def read_part_csv(
    job_id: JobNumber,
    fact: Annotated[int, Path(ge=1, le=2**53, description="Number of the entry.")],
    job_service: TheJobService,
) -> Response:
    """Give the waves by crank degree, in mm and inch."""
    read = job_service.jobs.read
    read.job(job_id)
    return Response(curve_csv(read.sources(job_id).get(fact)), media_type="text/csv; charset=utf-8")
