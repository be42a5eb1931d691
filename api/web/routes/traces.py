"""``/api/traces``: trace files from elsewhere, taken into the shop."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from fastapi import APIRouter, Depends, File, Form, UploadFile

from api.archive import import_told
from api.base import RESPONSES, MeasurementView
from api.measure import Name
from api.service import Service, the_service

router = APIRouter(prefix="/api/traces", tags=["traces"], responses=RESPONSES)
TheService = Annotated[Service, Depends(the_service)]


@router.post("", status_code=201)
async def import_trace_file(
    service: TheService,
    file: Annotated[UploadFile, File(description="A trace file: CSV with the header time_s,channel,value.")],
    touches: Annotated[
        Name | None, Form(description="What the gauge touched; left out: as the file says.")
    ] = None,
    gauge: Annotated[Name | None, Form(description="Which gauge, where the file has several.")] = None,
) -> MeasurementView:
    """Take a trace file into the shop and measure it.

    A file that this program exported says itself what it is; of any other file say what the gauge touched.
    """

    def take(path: Path) -> MeasurementView:
        return import_told(path, touches, gauge, service.shop, service.config.data_dir).view()

    return await service.imports.take(file.file, ".csv", take)
