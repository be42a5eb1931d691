"""Which readings touch the piston: flats found in the trace, and the end at which the piston turns."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d, minimum_filter1d

from analysis.base import Floats, Refusal
from analysis.readings import CrankMotion, refuse_rest_changed

_PLACES = 8
_LEAST_BETWEEN = 2
_LEAST_FLAT_DEG = 6.0
_SMALL_SCALE_MM = 15.0
_FEWEST = 8
_LAGS_S = (0.0, 0.03, 0.06, 0.1, 0.15, 0.2)

Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Contact:
    """A first view of the trace.

    Attributes
    ----------
    moving : ndarray of bool, shape (m,)
        Readings away from any flat and from the far end of the plunger's travel.
    centre_deg, lag_s, zero_mm, scale_mm
        Rough centre (unwrapped), lag, reading at the top and change of reading per throw (negative when the
        reading is largest at the top).
    floor_mm
        The reading farthest from the top: where the plunger is left behind, if it is.
    """

    moving: Flags
    centre_deg: float
    lag_s: float
    zero_mm: float
    scale_mm: float
    floor_mm: float


@dataclass(frozen=True, slots=True)
class Wave:
    """One wave a turn through the readings: lag, and centre (unwrapped), change a throw and reading at the top."""

    lag_s: float
    centre_deg: float
    scale_mm: float
    zero_mm: float


def first_view(
    motion: CrankMotion,
    time_s: Floats,
    gauge_mm: Floats,
    *,
    step_mm: float,
    lag_s: float | None,
    near: Wave | None = None,
) -> Contact:
    """Sort readings into moving and flat, and find roughly where the piston turns.

    Parameters
    ----------
    time_s, gauge_mm : ndarray, shape (m,)
    step_mm : float
        The gauge's step.
    lag_s : float, optional
        Its lag where known.
    near : Wave, optional
        Where the piston turned by nearly the same readings; it is then not looked for.

    Raises
    ------
    Refusal
        `no_contact`, `flat_at_top`, `gauge_stuck`, `zero_key_pressed`, `unit_key_pressed`.
    """
    if lag_s is None and near is not None:
        lag_s = near.lag_s
    rough_lag = lag_s if lag_s is not None else 0.06
    flat = find_flats(motion.angle_deg(time_s - rough_lag), gauge_mm, step_mm)
    # Two in a hundred readings may be wild; a plunger at its stop stays there for longer.
    low, high = (float(end) for end in np.quantile(gauge_mm, (0.02, 0.98)))
    margin = max(4.0 * step_mm, 0.03 * (high - low))
    refuse_rest_changed(time_s, gauge_mm, flat, margin)
    at_low, at_high = flat & (gauge_mm - low < margin), flat & (high - gauge_mm < margin)
    _refuse_stuck(flat & ~at_low & ~at_high, time_s, gauge_mm)
    moving = ~flat
    if at_low.any():
        moving &= gauge_mm - low > margin
    if at_high.any():
        moving &= high - gauge_mm > margin
    moving &= _in_company(moving)
    _refuse_few(moving)
    wave = near or _turning_end(motion, time_s[moving], gauge_mm[moving], lag_s)
    top_high = wave.scale_mm < 0.0
    _refuse_flat_top(motion.angle_deg(time_s - wave.lag_s) - wave.centre_deg, at_high if top_high else at_low)
    moving &= (gauge_mm - low > margin) if top_high else (high - gauge_mm > margin)
    _refuse_few(moving)
    wave = near or _turning_end(motion, time_s[moving], gauge_mm[moving], lag_s)
    floor = low if wave.scale_mm < 0.0 else high
    return Contact(moving, wave.centre_deg, wave.lag_s, wave.zero_mm, wave.scale_mm, floor)


def _in_company(moving: Flags) -> Flags:
    """Those with another of their kind just before or after: a wild reading amid a flat moves alone."""
    return np.append(moving[1:], False) | np.insert(moving[:-1], 0, False)


def find_flats(angle_deg: Floats, gauge_mm: Floats, step_mm: float) -> Flags:
    """Tell which readings belong to a stretch of crank travel over which the gauge did not move.

    A real dwell is rounder: only stretches three times as long as the dwell of a short-throw engine count. So is the
    stair of a gauge that is asked more often than it measures: only stretches three times as long as its usual tread do.
    """
    tolerance = max(1.5 * step_mm, 0.004, min(2.0 * _quiet_range(gauge_mm), 0.05))
    dwell = 2.0 * np.degrees(np.sqrt(2.0 * tolerance / _SMALL_SCALE_MM))
    turned = np.abs(np.diff(angle_deg))
    path = np.concatenate([[0.0], np.cumsum(turned)])
    length = max(_LEAST_FLAT_DEG, 3.0 * dwell, 3.0 * _usual_tread_deg(turned, path, gauge_mm, tolerance))
    spacing = max(length / _PLACES, path[-1] / (4.0 * len(path) + 100.0))
    # Rounding may put the last place beyond the last reading.
    at_deg = np.minimum(spacing * np.arange(int(path[-1] / spacing) + 1), path[-1])
    places = np.searchsorted(path, at_deg)
    size = max(3, round(length / spacing) + 1)
    if len(places) < size:
        return np.zeros(len(angle_deg), dtype=bool)
    still = _range_over(gauge_mm[places], size) <= tolerance
    swept = _range_over(angle_deg[places], size) >= 0.8 * length
    # Two readings that stand level either side of the top, with none between, show no standstill.
    seen = places[size - 1 :] - places[: len(places) - size + 1] >= _LEAST_BETWEEN
    first = np.flatnonzero(still & swept & seen)
    marks = np.zeros(len(angle_deg) + 1)
    np.add.at(marks, places[first], 1.0)
    np.add.at(marks, places[first + size - 1] + 1, -1.0)
    held = np.abs(np.diff(gauge_mm)) <= tolerance
    beside = np.append(held, False) | np.insert(held, 0, False)
    return np.asarray((np.cumsum(marks[:-1]) > 0.5) & beside & _level_with(gauge_mm, places, tolerance))


def _usual_tread_deg(turned_deg: Floats, path_deg: Floats, gauge_mm: Floats, tolerance_mm: float) -> float:
    """How far the crank usually turns between two readings, or between two changes where the gauge goes by stairs."""
    turning = turned_deg > 0.05
    if not turning.any():
        return 0.0
    treads = np.diff(path_deg[1:][turning & (np.abs(np.diff(gauge_mm)) > tolerance_mm)])
    return float(max(np.median(turned_deg[turning]), np.median(treads) if len(treads) else 0.0))


def _level_with(gauge_mm: Floats, places: NDArray[np.intp], tolerance_mm: float) -> Flags:
    """Which readings stand level with the place before or after them: between two the hand may have gone aside."""
    before = np.maximum(np.searchsorted(places, np.arange(len(gauge_mm)), side="right") - 1, 0)
    after = np.minimum(before + 1, len(places) - 1)
    off = np.minimum(np.abs(gauge_mm - gauge_mm[places[before]]), np.abs(gauge_mm - gauge_mm[places[after]]))
    return np.asarray(off <= tolerance_mm)


def _quiet_range(gauge_mm: Floats) -> float:
    """How far five readings in a row differ where the gauge is at its quietest."""
    if len(gauge_mm) < 20:
        return 0.0
    return float(np.quantile(_range_over(gauge_mm, 5), 0.1))


def _range_over(values: Floats, size: int) -> Floats:
    """Largest less smallest over each full window of `size` values."""
    high = maximum_filter1d(values, size)[size // 2 :]
    low = minimum_filter1d(values, size)[size // 2 :]
    return np.asarray((high - low)[: len(values) - size + 1])


def _refuse_few(moving: Flags) -> None:
    if moving.sum() < _FEWEST:
        raise Refusal(
            "no_contact",
            f"Only {int(moving.sum())} readings show the plunger moving: it does not reach the piston near "
            "the top, or the crank was turned too fast; set the gauge with some pre-load and turn slowly.",
        )


def _refuse_stuck(stuck: Flags, time_s: Floats, gauge_mm: Floats) -> None:
    if not stuck.any():
        return
    at = np.flatnonzero(stuck)
    raise Refusal(
        "gauge_stuck",
        f"From {time_s[at[0]]:.1f} s the gauge showed {gauge_mm[at[0]]:.3f} mm without moving while the "
        "crank turned: it froze, stuck or lost the piston in the middle of its travel; free it and measure again.",
    )


def _refuse_flat_top(angle_deg: Floats, flat: Flags) -> None:
    if not flat.any():
        return
    away = np.abs((angle_deg[flat] + 180.0) % 360.0 - 180.0)
    raise Refusal(
        "flat_at_top",
        f"The gauge stands still for about {2.0 * np.quantile(away, 0.9):.0f} degrees at the top of its "
        "travel: the plunger bottoms out or the gauge went to its stop; give it less pre-load and measure again.",
    )


def _turning_end(motion: CrankMotion, time_s: Floats, gauge_mm: Floats, lag_s: float | None) -> Wave:
    """Fit one wave a turn, for several lags; the readings gather round the end at which the piston turns."""
    waves = [_one_wave(motion, time_s, gauge_mm, lag) for lag in (_LAGS_S if lag_s is None else (lag_s,))]
    return min(waves, key=lambda found: found[0])[1]


def _one_wave(motion: CrankMotion, time_s: Floats, gauge_mm: Floats, lag_s: float) -> tuple[float, Wave]:
    """A cosine through all readings, what lies far off counting less; tells its misfit, and where its crest is."""
    angle = np.radians(motion.angle_deg(time_s - lag_s))
    design = np.column_stack([np.ones_like(angle), np.cos(angle), np.sin(angle)])
    weight = np.ones_like(angle)
    for _ in range(3):
        root = np.sqrt(weight)
        found, *_ = np.linalg.lstsq(design * root[:, None], gauge_mm * root, rcond=None)
        off = gauge_mm - design @ found
        usual = max(float(np.median(np.abs(off))), 1e-6)
        weight = 1.0 / (1.0 + (off / (4.0 * usual)) ** 2)
    misfit = float(weight @ off**2)
    level, cosine, sine = (float(value) for value in found)
    crest, height = float(np.arctan2(sine, cosine)), float(np.hypot(sine, cosine))
    if np.mean(np.cos(angle - crest)) < 0.0:
        crest, height = crest + np.pi, -height
    turns = np.round((np.median(angle) - crest) / (2.0 * np.pi))
    centre = float(np.degrees(crest + 2.0 * np.pi * turns))
    return misfit, Wave(lag_s, centre, -height / 1.25, level + height)
