"""Bodies and answers of what can be computed from a job, and of what is entered by hand."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import AliasPath, Field, model_validator

from analysis.timing import CamCard, HandPair, Valve
from api.base.job_messages import Body, CylinderOfLobe, Entry, LobeName, Name, Person, ValveOfLobe


class ShiftedClearanceView(Body):
    """Least clearance with the cam moved; positive shift is later."""

    shift_deg: float
    least_mm: float
    at_deg: float
    enough: bool


class ClearanceCurveView(Body):
    """Clearance, lift and piston below its top against crank degrees after overlap TDC."""

    after_tdc_deg: list[float]
    clearance_mm: list[float]
    lift_mm: list[float]
    piston_mm: list[float]


class RoomView(Body):
    """How far the cam may go from where it stands until the valve's least clearance is reached, crank degrees.

    Where `earlier_ends` or `later_ends` is false the table ends first: it may go at least so far.
    """

    earlier_deg: float
    later_deg: float
    earlier_ends: bool
    later_ends: bool
    of: str
    sentence: str


class PistonClearanceView(Body):
    """Valve to piston as last found; `still_holds` is false once the cam was touched since."""

    lobe: LobeName
    fact: int
    still_holds: bool
    least_mm: float
    at_deg: float
    u95_mm: float
    minimum_mm: float
    minimum_from: str
    enough: bool
    table: list[ShiftedClearanceView]
    room: RoomView | None
    curve: ClearanceCurveView | None


class ValvesEntry(Entry):
    """Inlet and exhaust valve each pushed in turn until it stopped; without travels, the engine's heads tell."""

    cylinder: str | None = None
    at_deg: Annotated[float, Field(ge=-60, le=60, description="Crank degrees after overlap TDC.")] = 0.0
    inlet_travel_mm: Annotated[float | None, Field(gt=0, le=50)] = None
    exhaust_travel_mm: Annotated[float | None, Field(gt=0, le=50)] = None
    by: Person = ""

    @model_validator(mode="after")
    def _both_or_neither(self) -> Self:
        if (self.inlet_travel_mm is None) != (self.exhaust_travel_mm is None):
            raise ValueError("both travels are needed, the inlet's and the exhaust's, or neither")
        return self


class ValveRoomView(Body):
    """How far the cam of one valve may go until it is too near the other valve of its cylinder."""

    lobe: LobeName
    room: RoomView


class ValvesApartView(Body):
    """Inlet to exhaust valve as last found; `still_holds` is false once a cam of theirs was touched since."""

    cylinder: str
    fact: int
    still_holds: bool
    least_mm: float
    at_deg: float
    u95_mm: float
    minimum_mm: float
    minimum_from: str
    how: str
    enough: bool
    rooms: list[ValveRoomView]


class SingleCamView(Body):
    """What both lobes of a single cam become by its correction, and what no correction cures."""

    aim: str
    inlet_error_deg: float
    exhaust_error_deg: float
    separation_error_cam_deg: float
    sentence: str


class CamCorrection(Body):
    """What brings a cam to its card, by either way of moving; degrees of the crank, late is positive."""

    cam: str
    error_deg: float
    change_deg: float
    cam_deg: float
    make: str
    seen_from: str
    cam_turn: str
    cam_with_running: bool
    crank_turn: str
    crank_forward: bool
    arc_mm: float | None
    chord_mm: float | None
    hold_the_crank: str
    hold_the_cam: str
    sentence: str
    setting: str
    setting_leaves_deg: float | None
    single_cam: SingleCamView | None
    park: str
    lift_at_tdc_then_mm: float | None


class HandTurn(Body):
    """One gauge reading at one crank angle, taken turning forward."""

    deg: Annotated[float, Field(ge=-720, le=1440, description="Degrees after overlap TDC.")]
    reading_mm: Annotated[float, Field(ge=-100, le=100)]


class HandEntry(Entry):
    """Disc and gauge readings by a builder without an encoder, or without a gauge that can be read.

    Pairs of equal gauge readings either side of the dwell, both read turning forward. For a lobe the disc is
    set to true TDC: inlet degrees ATDC, exhaust degrees BTDC, each with its `drop_mm` below full lift, or its
    `lift_mm` above the base circle. `curve` is optional: with it valve to piston can be computed.
    """

    what: Literal["tdc", "lobe"]
    cylinder: str | None = None
    valve: Valve | None = None
    pairs: Annotated[list[HandPair], Field(min_length=1, max_length=40)]
    drop_mm: Annotated[
        float | None,
        Field(gt=0, le=10, description="Where the centre is wanted; left out: as the card says."),
    ] = None
    peak_lift_mm: Annotated[float | None, Field(gt=0, le=30)] = None
    read_forward: Annotated[
        bool, Field(description="False where one side was read turning back: that is refused.")
    ] = True
    disc_division_deg: Annotated[float, Field(gt=0, le=10)] = 1.0
    gauge_step_mm: Annotated[float, Field(gt=0, le=0.2)] = 0.01
    curve: list[HandTurn] = Field(default=[], max_length=1500)
    base_mm: Annotated[float, Field(description="Gauge reading on the base circle, for `curve`.")] = 0.0
    polarity: Annotated[
        Literal[1, -1], Field(description="1 where the gauge reads more as the valve opens, for `curve`.")
    ] = 1
    by: Person = ""

    @model_validator(mode="after")
    def _says_which_lobe(self) -> Self:
        if self.what == "lobe" and self.valve is None:
            raise ValueError("a lobe needs its valve: inlet or exhaust")
        if self.what == "tdc" and self.valve is not None:
            raise ValueError("true TDC is of a piston; leave the valve out")
        return self


class FeatureView(Body):
    """One thing compared with a card; `off` is in units of what two cams of one grinding differ by."""

    name: str
    unit: str
    measured: float
    card: float
    off: float


class CardMatchView(Body):
    """How well a card on file fits the measured cam, phase left out."""

    card_id: int
    card: CamCard
    fit: Literal["fits", "could be", "does not fit", "cannot be compared"]
    off_rms: float | None
    features: list[FeatureView]
    sentence: str


class CardFromEntry(Entry):
    """Make a new card of the lobes measured in this job."""

    name: Name
    check_lift_mm: Annotated[float, Field(gt=0, le=5)] = 1.0
    by: Person = ""


class LobeLineView(Body):
    """One lobe beside the others; `odd` names what it differs in."""

    cylinder: CylinderOfLobe
    valve: ValveOfLobe
    fact: int
    phase_deg: float | None
    peak_lift_mm: float | None
    duration_deg: float | None
    check_lift_mm: float | None
    slack_deg: float | None
    odd: list[str]


class LobeChangeView(Body):
    """A lobe measured again while nobody moved its cam on purpose: how far it stands from where it was.

    `before` and `after` are numbers of facts, `between` says what was done to the cam meanwhile (``nipped``,
    ``torqued``, or nothing). `by_deg` positive is later; `chance` is the probability that two measurements of one
    lobe that has not moved differ by as much.
    """

    cylinder: CylinderOfLobe
    valve: ValveOfLobe
    before: int
    after: int
    between: Literal["", "nipped", "torqued"]
    drop_mm: float
    by_deg: Annotated[float, Field(validation_alias=AliasPath("difference", "by_deg"))]
    u95_deg: Annotated[float, Field(validation_alias=AliasPath("difference", "u95_deg"))]
    chance: Annotated[float, Field(validation_alias=AliasPath("difference", "chance"))]
    call: Annotated[
        Literal["means something", "within what can be told"],
        Field(validation_alias=AliasPath("difference", "call")),
    ]
    sentence: Annotated[str, Field(validation_alias=AliasPath("difference", "sentence"))]
