"""A piston engine as a pure model: pistons, cams with slack, valves, and the truth about each of them.

Angles are crank degrees, growing in the running direction, 0 at true TDC of cylinder 1 on the overlap
stroke: *true* TDC is the piston's highest point, wherever the crank throw then is.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from simulated_devices.machine.lobes import Lobe
from simulated_devices.machine.round_part import Face, RoundPart

Floats = NDArray[np.float64]
CRANK_END = "crank_end"
"""Where a gauge along the crankshaft stands."""


@dataclass(frozen=True, slots=True)
class SliderCrank:
    """Crank, rod and piston pin, seen with the crank turning clockwise: the throw falls to the right after TDC.

    `pin_offset_mm` is how far the pin stands to the left of the crank's axis, the side to which gas presses the
    piston; negative is to the right.
    """

    stroke_mm: float
    rod_mm: float
    pin_offset_mm: float = 0.0

    def height_mm(self, throw_deg: Floats) -> Floats:
        """Pin height over the crank axis along the bore, mm, at throw degrees from the bore's axis."""
        radius, angle = self.stroke_mm / 2.0, np.radians(throw_deg)
        pin_right_mm = -self.pin_offset_mm
        side = radius * np.sin(angle) - pin_right_mm
        return radius * np.cos(angle) + np.sqrt(self.rod_mm**2 - side**2)

    @property
    def highest_throw_deg(self) -> float:
        """Throw angle at the piston's highest point: rod and throw in one line."""
        return math.degrees(math.asin(-self.pin_offset_mm / (self.rod_mm + self.stroke_mm / 2.0)))

    def below_top_mm(self, from_tdc_deg: Floats) -> Floats:
        """How far the piston stands below its highest point, mm, at degrees from true TDC."""
        top_deg = self.highest_throw_deg
        top = self.height_mm(np.asarray(top_deg))
        return np.asarray(top - self.height_mm(np.asarray(from_tdc_deg) + top_deg), dtype=np.float64)


@dataclass(frozen=True, slots=True)
class Valve:
    """One valve and the lobe that opens it.

    Attributes
    ----------
    nose_deg : float
        Crank degrees (0 to 720) at which the lobe's nose stands under the follower, pulley as made.
    clearance_mm : float
        Valve clearance (lash), at the valve.
    rocker_ratio : float
        Valve travel over lobe lift at small lift.
    rocker_drift : float
        Change of that ratio per mm of lobe lift: rocker geometry.
    """

    lobe: Lobe
    nose_deg: float
    clearance_mm: float = 0.0
    rocker_ratio: float = 1.0
    rocker_drift: float = 0.0

    def lift_mm(self, cam_phase_deg: Floats) -> Floats:
        """Valve lift, mm, at the cam's phase in crank degrees (0 to 720, unwrapped or not)."""
        lobe_lift = self.lobe.lift((np.asarray(cam_phase_deg) - self.nose_deg) / 2.0)
        at_valve = lobe_lift * (self.rocker_ratio + self.rocker_drift * lobe_lift)
        return np.maximum(at_valve - self.clearance_mm, 0.0)


@dataclass(frozen=True, slots=True)
class Cam:
    """One camshaft: its drive's slack, its pulley, and the valves it opens.

    Attributes
    ----------
    slack_deg : float
        Play between crank and cam, crank degrees: the way the crank turns back before the cam follows.
    pulley_deg : float
        How late the adjustable pulley holds the cam, crank degrees (negative: early).
    valves : mapping of str to Valve
        By name, such as ``inlet_1``.
    """

    valves: Mapping[str, Valve]
    slack_deg: float = 0.0
    pulley_deg: float = 0.0

    def phase_deg(self, sprocket_deg: Floats) -> Floats:
        """Phase of the cam in crank degrees when its sprocket stands at `sprocket_deg`."""
        return np.asarray(sprocket_deg, dtype=np.float64) - self.pulley_deg


def take_up(crank_deg: Floats, slack_deg: float, start_deg: float | None = None) -> Floats:
    """Sprocket angle behind a drive with slack: the play operator, over a whole course of the crank.

    The crank pulls the sprocket at its own angle when it turns forward and leaves it alone for `slack_deg`
    when it turns back: the sprocket always stands between ``crank`` and ``crank + slack``.

    Parameters
    ----------
    crank_deg : ndarray, shape (n,)
        Course of the crank, unwrapped.
    start_deg : float, optional
        Where the sprocket stood before; by default slack is taken up as by turning forward.

    Returns
    -------
    ndarray, shape (n,)
    """
    crank = np.asarray(crank_deg, dtype=np.float64)
    if crank.size == 0:
        return crank.copy()
    state = float(np.clip(crank[0] if start_deg is None else start_deg, crank[0], crank[0] + slack_deg))
    if slack_deg <= 0.0:
        return crank.copy()
    sprocket = np.empty_like(crank)
    step = np.sign(np.diff(crank))
    moving = np.flatnonzero(step)
    turns = moving[1:][step[moving[1:]] != step[moving[:-1]]]
    bounds = [0, *turns.tolist(), crank.size - 1]
    for first, last in pairwise(bounds):
        part = crank[first : last + 1]
        rising = part[-1] >= part[0]
        sprocket[first : last + 1] = (
            np.maximum(state, part) if rising else np.minimum(state, part + slack_deg)
        )
        state = float(sprocket[last])
    if crank.size == 1:
        sprocket[0] = state
    return sprocket


def firing_offsets(order: tuple[int, ...], intervals_deg: tuple[float, ...] = ()) -> dict[int, float]:
    """Crank degrees from cylinder 1's overlap TDC to each cylinder's, in a four-stroke.

    `intervals_deg` are from each in the order to the next; none is an even firing engine.
    """
    first = order.index(1)
    if intervals_deg:
        turned, at = 0.0, {}
        for cylinder, gap in zip(
            order[first:] + order[:first], intervals_deg[first:] + intervals_deg[:first], strict=True
        ):
            at[cylinder] = turned
            turned += gap
        return at
    return {
        cylinder: 720.0 * ((place - first) % len(order)) / len(order) for place, cylinder in enumerate(order)
    }


def open_block(cylinders: Iterable[int]) -> tuple[str, ...]:
    """Where a gauge may stand on an open block: on the face beside each bore, and on each crown at two places."""
    return tuple(
        place for n in sorted(cylinders) for place in (f"face_{n}", f"crown_{n}_thrust", f"crown_{n}_far")
    )


@dataclass(frozen=True, slots=True)
class ValveRoom:
    """Room between a shut valve and the piston's pocket at true TDC, along the stem, and the stem's tilt."""

    at_tdc_mm: float
    stem_deg: float = 0.0


@dataclass(frozen=True, slots=True)
class Crown:
    """A piston's crown at its highest: how far below the block's face its middle stands, and its thrust side still more."""

    deck_mm: float
    leans_mm: float = 0.0


@dataclass(frozen=True, slots=True)
class Mark:
    """A timing mark on a rim: how late it comes under its pointer, crank degrees after true TDC of cylinder 1."""

    rim_mm: float
    late_deg: float


@dataclass(frozen=True)
class Engine:
    """The whole engine at rest: geometry, cams, firing order.

    Attributes
    ----------
    firing_intervals_deg : tuple of float
        From each in the firing order to the next; none is even.
    rooms : mapping of str to ValveRoom
        By kind of valve, where known.
    cams : mapping of str to Cam
        By name, such as ``inlet`` and ``exhaust``, or one ``cam``.
    parts : mapping of str to RoundPart
        What else turns with the crank, such as ``flange``.
    faces : mapping of str to Face
        What of these is read along the axis.
    mark : Mark, optional
    end_float_mm : float
        How far the crankshaft goes along its axis; its end is `CRANK_END`.
    crowns : mapping of int to Crown
        By cylinder, where the block lies open: a gauge may stand on ``face_N``, ``crown_N_thrust`` and ``crown_N_far``.
    """

    crank: SliderCrank
    cams: Mapping[str, Cam]
    firing_order: tuple[int, ...] = (1,)
    firing_intervals_deg: tuple[float, ...] = ()
    overlap_tdc_deg: Mapping[int, float] = field(default_factory=dict)
    rooms: Mapping[str, ValveRoom] = field(default_factory=dict)
    parts: Mapping[str, RoundPart] = field(default_factory=dict)
    faces: Mapping[str, Face] = field(default_factory=dict)
    mark: Mark | None = None
    end_float_mm: float = 0.0
    crowns: Mapping[int, Crown] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if not self.overlap_tdc_deg:
            object.__setattr__(
                self, "overlap_tdc_deg", firing_offsets(self.firing_order, self.firing_intervals_deg)
            )

    @cached_property
    def cam_of(self) -> dict[str, str]:
        """Name of the cam that opens each valve."""
        return {valve: name for name, cam in self.cams.items() for valve in cam.valves}

    @cached_property
    def targets(self) -> tuple[str, ...]:
        """Everything a gauge may touch: ``piston_N``, the valves, what else turns, and the end of the crankshaft."""
        pistons = (f"piston_{n}" for n in sorted(self.overlap_tdc_deg))
        end = (CRANK_END,) if self.end_float_mm else ()
        return (*pistons, *self.cam_of, *self.parts, *self.faces, *end, *open_block(self.crowns))

    def valve(self, name: str) -> Valve:
        """The valve of that name."""
        return self.cams[self.cam_of[name]].valves[name]

    def piston_below_top_mm(self, cylinder: int, crank_deg: Floats) -> Floats:
        """How far a piston stands below its highest point, mm."""
        return self.crank.below_top_mm(np.asarray(crank_deg) - self.overlap_tdc_deg[cylinder])

    def valve_lift_mm(self, name: str, sprocket_deg: Floats) -> Floats:
        """Lift of a valve, mm, for positions of its cam's sprocket (`take_up` of the crank)."""
        cam = self.cams[self.cam_of[name]]
        return cam.valves[name].lift_mm(cam.phase_deg(sprocket_deg))

    def room_mm(self, valve: str, crank_deg: Floats, lift_mm: Floats) -> Floats:
        """How far a valve that stands at `lift_mm` can be pushed on until it touches its piston, mm."""
        kind, _, cylinder = valve.rpartition("_")
        room = self.rooms[kind]
        fallen = self.piston_below_top_mm(int(cylinder), crank_deg) * math.cos(math.radians(room.stem_deg))
        return np.asarray(room.at_tdc_mm + fallen - np.asarray(lift_mm))

    def rise_mm(self, target: str, crank_deg: Floats) -> Floats:
        """How far a target has moved from its rest over a whole course of the crank, mm.

        A piston's rest is its highest point (so its rise is never above 0); a valve's is shut, and its
        rise is the lift; a round part's is its mean radius, a face's where it meets the axis; the crank's end stands as
        far in as it goes; a crown's is the block's face.
        """
        if target == CRANK_END:
            return np.zeros(np.shape(crank_deg))
        if target.startswith(("face_", "crown_")):
            return self._open_block_mm(target, crank_deg)
        if target in self.parts:
            return self.parts[target].under_gauge_mm(crank_deg) - self.parts[target].radius_mm
        if target in self.faces:
            return self.faces[target].under_gauge_mm(crank_deg)
        if target.startswith("piston_"):
            return -self.piston_below_top_mm(int(target.removeprefix("piston_")), crank_deg)
        return self.valve_lift_mm(target, self.sprocket_deg(target, crank_deg))

    def _open_block_mm(self, target: str, crank_deg: Floats) -> Floats:
        kind, cylinder, *side = target.split("_")
        if kind == "face":
            return np.zeros(np.shape(crank_deg))
        crown = self.crowns[int(cylinder)]
        leans = crown.leans_mm if side == ["thrust"] else -crown.leans_mm
        return -self.piston_below_top_mm(int(cylinder), crank_deg) - crown.deck_mm - leans

    def sprocket_deg(self, valve: str, crank_deg: Floats) -> Floats:
        """Position of the sprocket of a valve's cam over a whole course of the crank."""
        return take_up(crank_deg, self.cams[self.cam_of[valve]].slack_deg)

    def with_cam(self, name: str, **changes: object) -> Engine:
        """The same engine with one cam changed (`slack_deg`, `pulley_deg` or `valves`)."""
        cams = dict(self.cams)
        cams[name] = replace(cams[name], **changes)  # type: ignore[arg-type]
        return replace(self, cams=cams)

    def with_valve(self, name: str, **changes: object) -> Engine:
        """The same engine with one valve changed (any field of `Valve`)."""
        cam_name = self.cam_of[name]
        valves = dict(self.cams[cam_name].valves)
        valves[name] = replace(valves[name], **changes)  # type: ignore[arg-type]
        return self.with_cam(cam_name, valves=valves)

    def truth_of(self, valve: str, shift_deg: float = 0.0) -> LobeTruth:
        """What is true of a valve, turning forward with the slack taken up; angles moved by `shift_deg`."""
        cam = self.cams[self.cam_of[valve]]
        return LobeTruth(cam.valves[valve], cam.pulley_deg + shift_deg, cam.slack_deg)


@dataclass(frozen=True)
class LobeTruth:
    """What is true of one valve's motion, found on a dense scan of the simulator's own lobe.

    Every angle is in crank degrees, 0 to 720, `shift_deg` added. Lifts are those of the valve, clearance
    taken off.
    """

    valve: Valve
    shift_deg: float
    slack_deg: float

    @cached_property
    def _scan(self) -> tuple[Floats, Floats]:
        around = np.linspace(-360.0, 360.0, 36_001)
        return around, self.valve.lift_mm(around + self.valve.nose_deg)

    @cached_property
    def _top(self) -> tuple[float, float]:
        around, lift = self._scan
        middle, width = float(around[np.argmax(lift)]), 20.0
        for _ in range(4):
            fine = np.linspace(middle - width, middle + width, 4_001)
            height = self.valve.lift_mm(fine + self.valve.nose_deg)
            flat = fine[height >= height.max() - 1e-10]
            middle, width = float(flat[0] + flat[-1]) / 2.0, float(flat[-1] - flat[0]) + width / 50.0
        return middle, float(height.max())

    def _wrapped(self, around_deg: float) -> float:
        return (around_deg + self.valve.nose_deg + self.shift_deg) % 720.0

    def _crossings(self, lift_mm: float) -> tuple[float, float]:
        around, lift = self._scan
        above = np.flatnonzero(lift > lift_mm)
        if above.size == 0 or above[0] == 0:
            raise ValueError(
                f"the valve never crosses {lift_mm} mm: its full lift is {self.peak_lift_mm:.3f} mm"
            )
        first, last = int(above[0]), int(above[-1])
        opens = np.interp(lift_mm, lift[first - 1 : first + 1], around[first - 1 : first + 1])
        closes = np.interp(lift_mm, lift[last : last + 2][::-1], around[last : last + 2][::-1])
        return float(opens), float(closes)

    @property
    def peak_lift_mm(self) -> float:
        """Full valve lift, mm."""
        return self._top[1]

    @property
    def full_lift_deg(self) -> float:
        """Crank angle of full lift (the middle of the flat, where there is one)."""
        return self._wrapped(self._top[0])

    def centre_deg(self, drop_mm: float = 1.27) -> float:
        """Middle of the pair of equal lifts `drop_mm` below full lift."""
        opens, closes = self._crossings(self.peak_lift_mm - drop_mm)
        return self._wrapped((opens + closes) / 2.0)

    def events_deg(self, lift_mm: float) -> tuple[float, float, float]:
        """Opening, closing and duration at a check lift, crank degrees."""
        opens, closes = self._crossings(lift_mm)
        return self._wrapped(opens), self._wrapped(closes), closes - opens

    def lift_at_mm(self, crank_deg: Floats) -> Floats:
        """Lift at crank angles turned to forward with the slack taken up, mm."""
        return self.valve.lift_mm(np.asarray(crank_deg) - self.shift_deg)
