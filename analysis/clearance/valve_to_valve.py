"""How near the inlet valve comes to the exhaust valve on a twin-cam engine, from both lift curves.

Either the heads and their lean are given, or each valve was pushed until it stopped. Only how far one cam stands
against the other matters, so the table is one of shifts of the inlet cam against the exhaust cam.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import hypot, radians
from typing import Literal

import numpy as np

from analysis.base import Floats, Refusal
from analysis.clearance.valve_to_piston import SHIFTS_DEG
from analysis.timing import (
    CYCLE_DEG,
    Engine,
    MinimumFrom,
    ShiftedClearance,
    StoredLift,
    ValvesApartFound,
    dead_centre_words,
)

VALVES_APART_MM = 1.5
"""Least allowed between two valves, 0.060 in; common practice, no source. The engine maker's figure comes first."""

RIM_MM = 1.5
"""Straight edge of a valve's head above its face; common practice, no source. Above it the head is taken as a cone."""

_STEP_DEG = 0.5
_OPEN_MM = 0.05
_SIZE_U_MM = 0.1
_LEAN_U_DEG = 0.25


@dataclass(frozen=True, slots=True)
class Heads:
    """Two heads in the plane of both stems: diameters, lean of the stems to the bore, and how far apart when shut."""

    inlet_mm: float
    exhaust_mm: float
    inlet_lean_deg: float
    exhaust_lean_deg: float
    apart_mm: float

    @classmethod
    def of(cls, engine: Engine) -> Heads | None:
        """Return those of an engine, `None` where it does not give them all."""
        given = (
            engine.inlet_head_mm,
            engine.exhaust_head_mm,
            engine.inlet_valve_angle_deg,
            engine.exhaust_valve_angle_deg,
            engine.heads_apart_mm,
        )
        known = [one for one in given if one is not None]
        return cls(*known) if len(known) == len(given) else None


@dataclass(frozen=True, slots=True)
class ValvesTouched:
    """Each valve pushed in turn until it stopped, the other left where its cam held it.

    Where a valve stopped on the piston first, its travel is a lower limit, which errs to the safe side.

    Attributes
    ----------
    crank_deg
        Degrees after overlap TDC of this cylinder at which the crank stood, negative before it.
    """

    crank_deg: float
    inlet_travel_mm: float
    exhaust_travel_mm: float
    u_mm: float = 0.05


@dataclass(frozen=True, slots=True)
class _Faces:
    """Gap = the largest of `apart` + `by_inlet` x inlet lift + `by_exhaust` x exhaust lift: one row a direction."""

    apart: Floats
    by_inlet: Floats
    by_exhaust: Floats

    def gap_mm(self, inlet: Floats, exhaust: Floats) -> Floats:
        """How far the heads stand apart at each lift of the one beside that of the other."""
        rows = self.apart + np.outer(inlet, self.by_inlet) + np.outer(exhaust, self.by_exhaust)
        gap: Floats = np.max(rows, axis=1)
        return gap


def _head(diameter_mm: float, lean_deg: float, side: int) -> tuple[Floats, Floats]:
    """Corners of a head about the middle of its face, x across and y down, and the way it opens.

    `side` is -1 for the valve on the left, whose stem leans to the left at the top, and +1 for the other.
    """
    lean, half = radians(lean_deg), diameter_mm / 2
    opens = np.array([-side * np.sin(lean), np.cos(lean)])
    across = np.array([np.cos(lean), side * np.sin(lean)])
    corners = [
        way * width * across - up * opens
        for way in (-1, 1)
        for width, up in ((half, 0.0), (half, RIM_MM), (0.5 * half, RIM_MM + 0.5 * half))
    ]
    return np.array(corners), opens


def _by_geometry(heads: Heads) -> _Faces:
    """Two convex bodies are as far apart as along the direction that parts them best."""
    inlet, inlet_opens = _head(heads.inlet_mm, heads.inlet_lean_deg, -1)
    exhaust, exhaust_opens = _head(heads.exhaust_mm, heads.exhaust_lean_deg, 1)
    turn = np.radians(np.arange(0.0, 360.0, 0.5))
    ways = np.column_stack([np.cos(turn), np.sin(turn)])
    left = np.max(ways @ inlet.T, axis=1) - ways[:, 0] * heads.apart_mm / 2
    right = np.min(ways @ exhaust.T, axis=1) + ways[:, 0] * heads.apart_mm / 2
    return _Faces(right - left, -(ways @ inlet_opens), ways @ exhaust_opens)


def _by_touch(touched: ValvesTouched, inlet: StoredLift, exhaust: StoredLift, offset_deg: float) -> _Faces:
    """Straight between the two places at which they stopped, along the stem of the valve that had less to go."""
    at = touched.crank_deg + offset_deg
    stood = max(inlet.lift_mm(at), 0.0), max(exhaust.lift_mm(at), 0.0)
    travels = touched.inlet_travel_mm, touched.exhaust_travel_mm
    less = min(travels)
    by_inlet, by_exhaust = (-less / travel for travel in travels)
    apart = less - by_inlet * stood[0] - by_exhaust * stood[1]
    return _Faces(np.array([apart]), np.array([by_inlet]), np.array([by_exhaust]))


class _Pair:
    """Both curves about this cylinder's overlap TDC, the inlet's shifted against the exhaust's or not."""

    def __init__(
        self, inlet: StoredLift, exhaust: StoredLift, offset_deg: float, less_mm: tuple[float, float]
    ) -> None:
        for one, name in ((inlet, "inlet"), (exhaust, "exhaust")):
            if not one.whole:
                raise Refusal(
                    "curve_not_whole",
                    f"The curve of the {name} covers only part of the cycle. Measure it over two full turns.",
                )
        self.inlet, self.exhaust, self.offset, self.less_mm = inlet, exhaust, offset_deg, less_mm
        self.after: Floats = np.arange(-180.0, 180.0, _STEP_DEG)

    def least(self, faces: _Faces, shift_deg: float) -> tuple[float, float]:
        """Least gap while both are open, and where; else as they stand when shut."""
        inlet = self.inlet.lifts_mm(self.after + self.offset - shift_deg)
        exhaust = self.exhaust.lifts_mm(self.after + self.offset)
        both = (inlet > _OPEN_MM) & (exhaust > _OPEN_MM)
        if not np.any(both):
            return float(faces.gap_mm(np.zeros(1), np.zeros(1))[0]), 0.0
        gaps = faces.gap_mm(inlet[both] + self.less_mm[0], exhaust[both] + self.less_mm[1])
        at = int(np.argmin(gaps))
        return float(gaps[at]), float(self.after[both][at])


def minimum_apart_of(engine: Engine, shop_mm: float | None = None) -> tuple[float, MinimumFrom]:
    """Return the least allowed and whose figure it is: the engine maker's, else the shop's, else usual."""
    if engine.valve_to_valve_mm is not None:
        return engine.valve_to_valve_mm, "engine maker"
    return (VALVES_APART_MM, "common practice") if shop_mm is None else (shop_mm, "the shop")


def find_valves_apart(
    engine: Engine,
    cylinder: str,
    inlet: StoredLift,
    exhaust: StoredLift,
    touched: ValvesTouched | None = None,
    *,
    less_clearance_mm: tuple[float, float] = (0.0, 0.0),
    shop_minimum_mm: float | None = None,
) -> ValvesApartFound:
    """Return how near inlet and exhaust valve of a cylinder come, by touch or, without one, by the engine's heads.

    Parameters
    ----------
    inlet, exhaust
        Both curves as the cams stand now.
    less_clearance_mm
        How much smaller the running clearances are than those the curves were measured with.
    shop_minimum_mm
        The shop's own least, in force where the engine's maker gives none.

    Raises
    ------
    Refusal
        Curves not whole, travels that cannot be, or neither travels nor heads given.
    """
    offset = engine.firing_offset_deg(cylinder)
    pair = _Pair(inlet, exhaust, offset, less_clearance_mm)
    heads = Heads.of(engine)
    if touched is not None:
        _refuse_if_impossible(touched)
        faces, u_own = _by_touch(touched, inlet, exhaust, offset), touched.u_mm
    elif heads is not None:
        faces = _by_geometry(heads)
        u_own = _u_of(heads, pair)
    else:
        raise Refusal(
            "no_heads",
            f"Heads, lean and distance of the valves of {engine.name} are not given: push each valve in turn until "
            "it stops and enter both travels, or enter the heads with the engine.",
        )
    least, at = pair.least(faces, 0.0)
    u95 = 2 * hypot(u_own, inlet.u_mm(at + offset), exhaust.u_mm(at + offset))
    table = tuple(ShiftedClearance(shift, *pair.least(faces, shift)) for shift in SHIFTS_DEG)
    minimum, whose = minimum_apart_of(engine, shop_minimum_mm)
    how: Literal["touch", "geometry"] = "geometry" if touched is None else "touch"
    return ValvesApartFound(cylinder, least, at, u95, minimum, how, table, whose)


def _refuse_if_impossible(touched: ValvesTouched) -> None:
    travels = touched.inlet_travel_mm, touched.exhaust_travel_mm
    if not all(0 < travel <= 50 for travel in travels) or not abs(touched.crank_deg) <= 60:
        raise Refusal(
            "travels_impossible",
            f"Travels of {travels[0]:g} and {travels[1]:g} mm at {touched.crank_deg:g} deg from overlap TDC cannot be. "
            "Take both with the crank at overlap TDC, or near it.",
        )


def _u_of(heads: Heads, pair: _Pair) -> float:
    """Standard uncertainty of the least gap by sizes taken with a caliper and a lean by protractor."""
    known, _ = pair.least(_by_geometry(heads), 0.0)
    steps = {
        "inlet_mm": _SIZE_U_MM,
        "exhaust_mm": _SIZE_U_MM,
        "apart_mm": _SIZE_U_MM,
        "inlet_lean_deg": _LEAN_U_DEG,
        "exhaust_lean_deg": _LEAN_U_DEG,
    }
    changed = (replace(heads, **{name: getattr(heads, name) + step}) for name, step in steps.items())
    return hypot(*(pair.least(_by_geometry(one), 0.0)[0] - known for one in changed))


def valves_apart_words(found: ValvesApartFound) -> str:
    """Return a finding in one sentence."""
    return (
        f"Inlet to exhaust valve, cylinder {found.cylinder}: least {found.least_mm:.2f} mm, give or take "
        f"{found.u95_mm:.2f}, at {dead_centre_words(found.at_deg % CYCLE_DEG, digits=0)}; wanted "
        f"{found.minimum_mm:.2f} (common practice; the engine maker's figure comes first)."
    )
