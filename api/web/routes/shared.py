"""The web API of what benches of an archive share: who the others are, jobs handed over and taken over."""

from __future__ import annotations

import asyncio
import io
from pathlib import Path
from typing import Annotated

from fastapi import APIRouter, Body, status
from fastapi import Path as PathParameter

from api.archive import CameOver, read_job
from api.base import ConflictError, HandOverEntry, JobFileError, JobView, MisuseError
from api.forwarding import (
    SharedStanding,
    Sharer,
    fetch_job,
    hand_over,
    job_not_taken,
    job_taken,
    take_back,
)
from api.service import Service
from api.sheet import show_job
from api.web.routes.job_files import job_file
from api.web.routes.jobs import TROUBLES, JobNumber, Who
from api.web.routes.pages import TheService

router = APIRouter(prefix="/api", tags=["jobs"], responses=TROUBLES)
Number = Annotated[int, PathParameter(ge=1, le=2**53, description="Number of the hand-over.")]


@router.get("/shared", summary="The other benches of the archive, and jobs that wait to be taken over")
async def get_shared(service: TheService) -> SharedStanding:
    """Tell it as it was known last; empty where the bench file names no archive."""
    return SharedStanding() if service.sharer is None else service.sharer.standing()


@router.post("/jobs/{job_id}/hand_over", summary="Hand a job over to another bench")
async def hand_job_over(
    job_id: JobNumber, entry: Annotated[HandOverEntry, Body()], service: TheService
) -> JobView:
    """From then on it is only looked at here; refused while it is measured, once it is signed, and without the archive."""
    sharer, jobs = _sharer(service), service.job_service.jobs
    await service.job_service.view(job_id)  # what was measured meanwhile is taken in
    row, state = jobs.read.job(job_id), jobs.state(job_id)
    if state.signed_by:
        raise ConflictError(
            "job_signed", f"The job is signed by {state.signed_by}: nothing is to be done in it."
        )
    why = service.job_service.measuring.sentence_if_measured(job_id)
    if why:
        raise ConflictError("job_being_measured", why.replace("then delete it", "then hand it over"))
    loop = asyncio.get_running_loop()

    def write() -> tuple[Path, int]:
        """Write the job's file here; gives it, and how many facts are in it."""
        made = asyncio.run_coroutine_threadsafe(job_file(service, job_id), loop)
        return made.result()[1], len(jobs.read.facts(job_id))

    try:
        await asyncio.to_thread(hand_over, sharer, row, entry.bench, entry.by or row.job.builder, write)
    finally:
        jobs.forget(job_id)  # the bench serves it no more
    return await service.job_service.view(job_id)


@router.post("/jobs/{job_id}/take_back", summary="Take back a job that was handed over and not taken yet")
async def take_job_back(job_id: JobNumber, service: TheService) -> JobView:
    """It goes on here; refused once the other bench has begun to take it, and without the archive."""
    sharer, jobs = _sharer(service), service.job_service.jobs
    jobs.read.job(job_id)
    await asyncio.to_thread(take_back, sharer, job_id)
    jobs.forget(job_id)
    return await service.job_service.view(job_id)


@router.post(
    "/shared/jobs/{number}",
    status_code=status.HTTP_201_CREATED,
    summary="Take over a job that another bench has handed to this one",
)
async def take_job_over(number: Number, service: TheService, by: Who = "") -> JobView:
    """Take it whole or not at all; its numbers stand, and what was measured elsewhere tells nothing of this bench."""
    sharer = _sharer(service)
    async with sharer.taking:
        bench, file = await asyncio.to_thread(fetch_job, sharer, number)

        def take(path: Path) -> int:
            """Read it in as a job that came over from a bench."""
            came = CameOver(number, bench, by)
            return read_job(path, service.shop, service.config.data_dir, show_job, came)

        try:
            job_id = await service.imports.take(io.BytesIO(file), ".zip", take)
        except JobFileError:  # the file's own fault: it was not taken, and never will be
            await asyncio.to_thread(job_not_taken, sharer, number)
            raise
        await asyncio.to_thread(job_taken, sharer, number, job_id)
    return await service.job_service.view(job_id)


def _sharer(service: Service) -> Sharer:
    if service.sharer is None:
        raise MisuseError("no_archive_named", "The bench file names no archive: a job stays at its bench.")
    return service.sharer
