"""What stands in ``job.json`` of a job file, typed as the web API types it.

Results are checked and kept as they were written, so that a job goes round unchanged; what a newer or an
older program told besides is kept, too, as long as it can be shown.
"""

from __future__ import annotations

import datetime as dt
from typing import Annotated, Any, Literal, Self

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator

from analysis.base import EntryError
from analysis.clearance import DropMeasured
from api.base import Body
from api.entry import LONGEST_WORDS, refuse_bad_name
from api.measure import LobeAsked, Name, TdcAsked

Fields = dict[str, Any]
VERSION = 1
LONGEST_NS = 86_400 * 10**9 * 2
Deg = Annotated[float, Field(ge=-1e9, le=1e9)]
NotLess = Annotated[float, Field(ge=0, le=1e9)]
Sentence = Annotated[str, Field(max_length=4000)]
Number = Annotated[int, Field(ge=1, le=2**53)]


def _moment(text: str) -> str:
    if len(text) > 40 or dt.datetime.fromisoformat(text).tzinfo is None:
        raise ValueError("is no time with its zone")
    return text


def _one_line(text: str) -> str:
    try:
        refuse_bad_name("it", text, LONGEST_WORDS)
    except EntryError as error:
        raise ValueError(error.message) from None
    return text


Moment = Annotated[str, AfterValidator(_moment)]
OneLine = Annotated[str, AfterValidator(_one_line)]


class InFile(BaseModel):
    """Base of results: numbers are numbers, what is not known here is kept as it is."""

    model_config = ConfigDict(extra="allow", allow_inf_nan=False, strict=True)


class PassInFile(InFile):
    """One sweep."""

    start_s: Deg | None
    end_s: Deg | None
    direction: int
    speed_deg_s: Deg | None
    used: bool
    centre_deg: Deg | None
    u_deg: NotLess | None
    peak_mm: Deg | None = None


class PairInFile(InFile):
    """One pair of equal readings."""

    drop_mm: Deg | None
    before_deg: Deg | None
    after_deg: Deg | None
    midpoint_deg: Deg | None


class EventInFile(InFile):
    """Opening and closing at one check lift."""

    lift_mm: Deg
    opens_deg: Deg
    closes_deg: Deg
    duration_deg: Deg
    u_opens_deg: NotLess | None = None
    u_closes_deg: NotLess | None = None


class CentreInFile(InFile):
    """The centre at one drop."""

    drop_mm: Deg
    centre_deg: Deg
    u_deg: NotLess


class BudgetLineInFile(InFile):
    """One line of the budget."""

    source: str
    u_deg: NotLess | None


class WarningInFile(InFile):
    """A code and its sentence."""

    code: str
    message: str


class ResultInFile(InFile):
    """What true TDC and a lobe have alike."""

    centre_deg: Deg
    u95_deg: NotLess
    lag_s: Deg | None
    passes: list[PassInFile] = []
    equal_readings: list[PairInFile] = []
    warnings: list[WarningInFile] = []
    polarity: Literal[-1, 1] = 1


class LobeInFile(ResultInFile):
    """What a lobe has besides."""

    drop_mm: Deg
    full_lift_deg: Deg | None
    peak_lift_mm: Deg | None
    slack_deg: Deg | None
    asymmetry_deg: Deg | None
    events: list[EventInFile] = []


class DetailInFile(InFile):
    """What else a fit knows."""

    lag_u_s: NotLess | None = None
    polarity: Literal[-1, 1] = 1
    full_lift_u_deg: NotLess | None = None
    peak_lift_u_mm: NotLess | None = None
    slack_u_deg: NotLess | None = None
    residual_sd_mm: NotLess | None = None
    max_slope_mm_deg: Deg | None = None
    base_mm: Deg | None = None
    gain: Deg | None = None
    rod_ratio: Deg | None = None
    retrace_mm: NotLess | None = None
    retrace_u_mm: NotLess | None = None
    jitter_s: NotLess | None = None
    tick_s: NotLess | None = None
    budget: list[BudgetLineInFile] = []
    centres: list[CentreInFile] = []
    equal_readings: list[PairInFile] = []
    events: list[EventInFile] = []


class GaugeInFile(InFile):
    """What was known of the gauge; of use to nobody but the measurement that it came with."""

    lag_s: Annotated[float, Field(ge=-10, le=10)] | None = None
    lag_u_s: Annotated[float, Field(ge=0, le=10)] | None = None
    step_mm: Annotated[float, Field(ge=0, le=10)] | None = None
    error_mm: Annotated[float, Field(ge=0, le=10)] | None = None
    retrace_mm: Annotated[float, Field(ge=0, le=10)] | None = None
    found_retrace_mm: Annotated[float, Field(ge=0, le=10)] | None = None
    found_retrace_u_mm: Annotated[float, Field(ge=0, le=10)] | None = None
    jitter_s: Annotated[float, Field(ge=0, le=10)] | None = None
    tick_s: Annotated[float, Field(gt=0, le=10)] | None = None
    lag_from: Number | None = None


class EncoderInFile(InFile):
    """What was stated of the encoder, or supposed where nothing was."""

    encoder_error_deg: Annotated[float, Field(ge=0, le=10)] | None = None
    encoder_supposed: bool | None = None


class DropSource(Body):
    """What a clearance was computed from."""

    crank_deg: Annotated[float, Field(ge=-720, le=720)]
    drop_mm: Annotated[float, Field(gt=0, le=50)]
    from_seat: bool = False
    valve_angle_deg: Annotated[float, Field(ge=0, lt=60)] = 0.0
    crown: Literal["unknown", "pocket", "flat"] = "unknown"
    u_mm: Annotated[float, Field(gt=0, le=1)] = 0.05
    others_mm: Annotated[
        list[Annotated[float, Field(gt=0, le=50)]], Field(max_length=2, default_factory=list)
    ]
    lobe_fact: Number | None = None


assert set(DropSource.model_fields) - {"lobe_fact"} <= set(DropMeasured.__dataclass_fields__)


class HandSource(InFile):
    """What was typed of readings by hand, as far as curves are drawn from it."""

    gauge_step_mm: Annotated[float, Field(gt=0, le=10)]
    curve: Annotated[list[tuple[Deg, Deg]], Field(max_length=2000, strict=False)] = []
    base_mm: Deg | None = None
    polarity: Literal[-1, 1] = 1


class PartSource(InFile):
    """The curve that a part's runout was told from."""

    crank_deg: Annotated[list[Deg], Field(max_length=2000)]
    reading_mm: Annotated[list[Deg], Field(max_length=2000)]
    angles_from: Literal["true TDC", "the encoder's zero"]

    @model_validator(mode="after")
    def _in_pairs(self) -> Self:
        if len(self.crank_deg) != len(self.reading_mm):
            raise ValueError("a part's curve has not as many angles as readings")
        return self


class FactInFile(Body):
    """One thing that happened, and what it was computed from."""

    number: Number
    at: Moment
    by: OneLine
    what: Fields
    source: Fields | None

    @model_validator(mode="after")
    def _source_is_known(self) -> Self:
        kind = self.what.get("kind")
        if self.source is not None and kind == "piston_clearance_found":
            DropSource.model_validate(self.source)
        elif self.source is not None and kind == "part_measured":
            PartSource.model_validate(self.source)
        elif self.source is not None and self.source.get("by_hand"):
            HandSource.model_validate(self.source)
        return self


class MeasurementInFile(Body):
    """One measurement with its settings and its result; `trace` names its trace file in the zip."""

    id: Number
    what: Literal["tdc", "lobe"]
    touches: Name
    gauge: Annotated[str, Field(min_length=1, max_length=64), AfterValidator(_one_line)]
    state: Literal["finished", "refused"]
    started_at: Moment
    ended_at: Moment | None
    duration_ns: Annotated[int, Field(ge=0, le=LONGEST_NS)]
    settings: Fields
    facts: Fields
    result: Fields | None
    detail: Fields | None
    error: Fields | None
    sentence: Sentence
    program: OneLine
    trace: Annotated[str, Field(max_length=200)]

    @model_validator(mode="after")
    def _told_as_usual(self) -> Self:
        asked = TdcAsked if self.what == "tdc" else LobeAsked
        EncoderInFile.model_validate(self.settings)
        known = {name: self.settings.get(name) for name in asked.model_fields}
        asked.model_validate({name: value for name, value in known.items() if value is not None})
        if self.touches.startswith("piston") != (self.what == "tdc"):
            raise ValueError(f"a gauge on {self.touches} cannot give a {self.what}")
        if (self.result is not None) != (self.state == "finished"):
            raise ValueError(f"measurement {self.id} is {self.state}, which does not go with its number")
        if self.result is not None:
            (ResultInFile if self.what == "tdc" else LobeInFile).model_validate(self.result)
        DetailInFile.model_validate(self.detail or {})
        GaugeInFile.model_validate(self.facts)
        if self.error is not None:
            WarningInFile.model_validate(self.error)
        return self


class AdoptionInFile(Body):
    """What became of a measurement in the job: the fact that holds it, or a sentence why none does."""

    measurement_id: Number
    fact: Number | None
    step: OneLine
    code: OneLine
    sentence: Sentence


class JobInFile(Body):
    """All that a shop needs to carry on with a job, or to show its sheet."""

    file: Literal["lobewright job"] = "lobewright job"
    version: int = VERSION
    program: OneLine
    written_at: Moment
    at: Moment
    by: OneLine
    job: Fields
    facts: Annotated[list[FactInFile], Field(max_length=20_000)]
    measurements: Annotated[list[MeasurementInFile], Field(max_length=4_000)]
    adoptions: Annotated[list[AdoptionInFile], Field(max_length=8_000)]
    sha256: dict[str, str] = Field(default_factory=dict)
