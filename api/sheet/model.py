"""What stands on a job's sheet: its JSON form, from which the page, the PDF and the CSV are made."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from analysis.timing import Fact, Job
from api.base import (
    Body,
    CamStandingView,
    DepartureView,
    Finding,
    LobeChangeView,
    LobeLineView,
    PistonClearanceView,
    ValvesApartView,
    VerdictView,
)


class SheetLine(Body):
    """A word and what it says, as in the tables of engine and card."""

    name: str
    text: str


class SheetMeasurement(Body):
    """One measurement, in the card's own words where it can be compared.

    `value_deg` and `card_deg` are degrees ATDC or BTDC (`side`), or mm of lift at TDC; `stage` says whether
    the cam was as found, moved, nipped up or torqued. `counts` is false for what was withdrawn or gone back
    over.
    """

    fact: int
    at: str
    by: str
    what: Literal["tdc", "lobe"]
    cylinder: str
    valve: str
    cam: str
    stage: str
    method: str
    drop_mm: float | None
    value_deg: float
    side: str
    u95_deg: float
    card_deg: float | None
    error_deg: float | None
    call: str
    sentence: str
    peak_lift_mm: float | None
    full_lift_deg: float | None
    duration_deg: float | None
    check_lift_mm: float | None
    slack_deg: float | None
    lag_s: float | None
    gauge: str
    passes: int | None
    by_hand: bool
    measurement_id: str
    counts: bool


class SheetCam(Body):
    """One cam in short: as found, as left, and what cannot be cured."""

    cam: str
    as_found: list[str]
    as_left: list[str]
    card: list[str]
    verdict: VerdictView | None
    left: Literal["in", "out", "cannot_tell", "not_told"]
    sentence: str
    cannot_be_cured: str


class SheetPart(Body):
    """Something told of a part beside the cams, and whether it keeps to the limit that was typed."""

    fact: int
    at: str
    part: str
    what: str
    found: list[str]
    held: Literal["", "within", "beyond", "open"]
    least_mm: float | None = None
    most_mm: float | None = None
    gauge: str


class SheetHappening(Body):
    """Something that was decided or done: moved, tightened, decided, gone back, withdrawn, noted."""

    fact: int
    at: str
    by: str
    words: str


class SheetCurve(Body):
    """A lift curve for the drawing, every degree: `stage` is as found or as left."""

    lobe: str
    valve: str
    stage: Literal["as found", "as left"]
    crank_deg: list[float]
    lift_mm: list[float]
    card_centre_deg: float | None


class Sheet(Body):
    """The whole sheet. `facts` hold every digit; everything else can be computed again from them."""

    sheet: Literal["lobewright job"] = "lobewright job"
    program: str
    made_at: str
    notice: str
    job_id: int
    begun_at: str
    job: Job
    signed_by: str
    signed_at: str
    statement: str
    result: str
    engine: list[SheetLine]
    card: list[SheetLine]
    cams: list[SheetCam]
    clearances: list[SheetLine]
    measurements: list[SheetMeasurement]
    happenings: list[SheetHappening]
    departures: list[DepartureView]
    findings: list[Finding]
    piston: list[PistonClearanceView]
    apart: Annotated[list[ValvesApartView], Field(default_factory=list)]
    lobes: list[LobeLineView]
    parts: Annotated[list[SheetPart], Field(default_factory=list)]
    changes: list[LobeChangeView]
    standings: list[CamStandingView]
    cautions: list[str]
    curves: list[SheetCurve]
    facts: list[Fact]
