"""What to do about a cam that is early or late: how far, which way, and in the sizes of its adjuster.

An error is crank degrees, positive = late. The change to make is its opposite: a late cam is made earlier by
turning it on in its own running direction with the crank held, or, with the cam held, by turning the crank
back.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, radians, sin
from typing import Literal

from analysis.timing import (
    CYCLE_DEG,
    Adjuster,
    Cam,
    Engine,
    Side,
    StoredLift,
    Turn,
    cam_deg_of,
    early_or_late,
    later_or_earlier,
)

HARDLY_DEG = 0.005


@dataclass(frozen=True, slots=True)
class Correction:
    """What brings a cam to its number, by either way of moving.

    Attributes
    ----------
    change_deg
        Crank degrees, positive = later; `cam_deg` is its size in cam degrees.
    cam_turn, cam_with_running
        Which way the cam turns with the crank held, seen from `seen_from`; in its running direction or not.
    crank_turn, crank_forward
        Which way the crank turns with the cam held.
    arc_mm, chord_mm
        Shift at the bolt circle, `None` where its radius is not known.
    """

    error_deg: float
    change_deg: float
    cam_deg: float
    make: Literal["earlier", "later", "nothing"]
    seen_from: Side
    cam_turn: Turn
    cam_with_running: bool
    crank_turn: Turn
    crank_forward: bool
    arc_mm: float | None
    chord_mm: float | None
    hold_the_crank: str
    hold_the_cam: str


@dataclass(frozen=True, slots=True)
class AdjusterSetting:
    """What to set on the adjuster at hand, and the error that its steps leave (positive = late).

    `steps` counts holes, teeth or a size's sign; positive = later. `to_fit_deg` is what is fitted then, in the
    adjuster's own degrees. `fits` is False where there is no room.
    """

    kind: str
    steps: int
    to_fit_deg: float | None
    leaves_deg: float
    fits: bool
    sentence: str


@dataclass(frozen=True, slots=True)
class SingleCamOutcome:
    """Both errors of a single cam after a change, and what no change can cure.

    `separation_error_cam_deg` is measured less card, in cam degrees: what the grinder left.
    """

    inlet_error_deg: float
    exhaust_error_deg: float
    separation_error_cam_deg: float
    sentence: str


def opposite(turn: Turn) -> Turn:
    """Return the other way of turning."""
    return "anticlockwise" if turn == "clockwise" else "clockwise"


def running_turn(engine: Engine, seen_from: Side) -> Turn:
    """Return the crank's running direction as seen from a side."""
    return engine.rotation if seen_from == engine.seen_from else opposite(engine.rotation)


def cam_running_turn(engine: Engine, cam: Cam, seen_from: Side) -> Turn:
    """Return a cam's running direction as seen from a side."""
    crank = running_turn(engine, seen_from)
    return crank if cam.turns_with_crank else opposite(crank)


def correction_for(engine: Engine, cam: Cam, error_deg: float, seen_from: Side = "timing end") -> Correction:
    """Return what brings `cam` to its number from an error (positive = late).

    Parameters
    ----------
    cam : Cam
        One of its cams.
    error_deg : float
        Crank degrees, positive where the cam is late.
    seen_from : str
        From where ways round are told.
    """
    late = error_deg > 0
    cam_running, crank_running = cam_running_turn(engine, cam, seen_from), running_turn(engine, seen_from)
    cam_turn = cam_running if late else opposite(cam_running)
    crank_turn = opposite(crank_running) if late else crank_running
    radius = cam.adjuster.bolt_circle_radius_mm
    size, view = abs(error_deg), f"seen from the {seen_from}"
    make: Literal["earlier", "later", "nothing"] = "earlier" if late else "later"
    return Correction(
        error_deg=error_deg,
        change_deg=-error_deg,
        cam_deg=cam_deg_of(size),
        make="nothing" if size < HARDLY_DEG else make,
        seen_from=seen_from,
        cam_turn=cam_turn,
        cam_with_running=late,
        crank_turn=crank_turn,
        crank_forward=not late,
        arc_mm=None if radius is None else arc_mm(radius, size),
        chord_mm=None if radius is None else chord_mm(radius, size),
        hold_the_crank=(
            f"Crank held: turn the cam {cam_deg_of(size):.2f} cam deg {cam_turn}, {view}, "
            f"{'in' if late else 'against'} its running direction."
        ),
        hold_the_cam=_NEVER_BACK
        if late and engine.forward_only
        else _hold_the_cam(size, crank_turn, view, back=late),
    )


_NEVER_BACK = "The cam is late and this engine must not be turned back: hold the crank and turn the cam."


def _hold_the_cam(size_deg: float, turn: Turn, view: str, *, back: bool) -> str:
    if back:
        return (
            f"Cam held: turn the crank back {size_deg:.2f} deg, {turn}, {view}: first well past the number, "
            "then forward to it."
        )
    return f"Cam held: turn the crank forward {size_deg:.2f} deg, {turn}, {view}, and stop on the number."


def arc_mm(radius_mm: float, crank_error_deg: float) -> float:
    """Return the arc at a radius on the cam pulley that a crank error makes."""
    return radius_mm * radians(cam_deg_of(crank_error_deg))


def chord_mm(radius_mm: float, crank_error_deg: float) -> float:
    """Return the chord at a radius on the cam pulley: what a rule or calliper across two marks measures."""
    return 2 * radius_mm * sin(radians(crank_error_deg / 4))


def tooth_deg(gear_teeth: int) -> float:
    """Return what one tooth of a cam gear is in crank degrees.

    >>> tooth_deg(40)
    18.0
    """
    return CYCLE_DEG / gear_teeth


def setting_of(adjuster: Adjuster, error_deg: float) -> AdjusterSetting | None:
    """Return what to set on an adjuster, `None` where its sizes are not known."""
    set_by = {"slots": _slots, "holes": _holes, "keys": _sizes, "dowels": _sizes, "teeth": _teeth}
    rule = set_by.get(adjuster.kind)
    return None if rule is None else rule(adjuster, error_deg)


def _slots(adjuster: Adjuster, error_deg: float) -> AdjusterSetting | None:
    """Where the pulley then stands in its slots, and what is left where they end first."""
    room = inf if adjuster.slot_each_way_cam_deg is None else adjuster.slot_each_way_cam_deg
    wanted = adjuster.fitted_deg - cam_deg_of(error_deg)
    reached = max(-room, min(room, wanted))
    leaves = 2 * (reached - wanted)
    where = (
        f"{abs(reached):.2f} cam deg {'retarded' if reached > 0 else 'advanced'} from mid-slot"
        if abs(reached) >= HARDLY_DEG
        else "at mid-slot"
    )
    if abs(leaves) < HARDLY_DEG:
        left = (
            "" if room == inf else f", {room - reached:.2f} left to go later and {room + reached:.2f} earlier"
        )
        sentence = f"Pulley then {where}{left}."
        return AdjusterSetting("slots", 0, reached, 0.0, True, sentence)
    sentence = (
        f"The slots end first: at their end, {where}, the cam is still {early_or_late(leaves)}. Move the "
        "drive by a tooth or fit an offset key."
    )
    return AdjusterSetting("slots", 0, reached, leaves, False, sentence)


def _holes(adjuster: Adjuster, error_deg: float) -> AdjusterSetting | None:
    if not adjuster.hole_cam_deg:
        return None
    steps = _rounded(-cam_deg_of(error_deg) / adjuster.hole_cam_deg)
    leaves = error_deg + 2 * steps * adjuster.hole_cam_deg
    then = adjuster.fitted_deg + steps * adjuster.hole_cam_deg
    return AdjusterSetting("holes", steps, then, leaves, True, _steps_sentence(steps, "hole", leaves))


def _teeth(adjuster: Adjuster, error_deg: float) -> AdjusterSetting | None:
    if not adjuster.gear_teeth:
        return None
    tooth = tooth_deg(adjuster.gear_teeth)
    steps = _rounded(-error_deg / tooth)
    leaves = error_deg + steps * tooth
    then = adjuster.fitted_deg + cam_deg_of(steps * tooth)
    return AdjusterSetting("teeth", steps, then, leaves, True, _steps_sentence(steps, "tooth", leaves))


def _steps_sentence(steps: int, name: str, leaves_deg: float) -> str:
    if steps == 0:
        return f"No other {name} is nearer: it stays {early_or_late(leaves_deg)}."
    many = {"hole": "holes", "tooth": "teeth"}[name] if abs(steps) > 1 else name
    return f"{abs(steps)} {many} {later_or_earlier(steps)}: the cam is then {early_or_late(leaves_deg)}."


def _sizes(adjuster: Adjuster, error_deg: float) -> AdjusterSetting | None:
    """Which of the sizes at hand comes nearest; `None` where none is known."""
    if not adjuster.sizes_deg:
        return None
    crank_for_one = 2.0 if adjuster.sizes_act_on == "cam" else 1.0
    wanted = adjuster.fitted_deg - error_deg / crank_for_one
    at_hand = {sign * abs(size) for size in adjuster.sizes_deg for sign in (-1, 1)} | {
        0.0,
        adjuster.fitted_deg,
    }
    fit = min(sorted(at_hand, key=abs), key=lambda size: round(abs(size - wanted), 9))
    leaves = error_deg + (fit - adjuster.fitted_deg) * crank_for_one
    name = adjuster.kind.removesuffix("s")
    size = (
        f"the {abs(fit):g} deg {name}, fitted to {'retard' if fit > 0 else 'advance'}"
        if fit
        else f"a straight {name}"
    )
    sentence = f"Fit {size}: the cam is then {early_or_late(leaves)}."
    if fit == adjuster.fitted_deg:
        sentence = f"Keep {size}: no other is nearer, and the cam stays {early_or_late(leaves)}."
    return AdjusterSetting(adjuster.kind, 0, fit, leaves, True, sentence)


def _rounded(steps: float) -> int:
    """Nearest whole number of steps; a half goes to the smaller move."""
    size = int(abs(steps) + 0.5 - 1e-9)
    return size if steps > 0 else -size


def single_cam_after(inlet_error_deg: float, exhaust_error_deg: float, change_deg: float) -> SingleCamOutcome:
    """Return what a single cam's errors become when it is moved (positive = later), and what is left.

    Both lobes move together: half their difference is the grinder's, in cam degrees of lobe separation.
    """
    left = (inlet_error_deg - exhaust_error_deg) / 2
    inlet, exhaust = inlet_error_deg + change_deg, exhaust_error_deg + change_deg
    sentence = f"Inlet then {early_or_late(inlet)}, exhaust then {early_or_late(exhaust)}."
    if abs(left) >= 0.05:
        kind = "wider" if left > 0 else "narrower"
        sentence += (
            f" The lobe separation measures {abs(left):.1f} cam deg {kind} than the card (cam, card or follower): no "
            f"setting of the cam cures that; shared, each lobe keeps {abs(left):.1f} crank deg."
        )
    return SingleCamOutcome(inlet, exhaust, left, sentence)


def lift_at_tdc_after(lift: StoredLift, change_deg: float, firing_offset_deg: float = 0.0) -> float:
    """Return the lift at overlap TDC once the cam is moved (positive = later): a quick check of the move."""
    return lift.lift_mm(firing_offset_deg - change_deg)
