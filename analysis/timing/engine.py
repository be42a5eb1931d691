"""The engine, its cams and the job: frozen facts, JSON-able through `analysis.plain`.

Angles are crank degrees unless the name says ``cam_deg``; lengths are mm. Crank angle 0 is true TDC of the
reference cylinder on its overlap stroke, range 0 to 720, growing in the running direction.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Literal

from analysis.base import STRICT, EntryError
from analysis.timing.card import CamCard, Valve

CYCLE_DEG = 720.0

Turn = Literal["clockwise", "anticlockwise"]
Side = Literal["timing end", "flywheel end"]
Crown = Literal["unknown", "pocket", "flat"]
"""Where valve and piston would meet: ``pocket``, parallel to the valve; ``flat``, square to the bore. ``unknown``
takes whichever of the two leaves less."""

Followers = Literal["", "solid", "hydraulic"]
Drive = Literal["", "chain", "belt", "gears"]
CamsIn = Literal["", "head", "block"]
"""Of followers, drive and place of the cams the empty word is: nobody has said."""

PlungerOn = Literal["", "flat", "point", "follower"]
"""What a gauge's plunger stands on at a valve: a flat face (retainer, bucket), a point that stays put (a dimple, a
ball), or nobody has said; or, with the head off, the follower or its pushrod, which has the lobe's own lift."""

AdjusterKind = Literal["slots", "holes", "keys", "dowels", "teeth", "none"]


@dataclass(frozen=True, slots=True)
class Adjuster:
    """What moves a cam against its drive, and in which sizes.

    Attributes
    ----------
    bolt_circle_radius_mm
        Radius at which the pulley's bolts (or a scribed mark) sit.
    slot_each_way_cam_deg
        Room of a slotted pulley from its middle to either end.
    hole_cam_deg
        Cam angle from one hole of a vernier plate to the next.
    sizes_deg
        Offset keys or dowels at hand, in the degrees of `sizes_act_on`; each can be fitted either way round.
    fitted_deg
        What is fitted now, same degrees; positive makes the cam later.
    gear_teeth
        Teeth of the cam gear or pulley.
    """

    __pydantic_config__ = STRICT
    kind: AdjusterKind = "none"
    bolt_circle_radius_mm: float | None = None
    slot_each_way_cam_deg: float | None = None
    hole_cam_deg: float | None = None
    sizes_deg: tuple[float, ...] = ()
    sizes_act_on: Literal["cam", "crank"] = "cam"
    fitted_deg: float = 0.0
    gear_teeth: int | None = None


@dataclass(frozen=True, slots=True)
class Cam:
    """One camshaft.

    Attributes
    ----------
    name
        As the shop calls it: ``inlet``, ``exhaust``, ``camshaft``, ``A inlet``.
    valves
        What it opens: one of them on a twin-cam engine, both on a single cam.
    cylinders
        Cylinders it serves; empty is all of them.
    turns_with_crank
        True for chain and belt; False where gears make it turn against the crank.
    """

    __pydantic_config__ = STRICT
    name: str
    valves: tuple[Valve, ...]
    cylinders: tuple[str, ...] = ()
    turns_with_crank: bool = True
    adjuster: Adjuster = field(default_factory=Adjuster)


def cam_words(name: str) -> str:
    """Give how a sentence calls a cam: "inlet cam"; one whose name says so already is not called cam twice.

    Examples
    --------
    >>> cam_words("inlet"), cam_words("cam"), cam_words("camshaft")
    ('inlet cam', 'cam', 'camshaft')
    """
    return name if name.casefold().endswith(("cam", "camshaft")) else f"{name} cam"


@dataclass(frozen=True, slots=True)
class Lobe:
    """One lobe, by the cylinder it serves and the valve it opens."""

    __pydantic_config__ = STRICT
    cylinder: str
    valve: Valve

    @property
    def words(self) -> str:
        """Name for people, such as ``inlet, cylinder 1``."""
        return f"{self.valve}, cylinder {self.cylinder}"

    @property
    def touches(self) -> str:
        """What a gauge on its valve is said to touch: ``inlet_1``."""
        return f"{self.valve}_{self.cylinder.lower()}"


@dataclass(frozen=True, slots=True)
class Engine:
    """An engine as the job needs it; `None` is unknown.

    Attributes
    ----------
    cylinders
        Names in the manner of ISO 1204: ``1`` to ``4`` in line, ``A1`` to ``B3`` for a vee.
    firing_order
        The same names in the order they fire; the first is the reference unless `reference_cylinder` says.
    firing_intervals_deg
        Crank degrees from each in the firing order to the next; empty is even.
    rotation, seen_from
        Running direction of the crank, seen from that side.
    pin_offset_mm
        Of the piston's pin from the middle of the bore, positive to the (major) thrust side: seen with the engine
        turning clockwise, the left.
    pin_side_known
        False where the side of `pin_offset_mm` was never asked, as in engines kept before it was; only its size
        is used then.
    crank_offset_mm
        Of the crank's axis from the middle of the bore, positive to the thrust side. It counts the other way
        round: a crank moved to one side is a pin moved to the other.
    forward_only
        The maker forbids turning the crank backwards.
    inlet_valves, exhaust_valves
        How many valves of each kind a cylinder has; one of them stands for all in every measurement.
    inlet_to_piston_mm, exhaust_to_piston_mm
        The engine maker's least valve-to-piston clearance.
    valve_to_valve_mm
        The engine maker's least between inlet and exhaust valve.
    variable_timing
        An adjuster moves a cam while the engine runs.
    inlet_valve_angle_deg, exhaust_valve_angle_deg
        Between stem and bore; where both lean, they lean apart at the top, so that the heads come together as the
        valves open.
    crown
        Where a valve would meet its piston.
    inlet_head_mm, exhaust_head_mm
        Diameters of the valves' heads.
    heads_apart_mm
        Between the middles of the two heads' faces, both valves shut.
    """

    __pydantic_config__ = STRICT
    name: str
    cylinders: tuple[str, ...]
    firing_order: tuple[str, ...]
    cams: tuple[Cam, ...]
    rotation: Turn = "clockwise"
    seen_from: Side = "timing end"
    reference_cylinder: str = ""
    firing_intervals_deg: tuple[float, ...] = ()
    stroke_mm: float | None = None
    rod_mm: float | None = None
    pin_offset_mm: float | None = None
    pin_side_known: bool = False
    crank_offset_mm: float | None = None
    slack_limit_deg: float | None = None
    forward_only: bool = False
    inlet_valves: int = 1
    exhaust_valves: int = 1
    inlet_to_piston_mm: float | None = None
    exhaust_to_piston_mm: float | None = None
    valve_to_valve_mm: float | None = None
    note: str = ""
    followers: Followers = ""
    drive: Drive = ""
    cams_in: CamsIn = ""
    variable_timing: bool = False
    inlet_valve_angle_deg: float | None = None
    exhaust_valve_angle_deg: float | None = None
    crown: Crown = "unknown"
    inlet_head_mm: float | None = None
    exhaust_head_mm: float | None = None
    heads_apart_mm: float | None = None

    @property
    def reference(self) -> str:
        """Cylinder whose overlap TDC is crank angle 0."""
        return self.reference_cylinder or self.firing_order[0]

    @property
    def offset_mm(self) -> float | None:
        """How far the pin stands to the thrust side of the crank's axis; `None` where nothing was said."""
        if self.pin_offset_mm is None and self.crank_offset_mm is None:
            return None
        return (self.pin_offset_mm or 0.0) - (self.crank_offset_mm or 0.0)

    @property
    def offset_side_known(self) -> bool:
        """Whether `offset_mm` may be used with its sign."""
        return self.pin_side_known or not self.pin_offset_mm

    def cam(self, name: str) -> Cam:
        """Return the cam called `name`."""
        for cam in self.cams:
            if cam.name == name:
                return cam
        names = ", ".join(cam.name for cam in self.cams)
        raise EntryError("no_such_cam", f"{self.name} has no cam called {name}; it has {names}.")

    def cam_of(self, lobe: Lobe) -> Cam:
        """Return the cam that carries `lobe`."""
        for cam in self.cams:
            if lobe.valve in cam.valves and lobe.cylinder in self.served_by(cam):
                return cam
        raise EntryError("no_such_lobe", f"{self.name} has no cam for {lobe.words}. Choose another lobe.")

    def served_by(self, cam: Cam) -> tuple[str, ...]:
        """Return the cylinders that `cam` serves, in the engine's order."""
        return cam.cylinders or self.cylinders

    def reference_lobes(self, cam: Cam) -> tuple[Lobe, ...]:
        """Return the lobes by which `cam` is timed: the reference cylinder's, else its first cylinder's."""
        served = self.served_by(cam)
        cylinder = self.reference if self.reference in served else served[0]
        return tuple(Lobe(cylinder, valve) for valve in cam.valves)

    def firing_offset_deg(self, cylinder: str) -> float:
        """Return how far after the reference cylinder's overlap TDC that of `cylinder` comes, 0..720."""
        at = dict(zip(self.firing_order, self._firing_angles(), strict=True))
        if cylinder not in at:
            raise EntryError(
                "no_such_cylinder",
                f"{self.name} has no cylinder {cylinder} in its firing order {'-'.join(self.firing_order)}.",
            )
        return (at[cylinder] - at[self.reference]) % CYCLE_DEG

    def tdcs_deg(self) -> tuple[float, ...]:
        """Return where pistons stand at their highest, crank degrees 0..360 from the reference cylinder's."""
        return tuple(sorted({self.firing_offset_deg(name) % (CYCLE_DEG / 2) for name in self.cylinders}))

    def _firing_angles(self) -> list[float]:
        count = len(self.firing_order)
        steps = self.firing_intervals_deg or (CYCLE_DEG / count,) * count
        return [sum(steps[:place]) for place in range(count)]

    def valves_a_cylinder(self, valve: Valve) -> int:
        """Return how many valves of a kind a cylinder has."""
        return self.inlet_valves if valve == "inlet" else self.exhaust_valves

    def valve_angle_deg(self, valve: Valve) -> float | None:
        """Return the angle between a valve's stem and the bore, `None` where unknown."""
        return self.inlet_valve_angle_deg if valve == "inlet" else self.exhaust_valve_angle_deg

    def valves_can_meet(self, cylinder: str) -> bool:
        """Tell whether a cam that is moved can bring inlet and exhaust valve together: its own cam each, and leaning."""
        own = {cam.valves for cam in self.cams if cylinder in self.served_by(cam)}
        leans = (self.inlet_valve_angle_deg or 0.0) + (self.exhaust_valve_angle_deg or 0.0)
        return {("inlet",), ("exhaust",)} <= own and leans > 0

    def least_to_piston_mm(self, valve: Valve) -> float | None:
        """Return the engine maker's least valve-to-piston clearance, `None` where unknown."""
        return self.inlet_to_piston_mm if valve == "inlet" else self.exhaust_to_piston_mm


@dataclass(frozen=True, slots=True)
class Job:
    """What binds an engine and a card for a customer.

    Attributes
    ----------
    tolerance_deg
        Overrides the card's.
    cylinders_wanted
        Cylinders to be measured besides the reference; empty is none.
    single_cam_aim
        Which lobe a single cam is timed by, or both errors shared.
    plunger_on
        What the gauge stands on at the valves.
    shop_inlet_to_piston_mm, shop_exhaust_to_piston_mm
        The shop's least valve-to-piston clearance, where the engine's maker gives none.
    shop_valve_to_valve_mm
        Likewise between inlet and exhaust valve.
    new_cam
        The cam is new to this engine: how far it may go is found before it is moved at all.
    """

    __pydantic_config__ = STRICT
    reference: str
    engine: Engine
    card: CamCard
    customer: str = ""
    builder: str = ""
    tolerance_deg: float | None = None
    cylinders_wanted: tuple[str, ...] = ()
    single_cam_aim: Literal["inlet", "exhaust", "share"] = "inlet"
    note: str = ""
    plunger_on: PlungerOn = ""
    shop_inlet_to_piston_mm: float | None = None
    shop_exhaust_to_piston_mm: float | None = None
    shop_valve_to_valve_mm: float | None = None
    new_cam: bool = False

    @property
    def lifted(self) -> Literal["valve", "follower"]:
        """What the gauge sees lifted."""
        return "follower" if self.plunger_on == "follower" else "valve"

    @property
    def card_at_gauge(self) -> CamCard:
        """The card as the gauge sees it: on a follower its lengths are the lobe's own, without rocker or clearance."""
        if self.lifted == "valve":
            return self.card
        inlet, exhaust = self.card.inlet, self.card.exhaust
        return replace(self.card, inlet=inlet and inlet.at_the_lobe, exhaust=exhaust and exhaust.at_the_lobe)

    @property
    def tolerance(self) -> float:
        """Tolerance in force, crank degrees, each way."""
        return self.card.tolerance_deg if self.tolerance_deg is None else self.tolerance_deg

    def shop_least_mm(self, valve: Valve) -> float | None:
        """Return the shop's own least valve-to-piston clearance, `None` where it has none."""
        return self.shop_inlet_to_piston_mm if valve == "inlet" else self.shop_exhaust_to_piston_mm
