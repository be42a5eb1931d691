"""How near a valve comes to its piston, from the lift curve, the piston's motion and one measured drop.

The drop is how far the valve could be pushed on from where it stood until it touched the piston, at a stated
crank angle. From there the piston's own motion and the lift curve tell the gap at every other angle, along
the valve's stem, and what it becomes with the cam early or late.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import cos, hypot, radians

import numpy as np
from numpy.typing import NDArray

from analysis.base import Floats, Refusal
from analysis.timing import (
    CYCLE_DEG,
    Call,
    Crown,
    Engine,
    Lobe,
    MinimumFrom,
    PistonClearanceFound,
    ShiftedClearance,
    StoredLift,
    Valve,
    dead_centre_words,
    nearest,
    piston_drop,
    throw_mm,
)

COMMON_PRACTICE_MM: dict[Valve, float] = {"inlet": 2.0, "exhaust": 2.5}
"""Where the engine maker gives none: 0.080 in inlet, 0.100 in exhaust; common practice."""

SHIFTS_DEG = tuple(float(shift) for shift in range(-20, 21, 5))
"""Cam early and late in the table: 20 either way in steps of 5; common practice, no source."""

_STEP_DEG = 0.25
_OPEN_MM = 0.05
_HAND_U_MM = 0.05
_TDC_U_DEG = 0.1
_MOST_PUSH_DEG = 90.0


@dataclass(frozen=True, slots=True)
class DropMeasured:
    """One valve pushed until it touched the piston.

    Attributes
    ----------
    crank_deg
        Degrees after overlap TDC of the reference cylinder at which the crank stood, 0..720.
    drop_mm
        Travel along the stem from where the valve stood (opened by its cam or shut) until it touched.
    from_seat
        True where the travel was taken from the seat instead.
    valve_angle_deg
        Between the stem and the bore.
    u_mm
        Standard uncertainty of the travel by hand.
    others_mm
        Travels of the other valves of this kind in the cylinder, taken likewise; the least of all counts.
    """

    lobe: Lobe
    crank_deg: float
    drop_mm: float
    from_seat: bool = False
    valve_angle_deg: float = 0.0
    crown: Crown = "unknown"
    u_mm: float = _HAND_U_MM
    others_mm: tuple[float, ...] = ()

    @property
    def least_mm(self) -> float:
        """Travel of the valve that is nearest to its piston."""
        return min(self.drop_mm, *self.others_mm) if self.others_mm else self.drop_mm


@dataclass(frozen=True, slots=True)
class ClearanceCurve:
    """Gap along the stem against crank degrees after this cylinder's overlap TDC, -180..180."""

    after_tdc_deg: Floats
    clearance_mm: Floats
    lift_mm: Floats
    piston_mm: Floats


@dataclass(frozen=True, slots=True)
class PistonClearance:
    """The least gap, where it is, and what it becomes with the cam shifted.

    Attributes
    ----------
    at_deg
        Crank degrees after overlap TDC of this cylinder, negative before it.
    minimum_from
        Whose the least allowed is; the engine maker's comes first.
    table
        Positive shift = cam later, crank degrees; `at_deg` in it as here.
    """

    lobe: Lobe
    least_mm: float
    u95_mm: float
    at_deg: float
    minimum_mm: float
    minimum_from: MinimumFrom
    call: Call
    table: tuple[ShiftedClearance, ...]
    curve: ClearanceCurve
    sentence: str

    def fact(self) -> PistonClearanceFound:
        """Return this as a fact of the job."""
        return PistonClearanceFound(
            self.lobe.cylinder,
            self.lobe.valve,
            self.least_mm,
            self.at_deg,
            self.u95_mm,
            self.minimum_mm,
            self.minimum_from,
            self.table,
        )


def piston_below_top_mm(engine: Engine, after_tdc_deg: Floats) -> Floats:
    """Return how far the piston stands below its highest point at angles after it.

    Raises
    ------
    Refusal
        Where stroke or rod are not known, or no such engine can turn.
    """
    if engine.stroke_mm is None or engine.rod_mm is None:
        raise Refusal(
            "no_piston_motion",
            f"Stroke and rod of {engine.name} are needed to know where its piston is. Enter them with the "
            "engine.",
        )
    return _below_top_mm(engine, after_tdc_deg, engine.offset_mm or 0.0 if engine.offset_side_known else 0.0)


def _below_top_mm(engine: Engine, after_tdc_deg: Floats, offset: float) -> Floats:
    assert engine.stroke_mm is not None  # looked at before
    assert engine.rod_mm is not None
    try:
        throw = throw_mm(engine.stroke_mm, engine.rod_mm, offset)
    except ValueError as why:
        raise Refusal("no_piston_motion", f"Stroke, rod or pin offset of {engine.name}: {why}.") from None
    below: Floats = throw * piston_drop(np.radians(after_tdc_deg), throw / engine.rod_mm, offset / throw).drop
    return below


def minimum_of(engine: Engine, valve: Valve, shop_mm: float | None = None) -> tuple[float, MinimumFrom]:
    """Return the least clearance allowed and whose figure it is: the engine maker's, else the shop's, else usual."""
    makers = engine.least_to_piston_mm(valve)
    if makers is not None:
        return makers, "engine maker"
    return (COMMON_PRACTICE_MM[valve], "common practice") if shop_mm is None else (shop_mm, "the shop")


def find_piston_clearance(
    engine: Engine,
    drop: DropMeasured,
    lift: StoredLift,
    *,
    less_clearance_mm: float = 0.0,
    shifts_deg: tuple[float, ...] = SHIFTS_DEG,
    tdc_u_deg: float = _TDC_U_DEG,
    shop_minimum_mm: float | None = None,
) -> PistonClearance:
    """Return how near a valve comes to its piston.

    Parameters
    ----------
    lift
        The lobe's curve as the cam stands now and as it stood when the drop was taken.
    less_clearance_mm
        How much smaller the running clearance is than the one the curve was measured with: the valve lifts
        that much more.
    shifts_deg
        Cam shifts of the table, crank degrees, positive = later.
    tdc_u_deg
        Standard uncertainty of true TDC.
    shop_minimum_mm
        The shop's least clearance, used where the engine's maker gives none.

    Raises
    ------
    Refusal
        Curve not whole, engine not known, or a drop that cannot be.
    """
    refuse_if_impossible(drop, lift)
    gap = Gap(engine, drop, lift, less_clearance_mm)
    least_mm, at_deg = gap.least(0.0)
    minimum, whose = minimum_of(engine, drop.lobe.valve, shop_minimum_mm)
    u95 = 2 * gap.u_mm(at_deg, tdc_u_deg)
    table = tuple(ShiftedClearance(shift, *gap.least(shift)) for shift in shifts_deg)
    call = call_of(least_mm, u95, minimum)
    words = told_least(drop.lobe, least_mm, u95, at_deg) + told_against(call, minimum, whose)
    return PistonClearance(
        drop.lobe, least_mm, u95, at_deg, minimum, whose, call, table, gap.curve(0.0), words
    )


def call_of(least_mm: float, u95_mm: float, minimum_mm: float) -> Call:
    """Return whether a gap is enough, too little, or not told from the least allowed."""
    if least_mm - u95_mm >= minimum_mm:
        return "in"
    return "out" if least_mm + u95_mm < minimum_mm else "cannot_tell"


def refuse_if_impossible(drop: DropMeasured, lift: StoredLift) -> None:
    """Raise `Refusal` for a curve that is not whole or a drop that cannot be."""
    if not lift.whole:
        raise Refusal(
            "curve_not_whole",
            f"The curve of {drop.lobe.words} covers only part of the cycle. Measure it over two full turns.",
        )
    if (
        not all(0 < one <= 50 for one in (drop.drop_mm, *drop.others_mm))
        or not 0 <= drop.valve_angle_deg < 60
    ):
        raise Refusal(
            "drop_impossible",
            f"A travel of {drop.least_mm:g} mm at a valve angle of {drop.valve_angle_deg:g} deg cannot be. "
            "Enter the travel in mm and the angle between stem and bore.",
        )


class Gap:
    """Gap along the stem at any crank angle, cam shifted or not.

    Parameters
    ----------
    lift
        The lobe's curve as it stood when the drop was taken.
    now
        Its curve as it stands now, where it was moved since.
    """

    def __init__(
        self,
        engine: Engine,
        drop: DropMeasured,
        lift: StoredLift,
        less_clearance_mm: float,
        now: StoredLift | None = None,
    ) -> None:
        self.engine, self.drop, self.lift, self.less = engine, drop, lift, less_clearance_mm
        self.now = lift if now is None else now
        self.offset = engine.firing_offset_deg(drop.lobe.cylinder)
        self.drop_after = nearest(drop.crank_deg - self.offset)
        self._refuse_another_stroke()
        self.after: Floats = np.arange(-180.0, 180.0 + _STEP_DEG / 2, _STEP_DEG)
        stood = 0.0 if drop.from_seat else self._as_measured(self.drop_after)
        self.seat_to_touch = drop.least_mm + stood
        fallen = self._piston(self.after) - self._piston(np.array([self.drop_after]))
        self.room: Floats = self.seat_to_touch + self._along_the_stem(fallen)

    def _refuse_another_stroke(self) -> None:
        """By the other TDC of the cycle a valve that is nearest its piston seems never to come near it."""
        lobe, nose = self.drop.lobe, nearest(self.lift.nose_deg - self.offset)
        after = nose if lobe.valve == "inlet" else -nose
        if self.lift.lift_mm(self.lift.nose_deg) > _OPEN_MM and not 0.0 < after < 180.0:
            raise Refusal(
                "wrong_stroke",
                f"{lobe.words.capitalize()}, is at full lift {nose % CYCLE_DEG:.0f} deg after the overlap TDC that was "
                "given, and no such valve is: give the TDC at which both valves rock, or see which lobe it is.",
            )
        if abs(self.drop_after) > _MOST_PUSH_DEG:
            raise Refusal(
                "pushed_far_from_top",
                f"{lobe.words.capitalize()}, was pushed with the crank {abs(self.drop_after):.0f} deg from its TDC, "
                "where the piston is out of its reach. Turn to about 10 deg from overlap TDC and push it there.",
            )

    def _along_the_stem(self, fallen_mm: Floats) -> Floats:
        """What the piston gives way along the stem when it falls along the bore."""
        along = cos(radians(self.drop.valve_angle_deg))
        parallel, square = fallen_mm * along, fallen_mm / along
        either: dict[Crown, Floats] = {
            "pocket": parallel,
            "flat": square,
            "unknown": np.minimum(parallel, square),
        }
        return either[self.drop.crown]

    def _piston(self, after: Floats) -> Floats:
        return piston_below_top_mm(self.engine, after)

    def _as_measured(self, after: float) -> float:
        return max(self.lift.lift_mm(after + self.offset), 0.0)

    def lifts(self, shift_deg: float) -> Floats:
        """Lift at every angle with the cam shifted."""
        return self._running(self.now.lifts_mm(self.after + self.offset - shift_deg))

    def _running(self, lifts: Floats) -> Floats:
        """Lift with the running clearance; a shut valve has none."""
        running: Floats = np.where(lifts > _OPEN_MM, lifts + self.less, np.maximum(lifts, 0.0))
        return running

    def least(self, shift_deg: float) -> tuple[float, float]:
        """Least gap while the valve is open, and where; with the valve shut near TDC nothing can meet it."""
        least, at = self.leasts(np.array([shift_deg]))
        return float(least[0]), float(at[0])

    def _never_open(self) -> Refusal:
        return Refusal(
            "never_open", f"The curve of {self.drop.lobe.words} never opens near TDC. Measure it again."
        )

    def leasts(self, shifts_deg: Floats) -> tuple[Floats, Floats]:
        """Least gap and its place for many shifts at once."""
        shifts = np.asarray(shifts_deg, float)
        lifts = self._running(self.now.lifts_mm(self.after[None, :] + self.offset - shifts[:, None]))
        gap = np.where(lifts > _OPEN_MM, self.room[None, :] - lifts, np.inf)
        at = np.argmin(gap, axis=1)
        rows = np.arange(len(shifts))
        if not np.all(np.isfinite(gap[rows, at])):
            raise self._never_open()
        return _vertices(self.after, gap, rows, at)

    def curve(self, shift_deg: float) -> ClearanceCurve:
        """Gap, lift and piston at every angle."""
        lifts = self.lifts(shift_deg)
        return ClearanceCurve(self.after, self.room - lifts, lifts, self._piston(self.after))

    def u_mm(self, at_deg: float, tdc_u_deg: float, shift_deg: float = 0.0) -> float:
        """Standard uncertainty: the push by hand, the curve, the crank's place at the push, and true TDC.

        Where the curve stands against true TDC moves the piston alone: what it falls between the push and the least
        gap. Where the crank stood at the push moves valve and piston there.
        """
        fall_there, fall_here = self._fall_mm_deg(self.drop_after), self._fall_mm_deg(at_deg)
        lift_slope, u_stood = 0.0, 0.0
        if not self.drop.from_seat:
            lift_slope = self.lift.slope_mm_deg(self.drop_after + self.offset)
            u_stood = self.lift.u_mm(self.drop_after + self.offset)
        curve = hypot(self.now.u_mm(at_deg + self.offset - shift_deg), u_stood)
        placed = hypot((fall_there - lift_slope) * tdc_u_deg, (fall_here - fall_there) * tdc_u_deg)
        return hypot(self.drop.u_mm, curve, placed, self._u_of_side_mm(at_deg))

    def _fall_mm_deg(self, after_deg: float) -> float:
        around = self._piston(np.array([after_deg - 0.5, after_deg + 0.5]))
        return float(around[1] - around[0])

    def _u_of_side_mm(self, at_deg: float) -> float:
        """What the pin's side makes of the way from where the drop was taken, where nobody knows the side."""
        if self.engine.offset_side_known:
            return 0.0
        both = np.array([self.drop_after, at_deg])
        ways = [
            _below_top_mm(self.engine, both, side * abs(self.engine.offset_mm or 0.0)) for side in (1, -1)
        ]
        fallen = [float(way[1] - way[0]) for way in ways]
        return abs(fallen[0] - fallen[1]) / 2


def _vertices(
    after: Floats, gap: Floats, rows: NDArray[np.intp], at: NDArray[np.intp]
) -> tuple[Floats, Floats]:
    """Least of the parabola through the lowest point of each row and its neighbours."""
    inner = np.clip(at, 1, gap.shape[1] - 2)
    left, low, right = (gap[rows, inner + step] for step in (-1, 0, 1))
    with np.errstate(invalid="ignore", divide="ignore"):
        bend = left - 2 * low + right
        shift = 0.5 * (left - right) / bend
        lowest = low - 0.25 * (left - right) * shift
    plain = (inner != at) | ~np.isfinite(bend) | ~(bend > 0)
    least: Floats = np.where(plain, gap[rows, at], lowest)
    place: Floats = np.where(plain, after[at], after[at] + shift * _STEP_DEG)
    return least, place


def told_least(lobe: Lobe, least_mm: float, u95_mm: float, at_deg: float) -> str:
    """Return the least gap in words."""
    return (
        f"{lobe.words.capitalize()}: least {least_mm:.2f} mm, give or take {u95_mm:.2f}, at "
        f"{dead_centre_words(at_deg % CYCLE_DEG, digits=0)}."
    )


def told_against(call: Call, minimum_mm: float, whose: str) -> str:
    """Return what the least gap is against the least allowed, in words."""
    source = {
        "engine maker": "the engine maker's figure",
        "the shop": "the shop's figure, as the maker gives none",
    }.get(whose, "common practice, as the maker gives none")
    if call == "in":
        return f" Enough: at least {minimum_mm:.2f} mm is wanted ({source})."
    if call == "out":
        return f" Too little: at least {minimum_mm:.2f} mm is wanted ({source}). Do not turn it under power."
    return f" Cannot be told from the {minimum_mm:.2f} mm wanted ({source}). Measure the drop again, finer."
