"""The web API of what is reckoned from numbers typed at the bench, or from what a gauge has said lately.

All that is told is kept: listed, to be had as CSV, and thrown away where it was for nothing.
"""

from __future__ import annotations

import asyncio
from typing import Annotated, Any

from fastapi import APIRouter, Path, Query
from fastapi.responses import Response, StreamingResponse
from pydantic import AfterValidator

from api.base import Trouble, readable
from api.hands import AwaitedView
from api.jobs import PartLine, PartRecord, curve_csv, lines_csv
from api.measure import (
    CompressionEntry,
    CompressionView,
    CrownPlaceEntry,
    CrownReadView,
    DeckEntry,
    DeckView,
    EndFloatView,
    FaceReadView,
    KeptPart,
    MarkEntry,
    MarkReadView,
    MarkView,
    PartEntry,
    PlaceEntry,
    RunoutView,
    TurnedEntry,
    compression_of,
    deck_of,
    mark_of,
)
from api.records import trace_lines
from api.sheet import degree_strip_pdf
from api.web.routes.jobs import TROUBLES, TheJobService

TOO_LARGE: dict[int | str, dict[str, Any]] = {
    413: {
        "model": Trouble,
        "description": "More was sent than is taken here: many readings, written out very long.",
    }
}
NamedPart = Annotated[
    str,
    Query(max_length=60, description="What the part is called: named, it stands in the open job, too."),
    AfterValidator(readable),
]
PartName = Annotated[
    str,
    Query(min_length=1, max_length=60, pattern=r"\S", description="What the part is called."),
    AfterValidator(readable),
]
PartNumber = Annotated[int, Path(ge=1, le=2**53, description="Number of the result.")]
OfJob = Annotated[
    int | None, Query(ge=1, le=2**53, description="Only what was told while this job was open.")
]
router = APIRouter(prefix="/api/fitting", tags=["fitting"], responses=TROUBLES | TOO_LARGE)


@router.post("/compression", summary="Compression ratio from volumes")
async def reckon_compression(
    entry: CompressionEntry, job_service: TheJobService, part: NamedPart = ""
) -> CompressionView:
    """Give the ratio with its interval, and what each number adds to it."""
    return await job_service.turned_parts.kept(part, entry, compression_of(entry))


@router.post("/deck", summary="Deck heights from readings at two places of each crown")
async def reckon_deck(entry: DeckEntry, job_service: TheJobService, part: NamedPart = "") -> DeckView:
    """Give every deck height, the spread, and the tilt of the block's face where it can be told."""
    return await job_service.turned_parts.kept(part, entry, deck_of(entry))


@router.post("/mark", summary="A timing mark against true TDC")
async def reckon_mark(entry: MarkEntry, job_service: TheJobService, part: NamedPart = "") -> MarkView:
    """Give how late the mark is, in crank degrees and in mm along the rim."""
    return await job_service.turned_parts.kept(part, entry, mark_of(entry))


@router.post("/mark/read", summary="The crank where it rests, a mark at its pointer")
async def read_mark(job_service: TheJobService) -> MarkReadView:
    """Give where the crank stands and true TDC as found last, in the encoder's degrees; nothing is kept."""
    return job_service.turned_parts.mark_reading()


@router.get("/strip.pdf", response_class=Response, summary="A strip of degrees for a rim, as PDF")
async def read_strip(
    rim_mm: Annotated[float, Query(description="Diameter of the bare rim.")], anticlockwise: bool = False
) -> Response:
    """Give pieces to print at 100 %, cut out and stick on; with `anticlockwise` for a rim that turns so."""
    content = await asyncio.to_thread(degree_strip_pdf, rim_mm, not anticlockwise)
    headers = {"Content-Disposition": f'attachment; filename="strip-{rim_mm:g}mm.pdf"'}
    return Response(content, media_type="application/pdf", headers=headers)


@router.post("/runout", summary="Runout of what was turned under a gauge")
async def tell_runout(entry: TurnedEntry, job_service: TheJobService, part: NamedPart = "") -> RunoutView:
    """Give swing, eccentricity, ovality and lobes since the gauge was set on the part, with the waves drawn."""
    return await job_service.turned_parts.runout(entry, part)


@router.post("/end_float", summary="End float of a shaft that was pushed and pulled")
async def tell_end_float(entry: PartEntry, job_service: TheJobService, part: NamedPart = "") -> EndFloatView:
    """Give how far it goes, from its rests at either end since the crank stands."""
    return await job_service.turned_parts.end_float(entry, part)


@router.post("/runout/await", summary="A runout that is told by itself")
async def await_runout(entry: TurnedEntry, job_service: TheJobService, part: NamedPart = "") -> AwaitedView:
    """Wait for the part to be turned twice round and the crank to rest; it is told and kept then."""
    return job_service.turned_parts.await_part("runout", entry, part)


@router.post("/end_float/await", summary="An end float that is told by itself")
async def await_end_float(entry: PartEntry, job_service: TheJobService, part: NamedPart = "") -> AwaitedView:
    """Wait for the shaft to be pushed and pulled and to rest; it is told and kept then."""
    return job_service.turned_parts.await_part("end_float", entry, part)


@router.get("/awaited", summary="What is waited for")
def read_awaited(job_service: TheJobService) -> AwaitedView | None:
    """Give the part that is waited for, or what came of the last one; null where there was none."""
    return job_service.turned_parts.awaited()


@router.post("/awaited/give_up", summary="Wait no longer")
async def give_up_awaited(job_service: TheJobService) -> AwaitedView | None:
    """Give up what is waited for; what was told stays."""
    return job_service.turned_parts.give_up()


@router.post("/deck/face", summary="The gauge at rest on the block's face")
async def read_face(entry: PlaceEntry, job_service: TheJobService) -> FaceReadView:
    """Read the gauge where it rests; nothing is kept before the deck is told."""
    return await job_service.turned_parts.face_reading(entry)


@router.post("/deck/crown", summary="A crown's highest point under the gauge")
async def read_crown(entry: CrownPlaceEntry, job_service: TheJobService) -> CrownReadView:
    """Read a crown at TDC off its way over it since the gauge was set there, against the face."""
    return await job_service.turned_parts.crown_reading(entry)


@router.get("/parts", summary="What was told of parts, the newest first")
def list_parts(
    job_service: TheJobService,
    job_id: OfJob = None,
    limit: Annotated[int, Query(ge=1, le=1000)] = 100,
    before: Annotated[int | None, Query(ge=1, le=2**53, description="Only those before this one.")] = None,
) -> list[PartLine]:
    """List results with their figures and the limits typed; what was thrown away is left out."""
    return job_service.turned_parts.lines(job_id, limit, before)


@router.get("/parts.csv", response_class=Response, summary="What was told of parts as CSV")
def read_parts(job_service: TheJobService, job_id: OfJob = None) -> Response:
    """Give a row a number, in mm and inch, of the newest thousand results."""
    lines = job_service.turned_parts.lines(job_id, 1000, None)
    return Response(lines_csv(lines), media_type="text/csv; charset=utf-8")


@router.get("/parts/{number}", summary="One result of a part")
def read_part(number: PartNumber, job_service: TheJobService) -> PartRecord:
    """Give all that is kept of it: what was typed, what was answered, which readings it was told from."""
    return job_service.turned_parts.record(number)


@router.get("/parts/{number}/curve.csv", response_class=Response, summary="The curve of a runout as CSV")
def read_curve(number: PartNumber, job_service: TheJobService) -> Response:
    """Give the waves by crank degree, in mm and inch."""
    told = job_service.turned_parts.record(number).told
    return Response(curve_csv(told), media_type="text/csv; charset=utf-8")


@router.get("/parts/{number}/trace.csv", response_class=StreamingResponse, summary="The readings of a result")
async def read_readings(number: PartNumber, job_service: TheJobService) -> StreamingResponse:
    """Give the trace file that the result was told from, no digit lost; `report runout` tells it again from this."""
    interval = await asyncio.to_thread(job_service.turned_parts.readings, number)
    comments = [f"Lobewright result {number} of a part"]
    return StreamingResponse(
        trace_lines(interval.channels(), interval.start_ns, comments),
        media_type="text/csv; charset=utf-8",
        headers={"Content-Disposition": f'attachment; filename="part-{number:05d}.csv"'},
    )


@router.post("/parts/{number}/name", summary="Name a result")
async def name_part(number: PartNumber, job_service: TheJobService, part: PartName) -> KeptPart:
    """Name what was kept without a name: it becomes the entry of the job that was open when it was told."""
    return await job_service.turned_parts.name(number, part)


@router.post("/parts/{number}/throw_away", summary="Throw a result away")
async def throw_away_part(number: PartNumber, job_service: TheJobService) -> PartRecord:
    """Take it off the list and withdraw its entry from its job; its row and its readings stay stored."""
    return await job_service.turned_parts.throw_away(number)
