"""Bodies and answers of the job's web API."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import AliasPath, BaseModel, ConfigDict, Field, model_validator

from analysis.timing import Fact, Job, Payload, PlungerOn, Valve
from api.base.messages import Guide, MeasurementView
from api.base.plain_text import readable

Words = Annotated[str, Field(max_length=2000)]
Name = Annotated[str, Field(min_length=1, max_length=120)]
Person = Annotated[
    str, Field(max_length=120, description="Who does it; left out: the job's builder, else the screen.")
]


CylinderOfLobe = Annotated[str, Field(validation_alias=AliasPath("lobe", "cylinder"))]
ValveOfLobe = Annotated[Valve, Field(validation_alias=AliasPath("lobe", "valve"))]


class Body(BaseModel):
    """Base of all bodies and answers: unknown fields are refused.

    An answer is made of the object it shows by `model_validate`; a field that lies deeper in it names the way.
    """

    model_config = ConfigDict(
        extra="forbid", allow_inf_nan=False, from_attributes=True, populate_by_name=True
    )


class Entry(Body):
    """Base of what people send: words that cannot be read are refused, wherever they stand."""

    @model_validator(mode="before")
    @classmethod
    def _is_readable(cls, sent: Any) -> Any:
        return readable(sent)


class Question(Body):
    """Something in an entry that can hardly be; send `code` in `confirmed` if it is so all the same."""

    code: str
    place: str
    message: str


class Trouble(Body):
    """What every refused request is answered with: what, where, what to do."""

    code: str
    message: str
    questions: list[Question] = []
    step: str = ""
    may_override: bool = False


class EngineEntry(Entry):
    """An engine to be kept. Lengths are mm; a length may also be text with its unit: ``"3.15 in"``."""

    engine: Annotated[
        dict[str, Any],
        Field(description="Fields of `Engine`; `cams` may be left out where `layout` is given."),
    ]
    layout: Annotated[
        Literal["single cam", "twin cam"] | None,
        Field(description="Makes the cams: one that opens both valves, or inlet and exhaust."),
    ] = None
    confirmed: list[str] = []
    by: Person = ""


class CardEntry(Entry):
    """A cam card to be kept. Lengths are mm, or text with the unit (``"0.380 in"``, ``"12 thou"``)."""

    card: Annotated[dict[str, Any], Field(description="Fields of `CamCard`.")]
    unit: Annotated[
        Literal["mm", "in", "thou"],
        Field(description="Unit of the lengths that are plain numbers."),
    ] = "mm"
    confirmed: list[str] = []
    by: Person = ""


class JobEntry(Entry):
    """A job to be begun: an engine and a card for a customer."""

    reference: Name
    engine_id: Annotated[int, Field(ge=1, le=2**53)]
    card_id: Annotated[int, Field(ge=1, le=2**53)]
    customer: Words = ""
    builder: Words = ""
    tolerance_deg: Annotated[
        float | None, Field(gt=0, le=20, description="Overrides the card's; crank degrees each way.")
    ] = None
    cylinders_wanted: list[str] = []
    single_cam_aim: Literal["inlet", "exhaust", "share"] = "inlet"
    plunger_on: Annotated[
        PlungerOn,
        Field(
            description="What the gauge stands on at the valves: a flat face, a point that stays put, or the follower."
        ),
    ] = ""
    shop_inlet_to_piston_mm: Annotated[
        float | None, Field(gt=0, le=10, description="The shop's least clearance where the maker gives none.")
    ] = None
    shop_exhaust_to_piston_mm: Annotated[float | None, Field(gt=0, le=10)] = None
    shop_valve_to_valve_mm: Annotated[
        float | None, Field(gt=0, le=10, description="Likewise between inlet and exhaust valve.")
    ] = None
    new_cam: Annotated[
        bool,
        Field(description="The cam is new to this engine: valve to piston is found before it is moved."),
    ] = False
    note: Words = ""
    open: Annotated[bool, Field(description="Let the bench serve it at once.")] = True
    confirmed: list[str] = []
    by: Person = ""


class JobLine(Body):
    """A job in a list."""

    id: int
    reference: str
    customer: str
    builder: str
    engine: str
    card: str
    at: str
    changed_at: str
    now_step: str
    now_title: str
    signed_at: str
    signed_by: str
    open: bool
    held: str = ""


class LobeName(Body):
    """A lobe, by cylinder and valve; `touches` is what a gauge on its valve is said to touch."""

    cylinder: str
    valve: Valve
    touches: str


class StepView(Body):
    """One step: `state` is done, now, blocked, skipped or open.

    `measures` is what is measured in it; `at_bench` it is done there; `needs_zero` it rests on the encoder's
    zero; `by_hand` its readings can be taken by eye and entered.
    """

    id: str
    kind: str
    title: str
    state: str
    sentence: str
    why: str
    gives: str
    needs: list[str]
    cautions: list[str]
    cam: str
    cylinder: str
    lobes: list[LobeName]
    measures: Annotated[Literal["", "tdc", "lobe"], Field(validation_alias=AliasPath("asks", "measures"))]
    at_bench: Annotated[bool, Field(validation_alias=AliasPath("asks", "at_bench"))]
    needs_zero: Annotated[bool, Field(validation_alias=AliasPath("asks", "needs_zero"))]
    by_hand: Annotated[bool, Field(validation_alias=AliasPath("asks", "by_hand"))]
    may_skip: bool
    may_override: bool
    code: str
    facts: list[int]


class VerdictView(Body):
    """In, out or cannot tell: the error with its interval against the tolerance; late is positive."""

    call: Literal["in", "out", "cannot_tell"]
    error_deg: float
    error_cam_deg: float
    u95_deg: float
    tolerance_deg: float
    sentence: str


class LobeStandingView(Body):
    """One measurement of a lobe against the card, in the card's own words."""

    cylinder: CylinderOfLobe
    valve: ValveOfLobe
    fact: int
    stage: str
    full_lift_deg: float
    full_lift: str
    u95_deg: float
    drop_mm: float
    by_hand: bool
    verdict: VerdictView | None
    not_comparable: str


class CamStandingView(Body):
    """Where a cam stands, every measurement in order; `to_make_deg` positive is later."""

    cam: str
    measured: list[LobeStandingView]
    verdict: VerdictView | None
    to_make_deg: float | None
    separation_error_cam_deg: float | None
    sentence: str


class DepartureView(Body):
    """A step left out, or a block gone past, with the reason that is printed on the sheet."""

    step: str
    title: str
    reason: str
    by: str
    at: str
    code: str


class Finding(Body):
    """Something that the numbers of the job say beside the verdicts."""

    code: str
    message: str


class Unadopted(Body):
    """A finished measurement that the job could not take, and why."""

    measurement_id: int
    step: str
    code: str
    sentence: str


class JobView(Body):
    """A job as a page shows it: the binding, its facts, its steps and where each cam stands.

    `by_itself` has the numbers of the facts whose measurements began by themselves; `held` says where a job is that was
    handed over to another bench, and `came` from where one came.
    """

    id: int
    open: bool
    at: str
    by: str
    changed_at: str
    job: Job
    now: str | None
    steps: list[StepView]
    cams: list[CamStandingView]
    tdc_deg: float | None
    tdc_u95_deg: float | None
    overlap_tdc_deg: float | None
    findings: list[Finding]
    departures: list[DepartureView]
    signed_by: str
    signed_at: str
    facts: list[Fact]
    by_itself: list[int] = []
    not_taken: list[Unadopted]
    measurement: MeasurementView | None
    guide: Guide | None
    held: str = ""
    came: str = ""


class FactEntry(Entry):
    """Something that happened; `what` is told apart by its `kind`. The list only grows.

    `skipped`, `went_back`, `withdrawn` and `own_decision` carry a reason that is printed on the sheet.
    """

    what: Payload
    by: Person = ""


class FactAdded(Body):
    """The fact as it was added, and the job after it."""

    fact: Fact
    job: JobView


class MeasureEntry(Entry):
    """Begin the measurement of the step that is due (an empty body), or of a named one."""

    step: Annotated[str | None, Field(description="Id of a step; left out: the one that is due.")] = None
    cylinder: str | None = None
    valve: Valve | None = None
    gauge: Annotated[
        str | None, Field(description="May be left out where the bench has one gauge, or it was told before.")
    ] = None
    by: Person = ""


class PressEntry(Entry):
    """Press the one large button. Everything may be left out.

    `token` is that of the guide that was seen: if the job has gone on since, nothing is done (409). `choice` presses
    one of the guide's choices instead, counted from 1; `reason` goes with a choice that wants one.
    """

    token: str = ""
    by: Person = ""
    choice: int = Field(default=0, ge=0, le=9)
    reason: str = Field(default="", max_length=2000)


class Pressed(Body):
    """What the press did, and what comes next."""

    did: str
    guide: Guide


class SignEntry(Entry):
    """Sign the job: the name is printed on the sheet with the time."""

    by: Name
    statement: Words = ""


class StrokeEntry(Entry):
    """Which TDC is the overlap one: the crank stands there now, or at the angle given."""

    crank_deg: Annotated[
        float | None,
        Field(description="Encoder's degrees near that TDC; left out: where the crank stands now."),
    ] = None
    how: Literal["both valves open", "lobe measured", "seen by the builder"] = "both valves open"
    by: Person = ""


class DropEntry(Entry):
    """A valve pushed until it touched the piston, the crank held."""

    cylinder: str | None = None
    valve: Valve
    drop_mm: Annotated[float, Field(gt=0, le=50, description="Travel along the stem until it touched.")]
    at_deg: Annotated[
        float, Field(ge=-720, le=720, description="Crank degrees after overlap TDC; before it negative.")
    ]
    from_seat: Annotated[
        bool, Field(description="The travel was taken from the valve's seat, not from where its cam held it.")
    ] = False
    valve_angle_deg: Annotated[
        float | None, Field(ge=0, lt=60, description="Between stem and bore; left out: the engine's, else 0.")
    ] = None
    crown: Annotated[
        Literal["unknown", "pocket", "flat"] | None,
        Field(
            description="Where they would meet: in a pocket parallel to the valve, or a flat crown; left out: the "
            "engine's."
        ),
    ] = None
    u_mm: Annotated[float, Field(gt=0, le=1, description="Standard uncertainty of the travel.")] = 0.05
    others_mm: Annotated[
        list[Annotated[float, Field(gt=0, le=50)]],
        Field(
            max_length=2, description="Travels of the cylinder's other valves of this kind; the least counts."
        ),
    ] = []
    by: Person = ""


class MoveWay(Entry):
    """How the cam is moved: ``cam_turned`` (crank held on a flank) or ``crank_turned`` (cam held)."""

    way: Literal["cam_turned", "crank_turned"]
    by: Person = ""


class GaugeChoice(Entry):
    """Which gauge is used on pistons, or on valves, where the bench has more than one."""

    on: Literal["piston", "valve"]
    gauge: Annotated[str, Field(min_length=1, max_length=64)]
    by: Person = ""
