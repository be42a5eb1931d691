"""A gauge that steps by more than what it touches can have moved: a key pressed, or the stand knocked.

Looked for before anything is fitted. Between two readings the piston moves its plunger by no more than the
crank's travel allows; what goes beyond that and stays is not the engine's doing. And a plunger that is fully
out rests at one reading: only a key can change which.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analysis.base import Floats, Refusal
from analysis.readings.crank_motion import CrankMotion

# Steepest: a stroke of 130 mm with a short rod, the gauge askew by 25 degrees.
_STEEPEST_MM_DEG = 1.35
_LAGS_S = (0.0, 0.05, 0.1, 0.15, 0.2, 0.3, 0.4)
_SHAKE_S = 0.04
_INCH_MM = 25.4
_FROZEN_FOR = 4

Flags = NDArray[np.bool_]


def refuse_steps(
    motion: CrankMotion, time_s: Floats, gauge_mm: Floats, *, step_mm: float, lag_s: float | None
) -> None:
    """Refuse readings that step once, by more than the crank's travel allows, and stay so.

    Parameters
    ----------
    time_s, gauge_mm : ndarray, shape (m,)
    step_mm : float
        Step of the gauge.
    lag_s : float, optional
        Lag of the gauge where known.

    Raises
    ------
    Refusal
        `zero_key_pressed`, `unit_key_pressed`, `stand_moved`.
    """
    if len(gauge_mm) < 8:
        return
    least_mm = max(8.0 * step_mm, 0.05)
    room = _room_mm(motion, time_s, (lag_s,) if lag_s is not None else _LAGS_S) + least_mm
    change = np.diff(gauge_mm)
    for index in np.flatnonzero(np.abs(change) > room):
        if _stays(gauge_mm, room, int(index)) and not _was_frozen(gauge_mm, room, int(index), step_mm):
            raise _refusal(time_s, gauge_mm, int(index), float(room[index]), step_mm)


def _room_mm(motion: CrankMotion, time_s: Floats, lags_s: tuple[float, ...]) -> Floats:
    """How far the plunger can have moved between each two readings."""
    turned = np.zeros(len(time_s) - 1)
    for lag_s in lags_s:
        early = motion.angle_deg(time_s - lag_s - _SHAKE_S)
        late = motion.angle_deg(time_s - lag_s + _SHAKE_S)
        low, high = np.minimum(early, late), np.maximum(early, late)
        turned = np.maximum(turned, np.maximum(high[1:], high[:-1]) - np.minimum(low[1:], low[:-1]))
    return np.asarray(_STEEPEST_MM_DEG * turned)


def _stays(gauge_mm: Floats, room: Floats, index: int) -> bool:
    """Whether the step lasts: after a wild reading, or before one, the way back is within reach."""
    if not 2 <= index < len(room) - 2:
        return False
    near = slice(index - 2, index + 3)
    if int(np.sum(np.abs(np.diff(gauge_mm))[near] > room[near])) > 1:
        return False
    pairs = ((index, index + 2), (index, index + 3), (index - 1, index + 1), (index - 2, index + 1))
    return all(abs(gauge_mm[b] - gauge_mm[a]) > float(np.sum(room[a:b])) for a, b in pairs)


def _was_frozen(gauge_mm: Floats, room: Floats, index: int, step_mm: float) -> bool:
    """Whether the gauge had stopped answering while the crank turned, and steps to where it should be."""
    before = gauge_mm[: index + 1]
    held = int(np.argmax(np.abs(before[::-1] - before[-1]) > 0.5 * step_mm)) or len(before)
    due = room[max(index - held, 0) : index]
    return held >= _FROZEN_FOR and float(np.sum(due - np.min(room))) > abs(
        gauge_mm[index + 1] - gauge_mm[index]
    )


def _refusal(time_s: Floats, gauge_mm: Floats, index: int, room_mm: float, step_mm: float) -> Refusal:
    before, after = float(gauge_mm[index]), float(gauge_mm[index + 1])
    at = f"{time_s[index + 1]:.1f} s"
    if abs(after) < 0.6 * step_mm or (
        abs(after) < room_mm and abs(before) > 4.0 * room_mm and not _inch(before, after)
    ):
        return zero_key(at, before)
    if _inch(before, after):
        return unit_key(at, before, after)
    return Refusal(
        "stand_moved",
        f"At {at} the gauge stepped by {after - before:+.3f} mm, more than the crank moved it: the stand was "
        "knocked, the tip slipped or a key was pressed; leave it alone and measure again.",
    )


def _inch(before: float, after: float) -> bool:
    """Whether one is the other in inches; the crank may have moved meanwhile."""
    if before * after <= 0.0:
        return False
    return bool(abs(abs(np.log(after / before)) - np.log(_INCH_MM)) < 0.35)


def zero_key(at: str, before_mm: float) -> Refusal:
    """Refusal of a zero key pressed in mid-trace."""
    return Refusal(
        "zero_key_pressed",
        f"At {at} the gauge went from {before_mm:.3f} mm to zero: its zero key was pressed in the middle of the "
        "measurement; leave the keys alone from the first reading to the last and measure again.",
    )


def unit_key(at: str, before_mm: float, after_mm: float) -> Refusal:
    """Refusal of a unit key pressed in mid-trace."""
    return Refusal(
        "unit_key_pressed",
        f"At {at} the gauge went from {before_mm:.3f} to {after_mm:.3f}, a factor of 25.4: its unit key was pressed "
        "in the middle of the measurement; set the unit back and measure again.",
    )


def refuse_rest_changed(time_s: Floats, gauge_mm: Floats, flat: Flags, margin_mm: float) -> None:
    """Refuse readings whose plunger rests, fully out, at one reading first and at another later.

    Parameters
    ----------
    flat : ndarray of bool, shape (m,)
        Readings at which the gauge stood still while the crank turned.
    margin_mm : float
        Levels closer than this are one.

    Raises
    ------
    Refusal
        `zero_key_pressed`, `unit_key_pressed`.
    """
    rests, levels = _rests(gauge_mm, flat)
    if len(levels) < 2 or abs(levels[-1] - levels[0]) <= margin_mm:
        return
    first, last = float(levels[0]), float(levels[-1])
    later = np.abs(levels - last) < np.abs(levels - first)
    change = int(np.argmax(later))
    together = np.abs(levels - np.where(later, last, first)) <= margin_mm
    if not (together.all() and later[change:].all()):
        return
    between = f"{time_s[rests[change - 1][-1]]:.1f} to {time_s[rests[change][0]]:.1f} s"
    if min(abs(last - first * _INCH_MM), abs(last * _INCH_MM - first)) <= 0.01 * max(abs(first), abs(last)):
        raise unit_key(between, first, last)
    start = int(rests[change][0])
    if _by_key(gauge_mm[:start], gauge_mm[start:], first, last, change < len(rests) - 1, margin_mm):
        raise Refusal(
            "zero_key_pressed",
            f"With the plunger fully out the gauge read {first:.3f} mm first and {last:.3f} mm later "
            f"(changed at {between}): its zero key was pressed; leave the keys alone and measure again.",
        )


def _rests(gauge_mm: Floats, flat: Flags) -> tuple[list[NDArray[np.intp]], Floats]:
    """Stretches at rest, and the reading of each."""
    runs = np.split(np.arange(len(flat)), np.flatnonzero(np.diff(flat.astype(np.int8))) + 1)
    rests = [run for run in runs if flat[run[0]] and len(run) >= 3]
    return rests, np.array([float(np.median(gauge_mm[run])) for run in rests])


def _by_key(before: Floats, after: Floats, first: float, last: float, again: bool, margin_mm: float) -> bool:
    """Whether a key moved the reading at rest from `first` to `last`, and no freezing or bottoming out did.

    A gauge that froze holds a reading that the plunger had come to, never one beyond its stop; a plunger that
    bottoms out rests at both ends of its travel, whereas a key shifts the one end.
    """
    shown = before[: int(np.argmax(np.abs(np.diff(before)))) + 1]
    inward = float(shown[np.argmax(np.abs(shown - first))]) - first
    if (last - first) * inward < 0.0:
        return True
    moves_on = again and float(np.ptp(after)) > margin_mm
    return moves_on and (float(np.mean(after)) - last) * inward > 0.0
