"""The sheet of a job: to be printed from the browser, downloaded as PDF, or read by other programs."""

from __future__ import annotations

import asyncio

from fastapi import APIRouter, Request
from fastapi.responses import Response

from api.sheet import Sheet, file_word, job_sheet, page_words, sheet_csv, sheet_pdf
from api.web.routes.jobs import TROUBLES, JobNumber
from api.web.routes.pages import TheService, page

router = APIRouter(prefix="/api/jobs", tags=["jobs"], responses=TROUBLES)


def _named(sheet: Sheet, ending: str) -> dict[str, str]:
    """Name the file after the job's reference."""
    name = file_word(sheet.job.reference, sheet.job_id)
    return {"Content-Disposition": f'attachment; filename="{name}-sheet.{ending}"'}


@router.get("/{job_id}/sheet.json", summary="The sheet as JSON")
async def read_sheet(job_id: JobNumber, service: TheService) -> Sheet:
    """Give everything that stands on the sheet, and the facts from which it can be computed again."""
    return await job_sheet(service, job_id)


@router.get("/{job_id}/sheet.csv", response_class=Response, summary="The sheet's measurements as CSV")
async def read_sheet_csv(job_id: JobNumber, service: TheService) -> Response:
    """Give a row a measurement, every digit kept."""
    sheet = await job_sheet(service, job_id)
    return Response(sheet_csv(sheet), media_type="text/csv; charset=utf-8", headers=_named(sheet, "csv"))


@router.get("/{job_id}/sheet.pdf", response_class=Response, summary="The sheet as PDF")
async def read_sheet_pdf(job_id: JobNumber, service: TheService) -> Response:
    """Give one page of A4, two where there is much to tell; unsigned it says so."""
    sheet = await job_sheet(service, job_id)
    content = await asyncio.to_thread(sheet_pdf, sheet)
    return Response(content, media_type="application/pdf", headers=_named(sheet, "pdf"))


@router.get("/{job_id}/sheet.html", response_class=Response, summary="The sheet as a page to print")
async def read_sheet_page(job_id: JobNumber, request: Request, service: TheService) -> Response:
    """Give a page that prints as the PDF does."""
    sheet = await job_sheet(service, job_id)
    return page(request, "job_sheet.html", **await asyncio.to_thread(page_words, sheet))
