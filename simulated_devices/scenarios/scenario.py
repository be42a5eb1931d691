"""Scenario files: an engine, its instruments, a hand and a script, as text.

TOML, every key checked; `load_scenario` raises a `ScenarioError` with one sentence for each mistake. The
files beside this module, in ``scenarios/``, are examples with every key explained.
"""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from simulated_devices.machine import CRANK_END, Move, ScenarioError, open_block

SCENARIOS = Path(__file__).parent

Name = Annotated[str, Field(pattern=r"^[a-z0-9_]{1,32}$")]
Positive = Annotated[float, Field(gt=0.0)]
NotNegative = Annotated[float, Field(ge=0.0)]


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class RoomTable(_Table):
    """``[engine.room.inlet]`` and ``.exhaust``: from shut valve to piston at TDC, along the stem."""

    at_tdc_mm: Positive
    stem_deg: Annotated[float, Field(ge=0.0, le=60.0)] = 0.0


class PartTable(_Table):
    """``[engine.part.NAME]``: what else turns with the crank, out of round and off its axis by so much."""

    radius_mm: Positive
    off_axis_mm: Annotated[float, Field(ge=0.0, le=5.0)] = 0.0
    off_towards_deg: float = 0.0
    oval_mm: Annotated[float, Field(ge=0.0, le=5.0)] = 0.0
    oval_towards_deg: float = 0.0


class FaceTable(_Table):
    """``[engine.face.NAME]``: a face that turns with the crank, out of square, and where the gauge stands on it."""

    from_axis_mm: Positive
    leans_deg: Annotated[float, Field(ge=0.0, le=5.0)] = 0.0
    leans_towards_deg: float = 0.0


class MarkTable(_Table):
    """``[engine.mark]``: a timing mark on the damper's rim, and how late it comes under its pointer."""

    rim_mm: Positive
    late_deg: Annotated[float, Field(ge=-30.0, le=30.0)] = 0.0


class CrownTable(_Table):
    """``[[engine.crown]]``: a piston at its highest, below the block's face; a gauge may stand on either."""

    cylinder: Annotated[int, Field(ge=1)]
    deck_mm: Annotated[float, Field(ge=-5.0, le=5.0)]
    leans_mm: Annotated[float, Field(ge=-0.5, le=0.5)] = 0.0


class EngineTable(_Table):
    """``[engine]``: crank geometry in mm, the firing order, and room for the valves where known."""

    name: str
    stroke_mm: Positive
    rod_mm: Positive
    pin_offset_mm: float = 0.0
    firing_order: tuple[int, ...] = (1,)
    firing_intervals_deg: tuple[Positive, ...] = ()
    room: dict[Literal["inlet", "exhaust"], RoomTable] = {}
    part: dict[Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]{0,30}$")], PartTable] = {}
    face: dict[Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]{0,30}$")], FaceTable] = {}
    mark: MarkTable | None = None
    end_float_mm: Annotated[float, Field(ge=0.0, le=5.0)] = 0.0
    crown: list[CrownTable] = []

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        if self.rod_mm <= self.stroke_mm / 2.0 + abs(self.pin_offset_mm):
            raise ValueError("rod_mm is shorter than half the stroke; check both")
        if sorted(self.firing_order) != list(range(1, len(self.firing_order) + 1)):
            raise ValueError(
                "firing_order has to name every cylinder once, from 1 on; write it like [1, 3, 4, 2]"
            )
        steps = self.firing_intervals_deg
        if steps and (len(steps) != len(self.firing_order) or abs(sum(steps) - 720.0) > 1e-6):
            raise ValueError("firing_intervals_deg needs one angle for each cylinder, 720 together")
        return self


class CylinderTable(_Table):
    """``[[cam.lobe.cylinder]]``: how one cylinder's lobe differs from the others."""

    number: int
    late_deg: float = 0.0
    worn_mm: NotNegative = 0.0
    clearance_mm: NotNegative | None = None


class LobeTable(_Table):
    """``[[cam.lobe]]``: one kind of lobe, ground once for every cylinder.

    `centre_deg` is crank degrees after overlap TDC (negative: before): the middle of equal lifts `drop_mm`
    below full lift, pulley on its number. `opening_deg` and `closing_deg` are crank degrees from nose to
    foot; lifts are the lobe's.
    """

    valve: Literal["inlet", "exhaust"]
    centre_deg: Annotated[float, Field(ge=-360.0, le=360.0)]
    drop_mm: Annotated[float, Field(gt=0.0, le=5.0)] = 1.27
    family: Literal["law", "polynomial", "arc", "tangent"] = "law"
    lift_mm: Annotated[float, Field(gt=0.5, le=20.0)]
    opening_deg: Annotated[float, Field(ge=60.0, le=260.0)]
    closing_deg: Annotated[float, Field(ge=60.0, le=260.0)]
    opening_law: Literal["harmonic", "cycloidal", "3-4-5", "4-5-6-7", "modified_sine"] = "modified_sine"
    closing_law: Literal["harmonic", "cycloidal", "3-4-5", "4-5-6-7", "modified_sine"] = "modified_sine"
    flat_deg: NotNegative = 0.0
    ramp_mm: Annotated[float, Field(ge=0.0, le=1.0)] = 0.0
    ramp_deg: Annotated[float, Field(ge=5.0, le=60.0)] = 36.0
    clearance_mm: Annotated[float, Field(ge=0.0, le=2.0)] = 0.0
    rocker_ratio: Annotated[float, Field(ge=0.5, le=3.0)] = 1.0
    rocker_drift: float = 0.0
    cylinder: tuple[CylinderTable, ...] = ()


class CamTable(_Table):
    """``[[cam]]``: one camshaft, how late its pulley stands at the start, and its drive's slack.

    `cylinders` are those it serves; none named is all of them.
    """

    name: Name
    late_deg: Annotated[float, Field(ge=-60.0, le=60.0)] = 0.0
    slack_deg: Annotated[float, Field(ge=0.0, le=20.0)] = 1.0
    cylinders: tuple[int, ...] = ()
    lobe: Annotated[tuple[LobeTable, ...], Field(min_length=1)]


class WireTable(_Table):
    """What every instrument's wire has in common."""

    frame: str
    template: str = ""
    pattern: str = ""
    baud: Annotated[int, Field(ge=50)] = 115200
    rate_hz: Annotated[float, Field(gt=0.0, le=2000.0)]

    @model_validator(mode="after")
    def _template_has_pattern(self) -> Self:
        if (self.frame == "template") != bool(self.template and self.pattern):
            raise ValueError('frame = "template" needs `template` and `pattern`, and no other frame has them')
        return self

    @model_validator(mode="after")
    def _wire_is_fast_enough(self) -> Self:
        longest = 24 if self.frame == "count_micros" else 12
        if self.rate_hz * longest * 10 > self.baud * 2:
            raise ValueError(
                f"{self.rate_hz:g} lines a second do not fit through {self.baud} baud; raise `baud`"
            )
        return self


class EncoderTable(WireTable):
    """``[encoder]``: the counter on the crank."""

    frame: Literal["count", "count_index", "count_micros", "template"] = "count"
    counts_per_turn: Annotated[int, Field(ge=4)] = 3600
    rate_hz: Annotated[float, Field(gt=0.0, le=2000.0)] = 200.0
    zero_deg: float = 0.0
    direction: Literal[1, -1] = 1
    index_deg: float | None = None
    clock_ppm: float = 0.0
    error_deg: NotNegative = 0.02
    """What its maker states; the disc here is truer."""


class GaugeTable(WireTable):
    """``[[gauge]]``: a dial indicator and what it touches at the start."""

    name: Name
    onto: str
    frame: Literal["decimal", "tagged", "template"] = "decimal"
    tag: str = ""
    rate_hz: Annotated[float, Field(gt=0.0, le=2000.0)] = 10.0
    unit: Literal["mm", "in"] = "mm"
    step: Positive = 0.01
    error_mm: NotNegative = 0.02
    lag_s: Annotated[float, Field(ge=0.0, le=2.0)] = 0.06
    jitter_s: Annotated[float, Field(ge=0.0, le=0.5)] = 0.0
    travel_mm: Positive = 25.0
    angle_deg: Annotated[float, Field(ge=0.0, le=45.0)] = 0.0
    seat: Literal["face", "point"] = "face"
    polarity: Literal[1, -1] = 1
    noise_mm: NotNegative = 0.0
    zero_mm: float = 0.0
    request: str = ""
    answers_after_s: Annotated[float, Field(ge=0.0, le=5.0)] = 0.012

    @field_validator("name")
    @classmethod
    def _name_is_free(cls, name: str) -> str:
        if name in {"crank", "bench"}:
            raise ValueError(f"{name!r} is taken by the bench itself; give the gauge another name")
        return name


class HandTable(_Table):
    """``[hand]``: how the crank is turned unless a move says otherwise."""

    start_deg: float = -150.0
    speed_deg_s: Annotated[float, Field(ge=0.5, le=720.0)] = 30.0
    wander: Annotated[float, Field(ge=0.0, le=1.0)] = 0.0
    ease_s: Annotated[float, Field(ge=0.0, le=2.0)] = 0.3


class StepTable(_Table):
    """``[[script]]``: one step that the bench can be told to do: gauges moved, then the hand."""

    name: Name
    say: str
    gauges: dict[str, str] = {}
    hand: tuple[Move, ...] = ()


class CardTable(_Table):
    """``[card]``: the cam card, as facts for whoever sets up the job. The bench itself does not use it.

    Its degrees are middles of equal readings `drop_mm` below full lift.
    """

    name: str
    drop_mm: Positive = 1.27
    inlet_atdc_deg: float
    exhaust_btdc_deg: float
    inlet_lift_mm: Positive
    exhaust_lift_mm: Positive
    inlet_clearance_mm: NotNegative = 0.0
    exhaust_clearance_mm: NotNegative = 0.0
    running_inlet_clearance_mm: NotNegative | None = None
    running_exhaust_clearance_mm: NotNegative | None = None
    rocker_ratio: Positive = 1.0
    tolerance_deg: Positive = 1.0


class Scenario(_Table):
    """A whole scenario file."""

    shop: str
    seed: int
    engine: EngineTable
    cam: Annotated[tuple[CamTable, ...], Field(min_length=1)]
    encoder: EncoderTable
    gauge: tuple[GaugeTable, ...] = ()
    hand: HandTable = HandTable()
    script: tuple[StepTable, ...] = ()
    card: CardTable | None = None

    @property
    def channels(self) -> list[str]:
        """The encoder's and every gauge's name."""
        return ["crank", *(gauge.name for gauge in self.gauge)]

    @model_validator(mode="after")
    def _names_agree(self) -> Self:
        """Everything is named once, and nothing names what is not there."""
        opened = [
            (lobe.valve, cylinder)
            for cam in self.cam
            for lobe in cam.lobe
            for cylinder in cam.cylinders or self.engine.firing_order
        ]
        if len(set(opened)) != len(opened):
            raise ValueError(
                "two lobes open the same valves; every kind of valve (inlet, exhaust) may appear once a cylinder"
            )
        if not {cylinder for _, cylinder in opened} <= set(self.engine.firing_order):
            raise ValueError("a cam serves a cylinder that does not fire; correct its cylinders")
        for what, names in (("cam", self.cam), ("gauge", self.gauge), ("script step", self.script)):
            seen = [item.name for item in names]
            if len(set(seen)) != len(seen):
                raise ValueError(f"two {what}s have the same name; every one needs its own")
        if not {crown.cylinder for crown in self.engine.crown} <= set(self.engine.firing_order):
            raise ValueError("a crown is of a cylinder that does not fire; correct its number")
        targets = self.targets
        if len(set(targets)) != len(targets):
            raise ValueError(
                "a part is called like a piston, a valve or the crank's end; give it another name"
            )
        gauges = {gauge.name: gauge.onto for gauge in self.gauge}
        wanted = list(gauges.items())
        for step in self.script:
            wanted += step.gauges.items()
        for gauge, onto in wanted:
            if gauge not in gauges:
                raise ValueError(
                    f"the script moves a gauge {gauge!r} that there is not; add it or correct the name"
                )
            if onto not in targets:
                raise ValueError(f"gauge {gauge!r} cannot touch {onto!r}; use one of {', '.join(targets)}")
        return self

    @property
    def targets(self) -> tuple[str, ...]:
        """Everything a gauge may touch."""
        cylinders = sorted(self.engine.firing_order)
        kinds = dict.fromkeys(lobe.valve for cam in self.cam for lobe in cam.lobe)
        of_cylinders = (f"{what}_{cylinder}" for what in ("piston", *kinds) for cylinder in cylinders)
        end = (CRANK_END,) if self.engine.end_float_mm else ()
        crowns = open_block(crown.cylinder for crown in self.engine.crown)
        return (*of_cylinders, *self.engine.part, *self.engine.face, *end, *crowns)


def load_scenario(path: Path | str) -> Scenario:
    """Read and check a scenario file; a bare name stands for one of the examples.

    Raises
    ------
    ScenarioError
        With one sentence, ended by a full stop or a line break, for each mistake.
    """
    file = Path(path)
    if not file.exists() and file.parent == Path() and (SCENARIOS / file.with_suffix(".toml").name).exists():
        file = SCENARIOS / file.with_suffix(".toml").name
    try:
        content = file.read_bytes()
    except OSError as error:
        raise ScenarioError(f"{file} cannot be read: {error.strerror}; check the name") from error
    return parse_scenario(content, str(file))


def parse_scenario(content: bytes, name: str = "scenario") -> Scenario:
    """Check the bytes of a scenario file; see `load_scenario`."""
    try:
        table: dict[str, Any] = tomllib.loads(content.decode())
        return Scenario.model_validate(table)
    except UnicodeDecodeError as error:
        raise ScenarioError(f"{name} is not UTF-8 text; save it as UTF-8") from error
    except tomllib.TOMLDecodeError as error:
        raise ScenarioError(f"{name} is not TOML: {error}; correct that line") from error
    except ValidationError as error:
        raise ScenarioError("\n".join(_sentence(name, problem) for problem in error.errors())) from error


def _sentence(name: str, problem: Any) -> str:
    """One mistake: where, what, and what to do."""
    where = ".".join(str(part + 1) if isinstance(part, int) else part for part in problem["loc"])
    at = f"{name}: {where}" if where else name
    kind, said = problem["type"], str(problem["msg"]).removeprefix("Value error, ")
    if kind == "missing":
        return f"{at} is missing; add it"
    if kind == "extra_forbidden":
        return f"{at} is not a key that a scenario has; take it out or correct its spelling"
    if kind == "value_error":
        return f"{at}: {said}"
    said = said.removeprefix("Input should be ")
    return f"{at} is {problem['input']!r}; it should be {said}"
