"""Every message that goes to a live screen, told apart by `kind`; one JSON object a WebSocket message.

A screen opens ``/live`` and is sent `Hello` first, then the others as things happen. Numbers are mm,
crank degrees and seconds; each screen turns them into the units its owner chose.
"""

from __future__ import annotations

from typing import Any, Literal

from pydantic import BaseModel, ConfigDict

from analysis.timing import Outlook


class Message(BaseModel):
    """Base of all live messages."""

    model_config = ConfigDict(extra="forbid")


class LastLine(Message):
    """A line as an instrument sent it, what is not printable written out, and whether it could be read."""

    text: str
    read: bool


class ChannelHealth(Message):
    """One channel as a person wants to know it: `state` is a word of `capture`'s channel states."""

    name: str
    quantity: Literal["crank", "gauge"]
    state: str
    age_s: float | None
    rate_hz: float
    accepted: int
    rejected: int
    sentence: str
    last_lines: list[LastLine] = []

    @property
    def told(self) -> str:
        """What is said of it where its name does not stand beside it."""
        named = self.sentence.startswith(f"{self.name}: ")
        return self.sentence if named else f"{self.name}: {self.sentence}"


class RecorderHealth(Message):
    """Is what arrives being kept: words and figures of the recorder."""

    state: str
    queued: int
    unsaved_s: float
    sentence: str


class Latest(Message):
    """The newest reading of one channel. `wire_ns` is capture's monotonic arrival stamp."""

    value: float
    wire_ns: int
    wall_ms: float


class Hello(Message):
    """First message on a connection: everything a screen needs to draw itself from nothing."""

    kind: Literal["hello"] = "hello"
    version: str
    run_id: int | None
    latest: dict[str, Latest]
    channels: list[ChannelHealth]
    recorder: RecorderHealth | None
    measurement: MeasurementView | None
    centre: Centre | None = None
    guide: Guide


class Readings(Message):
    """Newest values, at most 60 times a second, and the new points of the measurement's curve."""

    kind: Literal["readings"] = "readings"
    latest: dict[str, Latest]
    points: CurvePoints | None = None


class CurvePoints(Message):
    """Points of the running measurement: gauge over crank, lag not yet removed; `way` is +1, -1 or 0."""

    measurement_id: int
    first: int
    crank_deg: list[float]
    gauge_mm: list[float]
    way: list[int]


class MeasurementView(Message):
    """A measurement as a screen shows it; `result` has the fields of `lobewright measure --json`.

    `begun_by_itself`: nobody pressed, the crank was turned. `ends_by_itself`: once there is enough and the crank rests.
    """

    id: int
    job_id: int | None
    what: Literal["tdc", "lobe"]
    touches: str
    gauge: str
    state: Literal["running", "finished", "refused", "discarded"]
    started_at: str
    result: dict[str, Any] | None
    sentence: str
    begun_by_itself: bool = False
    ends_by_itself: bool = False


class Centre(Message):
    """The running measurement's number, settling; `result` or `error` as `lobewright measure --json`.

    `outlook` says what its interval is made of, and so what further turns would bring.
    """

    kind: Literal["centre"] = "centre"
    measurement_id: int
    result: dict[str, Any] | None = None
    error: dict[str, str] | None = None
    outlook: Outlook | None = None
    curve_deg: list[float] = []
    curve_mm: list[float] = []


class Measurement(Message):
    """A measurement began, ended, was refused or discarded."""

    kind: Literal["measurement"] = "measurement"
    measurement: MeasurementView


class CamTurn(Message):
    """A cam being turned at a held crank: which way it still goes, as its own end is looked at, and how far.

    Both ways to go are without a sign; `too_far` says that the number was crossed.
    """

    turn: Literal["clockwise", "anticlockwise"]
    seen_from: str
    to_go_deg: float
    to_go_cam_deg: float
    too_far: bool = False


class Choice(Message):
    """A smaller button beside the large one; `wants_reason`: a reason goes with it, as `reason` of the body."""

    label: str
    action: str
    wants_reason: bool = False


class Guide(Message):
    """What the builder does now: one sentence, one number, one way to go.

    `to_go_deg` is signed (positive: turn on in the running direction); `to_go_mm` is what the gauge must
    still move; `target_mm` is the reading to stop at; `button` is what the one large button does, and `choices` what
    else may be done. `call` and `headline` are there when a measurement was just compared with the card, `was` when
    the last number holds no more. `link` is a page to open once the button was pressed. `hands_free`: measurements
    begin and end by themselves; outside a job, on the piston and the valves of `cylinder`.
    """

    kind: Literal["guide"] = "guide"
    job_id: int | None = None
    step: str = ""
    sentence: str
    why: str = ""
    number: float | None = None
    unit: Literal["deg", "mm", ""] = ""
    label: str = ""
    interval: float | None = None
    to_go_deg: float | None = None
    to_go_mm: float | None = None
    target_mm: float | None = None
    verdict: str = ""
    tone: Literal["", "approach", "on_the_number", "overshot", "fault"] = ""
    button: str = ""
    action: str = ""
    link: str = ""
    choices: list[Choice] = []
    move: CamTurn | None = None
    call: Literal["", "in", "out", "cannot_tell"] = ""
    headline: str = ""
    was: str = ""
    card: str = ""
    job: str = ""
    customer: str = ""
    step_number: int = 0
    steps: int = 0
    hands_free: bool = False
    cylinder: str = ""
    cautions: list[str] = []


class Health(Message):
    """State of every channel and of the recorder, at least once a second: the screen's heartbeat."""

    kind: Literal["health"] = "health"
    channels: list[ChannelHealth]
    recorder: RecorderHealth | None
    capture_alive: bool
    sentence: str


class BenchEvent(Message):
    """Something that happened at the bench: a cable pulled, a gauge moved, a counter that began again."""

    kind: Literal["event"] = "event"
    channel: str
    code: str
    sentence: str
    at: str


Hello.model_rebuild()
Readings.model_rebuild()
