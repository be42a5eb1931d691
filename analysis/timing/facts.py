"""What happened in a job, as an append-only list: measurements, decisions, movements, notes.

A `Fact` is a number in the list, a time, a name and one payload. Payloads are told apart by `kind` and go to
JSON and back through `analysis.base.to_plain` and `from_plain`. Angles are crank degrees, 0 = overlap TDC of the
reference cylinder; a cam error is positive when late.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any, Literal

from pydantic import Field

from analysis.base import STRICT, read_plain
from analysis.timing.card import Valve

MinimumFrom = Literal["engine maker", "the shop", "common practice"]


@dataclass(frozen=True, slots=True)
class BenchChecked:
    """The bench was tried: which way the encoder counts, how many degrees a turn, which gauges answer.

    `turn_deg` is one TDC to the next as the encoder told it, `None` when not yet proved, with its expanded
    uncertainty where that is known; `gauge_signs` is
    +1 or -1 for each of `gauges`.
    """

    __pydantic_config__ = STRICT
    counts_forward: bool = True
    turn_deg: float | None = None
    gauges: tuple[str, ...] = ()
    gauge_signs: tuple[int, ...] = ()
    by_hand: bool = False
    turn_u95_deg: float | None = None
    kind: Literal["bench_checked"] = "bench_checked"


@dataclass(frozen=True, slots=True)
class FittedUp:
    """The engine is fitted up for measuring: the lines that the builder read and stands by."""

    __pydantic_config__ = STRICT
    lines: tuple[str, ...]
    kind: Literal["fitted_up"] = "fitted_up"


@dataclass(frozen=True, slots=True)
class ClearanceNoted:
    """The valve clearance found and set on one valve, cold, on the base circle."""

    __pydantic_config__ = STRICT
    cylinder: str
    valve: Valve
    clearance_mm: float
    kind: Literal["clearance_noted"] = "clearance_noted"


@dataclass(frozen=True, slots=True)
class TdcMeasured:
    """True TDC of one piston, in the encoder's own degrees, 0..360, as `measure tdc` tells it."""

    __pydantic_config__ = STRICT
    cylinder: str
    centre_deg: float
    u95_deg: float
    measurement_id: str = ""
    lag_s: float | None = None
    gauge: str = ""
    by_hand: bool = False
    kind: Literal["tdc_measured"] = "tdc_measured"


@dataclass(frozen=True, slots=True)
class StrokeFound:
    """Which TDC of the reference cylinder is the overlap one, in the encoder's degrees, 0..720."""

    __pydantic_config__ = STRICT
    overlap_tdc_deg: float
    how: Literal["both valves open", "lobe measured", "seen by the builder"] = "both valves open"
    kind: Literal["stroke_found"] = "stroke_found"

    @property
    def how_words(self) -> str:
        """How it was told, as builders say it; the code in files stays as it was."""
        return "both valves rocking" if self.how == "both valves open" else self.how


@dataclass(frozen=True, slots=True)
class Event:
    """Opening and closing at one check lift, 0..720, and the duration between."""

    __pydantic_config__ = STRICT
    lift_mm: float
    opens_deg: float
    closes_deg: float
    duration_deg: float
    u_opens_deg: float | None = None
    u_closes_deg: float | None = None


@dataclass(frozen=True, slots=True)
class DropCentre:
    """Middle of the equal-lift pair at one drop below full lift; `u_deg` is a standard uncertainty."""

    __pydantic_config__ = STRICT
    drop_mm: float
    centre_deg: float
    u_deg: float


@dataclass(frozen=True, slots=True)
class LobeMeasured:
    """One lobe as measured; the numbers of `measure lobe`, with `u95_deg` belonging to `centre_deg`.

    Where in the job it stands (as found, nipped up, torqued) follows from its place in the list.
    """

    __pydantic_config__ = STRICT
    cylinder: str
    valve: Valve
    centre_deg: float
    drop_mm: float
    u95_deg: float
    measurement_id: str = ""
    full_lift_deg: float | None = None
    full_lift_u_deg: float | None = None
    peak_lift_mm: float | None = None
    peak_lift_u_mm: float | None = None
    lift_at_tdc_mm: float | None = None
    lift_at_tdc_u_mm: float | None = None
    lift_at_tdc_slope_mm_deg: float | None = None
    slack_deg: float | None = None
    slack_u_deg: float | None = None
    asymmetry_deg: float | None = None
    lag_s: float | None = None
    gauge: str = ""
    events: tuple[Event, ...] = ()
    centres: tuple[DropCentre, ...] = ()
    by_hand: bool = False
    kind: Literal["lobe_measured"] = "lobe_measured"


@dataclass(frozen=True, slots=True)
class Decided:
    """What the builder decides on a cam's verdict; leaving a cam that is out needs a reason."""

    __pydantic_config__ = STRICT
    cam: str
    decision: Literal["correct", "leave", "measure_again"]
    reason: str = ""
    kind: Literal["decided"] = "decided"


@dataclass(frozen=True, slots=True)
class Moved:
    """A cam was moved against the crank. `asked_deg`: change asked for, crank degrees, positive = later.

    `fitted_deg` is what is fitted since, in the adjuster's own degrees, positive = later; `None` where it was not
    noted.
    """

    __pydantic_config__ = STRICT
    cam: str
    way: Literal["cam_turned", "crank_turned", "key", "dowel", "hole", "tooth", "other"]
    asked_deg: float | None = None
    fitted_deg: float | None = None
    kind: Literal["moved"] = "moved"


@dataclass(frozen=True, slots=True)
class Tightened:
    """The cam's pulley was nipped up or torqued; locking (thread-lock, tab) in words."""

    __pydantic_config__ = STRICT
    cam: str
    to: Literal["nipped", "torqued"]
    torque_nm: float | None = None
    locking: str = ""
    kind: Literal["tightened"] = "tightened"


@dataclass(frozen=True, slots=True)
class ShiftedClearance:
    """Least valve-to-piston clearance with the cam shifted; positive shift = later, crank degrees."""

    __pydantic_config__ = STRICT
    shift_deg: float
    least_mm: float
    at_deg: float


@dataclass(frozen=True, slots=True)
class PistonClearanceFound:
    """Valve to piston from the lift curve and one measured drop, as `analysis.valve_to_piston` finds it."""

    __pydantic_config__ = STRICT
    cylinder: str
    valve: Valve
    least_mm: float
    at_deg: float
    u95_mm: float
    minimum_mm: float
    minimum_from: MinimumFrom
    table: tuple[ShiftedClearance, ...] = ()
    kind: Literal["piston_clearance_found"] = "piston_clearance_found"


@dataclass(frozen=True, slots=True)
class ValvesApartFound:
    """Inlet to exhaust valve of a twin-cam cylinder, as `analysis.clearance.valve_to_valve` finds it.

    In `table` a positive shift is the inlet cam later against the exhaust cam, which takes them apart.
    """

    __pydantic_config__ = STRICT
    cylinder: str
    least_mm: float
    at_deg: float
    u95_mm: float
    minimum_mm: float
    how: Literal["touch", "geometry"]
    table: tuple[ShiftedClearance, ...] = ()
    minimum_from: MinimumFrom = "common practice"
    kind: Literal["valves_apart_found"] = "valves_apart_found"


@dataclass(frozen=True, slots=True)
class Skipped:
    """A step is left out; the reason is printed on the sheet."""

    __pydantic_config__ = STRICT
    step: str
    reason: str
    kind: Literal["skipped"] = "skipped"


@dataclass(frozen=True, slots=True)
class WentBack:
    """The job goes back to a step: what was done there and in every step that rests on it counts no more."""

    __pydantic_config__ = STRICT
    step: str
    reason: str = ""
    kind: Literal["went_back"] = "went_back"


@dataclass(frozen=True, slots=True)
class Withdrawn:
    """An earlier fact counts no more; it stays in the list."""

    __pydantic_config__ = STRICT
    number: int
    reason: str
    kind: Literal["withdrawn"] = "withdrawn"


@dataclass(frozen=True, slots=True)
class OwnDecision:
    """The builder goes past a block that may be gone past, on his own decision; printed on the sheet."""

    __pydantic_config__ = STRICT
    step: str
    code: str
    reason: str
    kind: Literal["own_decision"] = "own_decision"


@dataclass(frozen=True, slots=True)
class Noted:
    """A note; changes nothing."""

    __pydantic_config__ = STRICT
    text: str
    step: str = ""
    kind: Literal["noted"] = "noted"


PartKind = Literal["runout", "swash", "end_float", "deck", "compression", "mark"]
"""What is told of a part beside the cams."""


@dataclass(frozen=True, slots=True)
class PartFigure:
    """A number of a part with its interval, and what it is of."""

    __pydantic_config__ = STRICT
    name: str
    value: float
    u95: float
    unit: Literal["mm", "deg", "cm3", ": 1"]


@dataclass(frozen=True, slots=True)
class PartMeasured:
    """Something told of a part beside the cams: runout of a journal, an end float, a deck; changes no step.

    `held` is what came of the maker's limits that were typed, `least_mm` and `most_mm`; empty where none was.
    """

    __pydantic_config__ = STRICT
    part: str
    what: PartKind
    figures: tuple[PartFigure, ...]
    words: str
    held: Literal["", "within", "beyond", "open"] = ""
    gauge: str = ""
    least_mm: float | None = None
    most_mm: float | None = None
    kind: Literal["part_measured"] = "part_measured"


@dataclass(frozen=True, slots=True)
class SignedOff:
    """The job is signed by `Fact.by`."""

    __pydantic_config__ = STRICT
    statement: str = ""
    kind: Literal["signed_off"] = "signed_off"


Payload = Annotated[
    BenchChecked
    | FittedUp
    | ClearanceNoted
    | TdcMeasured
    | StrokeFound
    | LobeMeasured
    | Decided
    | Moved
    | Tightened
    | PistonClearanceFound
    | ValvesApartFound
    | Skipped
    | WentBack
    | Withdrawn
    | OwnDecision
    | Noted
    | PartMeasured
    | SignedOff,
    Field(discriminator="kind"),
]


@dataclass(frozen=True, slots=True)
class Fact:
    """One line of the list: its number (rising from 1), when, by whom, what."""

    __pydantic_config__ = STRICT
    number: int
    at: str
    by: str
    what: Payload


def payload_from_plain(plain: Any) -> Payload:
    """Return the payload of plain JSON values, told apart by `kind`; raises `analysis.plain.EntryError`."""
    payload: Payload = read_plain(Payload, plain)
    return payload
