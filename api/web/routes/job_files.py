"""Jobs out of the shop as one file, and into it."""

from __future__ import annotations

import asyncio
import tempfile
from pathlib import Path
from typing import Annotated

from fastapi import APIRouter, File, UploadFile, status
from fastapi.responses import FileResponse
from starlette.background import BackgroundTask

from api.archive import read_job, write_job
from api.base import JobView
from api.service import Service
from api.sheet import file_word, job_sheet, show_job
from api.web.routes.jobs import TROUBLES, JobNumber
from api.web.routes.pages import TheService

router = APIRouter(prefix="/api/jobs", tags=["jobs"], responses=TROUBLES)
ZIP = "application/zip"


async def job_file(service: Service, job_id: int) -> tuple[str, Path]:
    """Write a job to a file of its own outside the data folder; give a name for it, and where it is."""
    sheet = await job_sheet(service, job_id)

    def write() -> Path:
        """Write the job into a file of its own; a broken one is not left behind."""
        with tempfile.NamedTemporaryFile(suffix=".zip", delete=False) as file:
            try:
                write_job(job_id, sheet.model_dump_json(indent=1), service.shop.read, service.stored, file)
            except BaseException:
                Path(file.name).unlink()
                raise
            return Path(file.name)

    return f"{file_word(sheet.job.reference, job_id)}-job.zip", await asyncio.to_thread(write)


@router.get("/{job_id}/job.zip", response_class=FileResponse, summary="The whole job as one file")
async def export_job(job_id: JobNumber, service: TheService) -> FileResponse:
    """Give engine, card, facts, sheet, measurements and their traces; another shop can take it in."""
    name, path = await job_file(service, job_id)
    return FileResponse(path, media_type=ZIP, filename=name, background=BackgroundTask(path.unlink))


@router.post("/from_file", status_code=status.HTTP_201_CREATED, summary="Take a job file into the shop")
async def import_job(
    service: TheService,
    file: Annotated[UploadFile, File(description="A job file, as `/api/jobs/{job_id}/job.zip` gives it.")],
) -> JobView:
    """Take it whole or not at all: refused where it is damaged, newer than this program, or there already."""

    def take(path: Path) -> int:
        return read_job(path, service.shop, service.config.data_dir, show_job)

    return await service.job_service.view(await service.imports.take(file.file, ".zip", take))
