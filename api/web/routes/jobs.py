"""The web API of jobs: the whole job can be driven through it without a browser.

In order: keep an engine and a card, begin a job, then for each step press (or measure, finish, add a fact),
until it is signed. ``GET /api/jobs/{id}`` says at any time which step is due, what it wants, what is in the
way and what may be gone past.
"""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Body, Depends, Path, Query, status
from pydantic import AfterValidator

from api.base import (
    DropEntry,
    FactAdded,
    FactEntry,
    GaugeChoice,
    JobEntry,
    JobLine,
    JobView,
    MeasureEntry,
    MeasurementView,
    MoveWay,
    Pressed,
    PressEntry,
    SignEntry,
    StrokeEntry,
    Trouble,
    ValvesEntry,
    readable,
)
from api.service import JobService, the_job_service

TROUBLES: dict[int | str, dict[str, Any]] = {
    404: {"model": Trouble, "description": "There is nothing of that number."},
    409: {"model": Trouble, "description": "It cannot be done now: the sentence says what is in the way."},
    422: {"model": Trouble, "description": "What was sent makes no sense, or has to be asked about."},
}
Who = Annotated[str, Query(max_length=120, description="Who does it."), AfterValidator(readable)]


router = APIRouter(prefix="/api/jobs", tags=["jobs"], responses=TROUBLES)
TheJobService = Annotated[JobService, Depends(the_job_service)]
JobNumber = Annotated[int, Path(ge=1, le=2**53, description="Number of the job.")]


@router.get("", summary="Jobs of the shop, changed last first")
async def list_jobs(
    job_service: TheJobService,
    words: Annotated[
        str, Query(max_length=120, description="Each is looked for everywhere in the job.")
    ] = "",
    limit: Annotated[int, Query(ge=1, le=1000)] = 100,
    before: Annotated[
        int | None, Query(ge=1, le=2**53, description="Only jobs that stand behind this one.")
    ] = None,
) -> list[JobLine]:
    """List jobs; the last one's number as `before` gives those that follow."""
    return job_service.lines(words, limit, before)


@router.post("", status_code=status.HTTP_201_CREATED, summary="Begin a job from an engine and a card")
async def begin_job(entry: JobEntry, job_service: TheJobService) -> JobView:
    """What the engine and the card can hardly be together is asked about; confirm it by its code."""
    return await job_service.begin(entry)


@router.get("/{job_id}", summary="A job: its steps, what each wants, verdicts, facts")
async def read_job(job_id: JobNumber, job_service: TheJobService) -> JobView:
    """Say where the job stands: `now` is the step that is due, `guide` what to do in it."""
    return await job_service.view(job_id)


@router.delete("/{job_id}", status_code=status.HTTP_204_NO_CONTENT, summary="Take a job off the list")
async def delete_job(job_id: JobNumber, job_service: TheJobService, by: Who = "") -> None:
    """Refused while it is measured, and once it is signed. What was measured stays stored."""
    await job_service.delete(job_id, by)


@router.post("/{job_id}/open", summary="Let the bench serve this job: its guide is live on every screen")
async def open_job(job_id: JobNumber, job_service: TheJobService, by: Who = "") -> JobView:
    """Open a job; the one that was open waits where it is."""
    return await job_service.open(job_id, by)


@router.post("/{job_id}/close", summary="Let the bench serve no job")
async def close_job(job_id: JobNumber, job_service: TheJobService) -> JobView:
    """Close a job; nothing of it is lost."""
    return await job_service.close(job_id)


@router.post("/{job_id}/press", summary="Press the one large button: do what the guide asks next")
async def press(
    job_id: JobNumber,
    job_service: TheJobService,
    entry: Annotated[PressEntry | None, Body()] = None,
    token: Annotated[str, Query(max_length=64, description="As `token` of the body.")] = "",
    choice: Annotated[int, Query(ge=0, le=9, description="As `choice` of the body.")] = 0,
) -> Pressed:
    """Do once what two screens ask for at once: the second is told that it was done already (409)."""
    asked = entry or PressEntry()
    return await job_service.press(
        job_id, asked.model_copy(update={"token": asked.token or token, "choice": asked.choice or choice})
    )


@router.post(
    "/{job_id}/measure",
    status_code=status.HTTP_201_CREATED,
    summary="Begin the measurement of the step that is due, or of a named one",
)
async def measure(
    job_id: JobNumber, job_service: TheJobService, entry: Annotated[MeasureEntry | None, Body()] = None
) -> MeasurementView:
    """Finish it with ``POST /api/measurements/{id}/finish`` or by a press; the job then holds it."""
    return await job_service.measure(job_id, entry or MeasureEntry())


@router.post("/{job_id}/facts", status_code=status.HTTP_201_CREATED, summary="Add something that happened")
async def add_fact(job_id: JobNumber, entry: FactEntry, job_service: TheJobService) -> FactAdded:
    """Clearances, decisions, movements, tightenings, skips with their reason, going back, notes.

    What the procedure does not allow is refused (409) with the step in the way; where `may_override` is
    true, an `own_decision` with that code and a reason goes past it.
    """
    return await job_service.add_fact(job_id, entry)


@router.post("/{job_id}/gauge", summary="Choose the gauge for pistons, or for valves")
async def choose_gauge(job_id: JobNumber, entry: GaugeChoice, job_service: TheJobService) -> JobView:
    """Where nothing is chosen, the one used last in this job is taken, else the bench's first."""
    return await job_service.choose_gauge(job_id, entry)


@router.post("/{job_id}/way", summary="Choose how the cam is moved in the correction that is due")
async def choose_way(job_id: JobNumber, entry: MoveWay, job_service: TheJobService) -> JobView:
    """Crank held on a flank and the cam turned, or cam held and the crank turned."""
    return await job_service.choose_way(job_id, entry)


@router.post("/{job_id}/stroke", summary="Say that the crank stands at overlap TDC")
async def note_stroke(
    job_id: JobNumber, job_service: TheJobService, entry: Annotated[StrokeEntry | None, Body()] = None
) -> JobView:
    """Refused where true TDC is not known, or the crank stands more than 5 degrees from it."""
    return await job_service.stroke(job_id, entry or StrokeEntry())


@router.post("/{job_id}/drops", summary="Enter a valve's travel until it touched the piston")
async def enter_drop(job_id: JobNumber, entry: DropEntry, job_service: TheJobService) -> JobView:
    """Give the least clearance, where it is, and a table of what it becomes with the cam moved."""
    return await job_service.drop(job_id, entry)


@router.post("/{job_id}/valves", summary="Enter how far inlet and exhaust valve could be pushed at overlap")
async def enter_valves(job_id: JobNumber, entry: ValvesEntry, job_service: TheJobService) -> JobView:
    """Give how near they come and what it becomes with either cam moved; without travels, by the engine's heads."""
    return await job_service.valves(job_id, entry)


@router.post("/{job_id}/sign", summary="Sign the job")
async def sign_job(job_id: JobNumber, entry: SignEntry, job_service: TheJobService) -> JobView:
    """Refused with the first step that is neither done nor skipped."""
    return await job_service.sign(job_id, entry)
