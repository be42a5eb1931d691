"""``/api/measurements``: begin, finish, discard, list, look at, draw, download."""

from __future__ import annotations

import asyncio
import gzip
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Depends, Path, Query, Request
from fastapi.responses import Response, StreamingResponse
from pydantic import BaseModel, Field

from api.base import RESPONSES, Entry, MeasurementView, with_service_errors
from api.jobs import RepeatabilityView, TurnedView, repeatability_view, turned_view
from api.measure import (
    POINTS,
    AgainstView,
    By,
    CamReportView,
    MeasurementAsked,
    TraceView,
    Unit,
    lift_table_of,
    profile_csv,
)
from api.records import Measurement, trace_comments, trace_lines, trace_name
from api.service import Service, the_service

router = APIRouter(prefix="/api/measurements", tags=["measurements"], responses=RESPONSES)
TheService = Annotated[Service, Depends(the_service)]
Number = Annotated[int, Path(ge=1, le=2**53, description="Number of the measurement.")]


class MeasurementDetail(MeasurementView):
    """A measurement with everything that is kept of it.

    `settings` say what was asked and where true TDC came from, `facts` what was known of the gauge and where
    its lag came from, `detail` holds the uncertainty budget and further numbers of the fit.
    """

    run_id: int | None
    imported_file: str | None
    ended_at: str | None
    duration_s: float | None
    settings: dict[str, Any]
    facts: dict[str, Any]
    detail: dict[str, Any] | None
    error: dict[str, Any] | None
    program: str


class MeasurementList(BaseModel):
    """Measurements, newest first; ask again with `before` set to the last number for older ones."""

    measurements: list[MeasurementView]


@router.get("")
def list_measurements(
    service: TheService,
    state: Literal["running", "finished", "refused", "discarded"] | None = None,
    job_id: Annotated[int | None, Query(ge=1, le=2**53)] = None,
    limit: Annotated[int, Query(ge=1, le=1000)] = 100,
    before: Annotated[int | None, Query(ge=1, le=2**53)] = None,
) -> MeasurementList:
    """List measurements, newest first; discarded ones only when asked for."""
    found = service.measurements.listed(state=state, job_id=job_id, limit=limit, before=before)
    return MeasurementList(measurements=[measurement.view() for measurement in found])


@router.post("", status_code=201)
async def begin_measurement(asked: MeasurementAsked, service: TheService) -> MeasurementView:
    """Begin a measurement now: every reading from this instant counts.

    Set the gauge on the piston or the valve first, then begin, then turn the crank. The number settles on
    ``/live``; finish when it has.
    """
    return (await service.job_service.bench_desk.begin(asked)).view()


@router.get("/{number}")
def get_measurement(number: Number, service: TheService) -> MeasurementDetail:
    """Give one measurement with its settings, result and uncertainty budget."""
    return detail_of(service.measurements.get(number))


@router.post("/{number}/finish")
async def finish_measurement(number: Number, service: TheService) -> MeasurementView:
    """End the measurement now and compute its number from the stored readings.

    The state becomes `finished`, or `refused` with the reason in `sentence` where the readings cannot carry a
    number. Answers 409 where another screen has ended it.
    """
    return (await service.measuring.finish(number)).view()


@router.post("/{number}/discard")
async def discard_measurement(number: Number, service: TheService) -> MeasurementView:
    """End the measurement without a number; its readings stay stored."""
    return (await service.measuring.discard(number)).view()


@router.get("/{number}/repeatability")
def get_repeatability(
    number: Number,
    service: TheService,
    beside: Annotated[
        list[Annotated[int, Field(ge=1, le=2**53)]],
        Query(max_length=20, description="Other measurements of the same thing; may be given again."),
    ] = [],  # noqa: B006 - FastAPI copies it
) -> RepeatabilityView:
    """Tell how a measurement's passes agree, and whether others of the same thing differ from it by anything."""
    first = service.measurements.get(number)
    return repeatability_view(first, [service.measurements.get(other) for other in beside])


@router.get("/{number}/turned")
def get_turned(
    number: Number,
    service: TheService,
    beside: Annotated[
        int, Query(ge=1, le=2**53, description="The same lobe, measured with the encoder turned round.")
    ],
    turned_deg: Annotated[
        float | None,
        Query(
            ge=-360,
            le=360,
            allow_inf_nan=False,
            description="By how much it was turned; left out: as true TDC before and after tells.",
        ),
    ] = None,
) -> TurnedView:
    """Take the encoder's error once a turn out of a lobe that was measured in two positions of the encoder.

    Offered, not asked for: turn the encoder's body, or its coupling, on the crank by about half a turn, then measure
    true TDC and the lobe again. Answers 422 with the reason where the two do not show it.
    """
    return turned_view(service.measurements.get(number), service.measurements.get(beside), turned_deg)


@router.get("/{number}/trace", response_model=TraceView)
async def get_trace(
    number: Number,
    service: TheService,
    request: Request,
    max_points: Annotated[int, Query(ge=8, le=200_000, description="Most points a curve.")] = POINTS,
) -> Response:
    """Give readings, fitted curve, passes and equal readings for drawing, thinned without losing a peak."""

    drawing = await asyncio.to_thread(service.fits.drawing, number, max_points)
    headers = {"Vary": "Accept-Encoding"}
    if "gzip" in request.headers.get("accept-encoding", ""):
        return Response(
            drawing, media_type="application/json", headers=headers | {"Content-Encoding": "gzip"}
        )
    return Response(gzip.decompress(drawing), media_type="application/json", headers=headers)


@router.get("/{number}/trace.csv", response_class=StreamingResponse)
async def get_trace_file(number: Number, service: TheService) -> StreamingResponse:
    """Download the trace file: every stored reading, no digit lost."""
    measurement = service.measurements.get(number)
    interval = await asyncio.to_thread(service.stored.of, measurement)
    return StreamingResponse(
        trace_lines(interval.channels(), interval.start_ns, trace_comments(measurement)),
        media_type="text/csv; charset=utf-8",
        headers={"Content-Disposition": f'attachment; filename="{trace_name(measurement)}"'},
    )


@router.get("/{number}/report")
async def get_report(number: Number, service: TheService) -> CamReportView:
    """Give all that a lobe's trace tells of the cam: durations, areas, rates, ramps, each with its interval.

    Answers 422 with the reason where the readings cannot carry it.
    """
    _, report = await asyncio.to_thread(service.fits.report, number)
    return CamReportView.model_validate(report)


@router.get("/{number}/report.csv", response_class=Response)
async def get_report_table(
    number: Number, service: TheService, by: By = "crank", unit: Unit = "mm"
) -> Response:
    """Download lift, rate and acceleration by crank or cam degree from full lift, with their intervals."""
    _, report = await asyncio.to_thread(service.fits.report, number)
    name = f"trace-{number}-cam-report-{by}-{unit}.csv"
    return Response(
        profile_csv(report.profile, by, unit),
        media_type="text/csv; charset=utf-8",
        headers={"Content-Disposition": f'attachment; filename="{name}"'},
    )


class LiftTable(Entry):
    """A card's lift table as it was typed or pasted: a degree and a lift a line."""

    table: Annotated[str, Field(max_length=3_800)]
    unit: Unit = "mm"
    degrees: By = "cam"


@router.get("/{number}/against")
async def hold_against_trace(
    number: Number,
    service: TheService,
    other: Annotated[int, Query(ge=1, le=2**53, description="The measurement it is held against.")],
) -> AgainstView:
    """Tell where a lobe's profile differs from another kept one by more than chance: worn places, ramps."""

    def held() -> AgainstView:
        """One stored lobe against another."""
        from analysis.report import against  # here: it would hold up the first page

        own, than = (service.fits.report(one)[1].kept for one in (number, other))
        return AgainstView.model_validate(against(own, than))

    return await asyncio.to_thread(held)


@router.post("/{number}/against_table")
async def hold_against_table(number: Number, entry: LiftTable, service: TheService) -> AgainstView:
    """Tell where a lobe's profile differs from a card's lift table by more than chance; nothing is kept."""

    def held() -> AgainstView:
        """A stored lobe against a table that was given."""
        from analysis.report import against, profile_of_table  # here: it would hold up the first page

        rows = lift_table_of(entry.table, entry.unit)
        than = with_service_errors(profile_of_table)(rows, cam_degrees=entry.degrees == "cam")
        return AgainstView.model_validate(against(service.fits.report(number)[1].kept, than))

    return await asyncio.to_thread(held)


def detail_of(measurement: Measurement) -> MeasurementDetail:
    """Give a measurement with everything that is kept of it."""
    ended, start = measurement.end_ns, measurement.start_ns
    return MeasurementDetail(
        **measurement.view().model_dump(),
        run_id=measurement.run_id,
        imported_file=measurement.imported_file,
        ended_at=measurement.ended_at,
        duration_s=None if ended is None else (ended - start) / 1e9,
        settings=measurement.settings,
        facts=measurement.facts,
        detail=measurement.detail,
        error=measurement.error,
        program=measurement.program,
    )
