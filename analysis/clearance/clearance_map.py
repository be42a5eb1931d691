"""Valve to piston against the phase of both cams: a map a cylinder, with the walls that no cam may pass.

A valve comes near its own piston by its own cam alone, so the map is made of two edges: what each valve leaves at each
phase of its cam. At a place of the map the nearer one counts, each held to its own least allowed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from analysis.base import Floats, Refusal
from analysis.clearance.valve_to_piston import (
    DropMeasured,
    Gap,
    call_of,
    minimum_of,
    refuse_if_impossible,
    told_against,
    told_least,
)
from analysis.timing import Call, Engine, Lobe, MinimumFrom, StoredLift, early_or_late

MAP_SHIFTS_DEG = tuple(float(shift) for shift in range(-20, 21))
"""Cam early and late in the map: 20 crank degrees either way; common practice, no source."""

_TDC_U_DEG = 0.1


@dataclass(frozen=True, slots=True)
class Pushed:
    """What is known of one valve: its drop, its curve then and now.

    Attributes
    ----------
    now
        The curve as the cam stands now; the same as `then` where it has not been moved since the drop.
    less_clearance_mm
        How much smaller the running clearance is than the one the curves were measured with.
    shop_minimum_mm
        The shop's least, used where the engine's maker gives none.
    """

    drop: DropMeasured
    then: StoredLift
    now: StoredLift
    less_clearance_mm: float = 0.0
    shop_minimum_mm: float | None = None


@dataclass(frozen=True, slots=True)
class Wall:
    """Where a cam may go no further, crank degrees from where it stands, positive = later.

    Attributes
    ----------
    shift_deg
        There the least gap is the least allowed; `None` where that lies beyond the map.
    sure_deg
        There even the gap less its interval is; between the two nobody can tell.
    """

    shift_deg: float | None
    sure_deg: float


@dataclass(frozen=True, slots=True)
class LeastNow:
    """The least gap as the cam stands, its expanded uncertainty and its place."""

    least_mm: float
    u95_mm: float
    at_deg: float


@dataclass(frozen=True, slots=True)
class MapEdge:
    """One valve at every phase of its cam.

    Attributes
    ----------
    shifts_deg, least_mm, u95_mm, at_deg : ndarray, shape (n,)
        Shift of the cam, positive = later; least gap there along the stem, its expanded uncertainty, and where it is,
        crank degrees after this cylinder's overlap TDC.
    earlier, later
        `None` where no wall stands on that side within the map.
    """

    lobe: Lobe
    now: LeastNow
    shifts_deg: Floats
    least_mm: Floats
    u95_mm: Floats
    at_deg: Floats
    minimum_mm: float
    minimum_from: MinimumFrom
    call: Call
    earlier: Wall | None
    later: Wall | None
    sentence: str

    @property
    def spare_mm(self) -> Floats:
        """How much more than the least allowed is left."""
        return self.least_mm - self.minimum_mm

    def least_at(self, shift_deg: float) -> tuple[float, float] | None:
        """Return least gap and its interval at a shift, `None` beyond the map."""
        if not self.shifts_deg[0] <= shift_deg <= self.shifts_deg[-1]:
            return None
        told = (np.interp(shift_deg, self.shifts_deg, values) for values in (self.least_mm, self.u95_mm))
        least, u95 = (float(value) for value in told)
        return least, u95


@dataclass(frozen=True, slots=True)
class CylinderMap:
    """Both valves of a cylinder.

    Attributes
    ----------
    spare_mm, u95_mm : ndarray, shape (inlet shifts, exhaust shifts)
        What the nearer valve leaves over its least allowed, and its interval; empty unless both valves are known.
    why_not
        For each valve that is not in the map, its code and what to do.
    """

    cylinder: str
    inlet: MapEdge | None
    exhaust: MapEdge | None
    spare_mm: Floats
    u95_mm: Floats
    why_not: Mapping[Lobe, Refusal]


def piston_map(
    engine: Engine,
    known: Mapping[Lobe, Pushed],
    *,
    shifts_deg: Sequence[float] = MAP_SHIFTS_DEG,
    tdc_u_deg: float = _TDC_U_DEG,
) -> tuple[CylinderMap, ...]:
    """Return the map of every cylinder, in the engine's order.

    Parameters
    ----------
    known
        The valves that were pushed and whose curve is known; the others are told in `why_not`.
    shifts_deg
        Rising, with 0 among them or between them.

    Raises
    ------
    Refusal
        ``no_piston_motion`` where stroke or rod are not known.
    """
    shifts = np.asarray(shifts_deg, float)
    return tuple(_cylinder(engine, cylinder, known, shifts, tdc_u_deg) for cylinder in engine.cylinders)


def _cylinder(
    engine: Engine, cylinder: str, known: Mapping[Lobe, Pushed], shifts: Floats, tdc_u_deg: float
) -> CylinderMap:
    """A valve that cannot be mapped has its reason instead; without the piston's motion there is no map at all."""
    edges: dict[str, MapEdge] = {}
    why_not: dict[Lobe, Refusal] = {}
    for lobe in (Lobe(cylinder, "inlet"), Lobe(cylinder, "exhaust")):
        try:
            edges[lobe.valve] = _edge(engine, _pushed(lobe, known), shifts, tdc_u_deg)
        except Refusal as refusal:
            if refusal.code == "no_piston_motion":
                raise
            why_not[lobe] = refusal
    inlet, exhaust = edges.get("inlet"), edges.get("exhaust")
    spare, u95 = _nearer(inlet, exhaust)
    return CylinderMap(cylinder, inlet, exhaust, spare, u95, why_not)


def _pushed(lobe: Lobe, known: Mapping[Lobe, Pushed]) -> Pushed:
    if lobe not in known:
        raise Refusal(
            "not_pushed",
            f"{lobe.words.capitalize()}, was not pushed onto its piston since its lift was measured. Measure its lift, "
            "then push it.",
        )
    return known[lobe]


def _nearer(inlet: MapEdge | None, exhaust: MapEdge | None) -> tuple[Floats, Floats]:
    if inlet is None or exhaust is None:
        return np.empty((0, 0)), np.empty((0, 0))
    one, other = inlet.spare_mm[:, None], exhaust.spare_mm[None, :]
    u95 = np.where(one <= other, inlet.u95_mm[:, None], exhaust.u95_mm[None, :])
    return np.minimum(one, other), u95


def _edge(engine: Engine, pushed: Pushed, shifts: Floats, tdc_u_deg: float) -> MapEdge:
    """One valve at every phase of its cam, from the curve it has now; the push was made with the curve of then."""
    drop = pushed.drop
    for curve in (pushed.then, pushed.now):
        refuse_if_impossible(drop, curve)
    gap = Gap(engine, drop, pushed.then, pushed.less_clearance_mm, pushed.now)
    least, at = gap.leasts(np.append(shifts, 0.0))
    places = zip(at.tolist(), [*shifts.tolist(), 0.0], strict=True)
    u95 = np.array([2.0 * gap.u_mm(at_deg, tdc_u_deg, shift) for at_deg, shift in places])
    minimum, whose = minimum_of(engine, drop.lobe.valve, pushed.shop_minimum_mm)
    now = LeastNow(float(least[-1]), float(u95[-1]), float(at[-1]))
    call = call_of(now.least_mm, now.u95_mm, minimum)
    earlier, later = (_wall(shifts, least[:-1], u95[:-1], minimum, side) for side in (-1, 1))
    words = told_least(drop.lobe, now.least_mm, now.u95_mm, now.at_deg) + told_against(call, minimum, whose)
    return MapEdge(
        drop.lobe,
        now,
        shifts,
        least[:-1],
        u95[:-1],
        at[:-1],
        minimum,
        whose,
        call,
        earlier,
        later,
        words + _told_walls(earlier, later),
    )


def _wall(shifts: Floats, least: Floats, u95: Floats, minimum: float, side: int) -> Wall | None:
    """The first place from where the cam stands at which the gap is the least allowed."""
    sure = _first_under(shifts, least - u95 - minimum, side)
    there = _first_under(shifts, least - minimum, side)
    return None if sure is None else Wall(there, sure)


def _first_under(shifts: Floats, spare: Floats, side: int) -> float | None:
    """Where on one side the least allowed is first reached, between the steps; `None` where the map ends before."""
    start = float(np.interp(0.0, shifts, spare))
    if start <= 0:
        return 0.0
    ahead = shifts * side > 0
    places = np.concatenate([[0.0], (shifts[ahead] * side)[::side]])
    left = np.concatenate([[start], spare[ahead][::side]])
    under = np.flatnonzero(left <= 0)
    if not under.size:
        return None
    at = int(under[0])
    share = left[at - 1] / (left[at - 1] - left[at])
    return side * float(places[at - 1] + share * (places[at] - places[at - 1]))


def _told_walls(earlier: Wall | None, later: Wall | None) -> str:
    near = [wall for wall in (earlier, later) if wall is not None and wall.sure_deg]
    if not near:
        return ""
    told = " or ".join(early_or_late(wall.sure_deg, 1) for wall in near)
    return f" With its cam {told} of where it stands now that is used up."
