"""A first look at a lobe trace: which way the gauge reads, what was covered, where the base circle lies.

Works on medians over narrow bins of crank phase with a rough guess of the lag, so nothing here needs to be
sharp: it chooses the window and the kind of ends that the fit is given.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.base import Floats, Refusal
from analysis.curve.basis import SplineBasis

CYCLE_DEG = 720.0
_BIN_DEG = 4.0
_OPEN_GAP_DEG = 60.0
_RAMP_ROOM_DEG = 44.0
_FLAT_DEG = 24.0
_KNOT_DEG = 5.0
_FINE_KNOT_DEG = 1.25
_BLURS = 2.0
_KINK_REACH_DEG = 8.0
_LONGEST_NOSE_DEG = 60.0
_LONGEST_OPEN_DEG = 380.0
_INSIDE_DEG = 12.0
_WELL_BELOW = 0.1

Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Survey:
    """What the first look found.

    Attributes
    ----------
    polarity : int
        +1 where the reading grows as the valve opens, -1 where it falls.
    start_deg : float
        Phase at which the cycle is cut: everything is counted from here, 0..720.
    span_deg : float
        Covered length from there; 720 when no side is open.
    base_mm : float or None
        Polarity times the reading on the base circle; `None` when it was not seen.
    left_seen, right_seen : bool
        Whether the base circle was seen before and after the lobe.
    rough_lift_mm : float
        Height over the base circle, or over the lower end of what was seen.
    lobe_deg : tuple of float
        Left and right end of what stands clear of the base circle, counted from `start_deg`.
    """

    polarity: int
    start_deg: float
    span_deg: float
    base_mm: float | None
    left_seen: bool
    right_seen: bool
    rough_lift_mm: float
    lobe_deg: tuple[float, float]

    def unrolled(self, crank_deg: Floats) -> Floats:
        """Crank angles as phase counted from `start_deg`, 0..720."""
        return np.mod(crank_deg - self.start_deg, CYCLE_DEG)

    def basis(self, blur_deg: float) -> SplineBasis:
        """Splines for the lobe and its ramps; the base circle beyond is a level.

        Knots lie close where the lobe leaves the base circle and joins it again: clearance taken up is a
        kink.

        Parameters
        ----------
        blur_deg : float
            How far the ends may be from where they seem, because of the lag.
        """
        left, right = self.lobe_deg
        low = left - _RAMP_ROOM_DEG if self.left_seen else 0.0
        high = right + _RAMP_ROOM_DEG if self.right_seen else self.span_deg
        ends = [end for end, seen in ((left, self.left_seen), (right, self.right_seen)) if seen]
        wanted = np.array([low, high])
        for end in ends:
            reach = _KINK_REACH_DEG + blur_deg
            wanted = np.concatenate([wanted, np.arange(end - reach, end + reach, _FINE_KNOT_DEG)])
        return SplineBasis(_filled(np.clip(wanted, low, high)), self.left_seen, self.right_seen)


def _filled(wanted: Floats) -> Floats:
    """Knots at the wanted places, even ones between where these lie far apart."""
    wanted = np.unique(np.round(wanted, 6))
    keep = np.concatenate([[True], np.diff(wanted) > 0.3 * _FINE_KNOT_DEG])
    wanted = wanted[keep]
    count = np.maximum(np.ceil(np.diff(wanted) / _KNOT_DEG - 1e-9), 1).astype(np.intp)
    start, width = np.repeat(wanted[:-1], count), np.repeat(np.diff(wanted) / count, count)
    place = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
    return np.append(start + place * width, wanted[-1])


def survey_lobe(crank_deg: Floats, gauge_mm: Floats, step_mm: float, blur_deg: float = 0.0) -> Survey:
    """Look at the readings over crank phase.

    Parameters
    ----------
    crank_deg : ndarray, shape (m,)
        Crank angle of each usable reading, rough lag removed.
    gauge_mm : ndarray, shape (m,)
    blur_deg : float
        How far the readings may lie from where they seem, because of the lag: room left at open ends.

    Raises
    ------
    Refusal
        `not_a_lobe` when nothing rises; `nose_not_seen` when only the base circle and the feet were.
    """
    start, span, closed = _covered(crank_deg, blur_deg)
    phase = np.mod(crank_deg - start, CYCLE_DEG)
    centre, level = _medians(phase, gauge_mm)
    noise = max(3.0 * step_mm, 0.02)
    if float(np.ptp(level)) < max(10.0 * step_mm, 0.2):
        raise Refusal(
            "not_a_lobe",
            f"The gauge moved by only {np.ptp(level):.2f} mm over {span:.0f} degrees: set it on the valve's "
            "retainer and turn through the lobe.",
        )
    if closed:
        return _survey_closed(start, centre, level, noise)
    return _survey_open(start, span, centre, level, noise)


def _covered(crank_deg: Floats, blur_deg: float) -> tuple[float, float, bool]:
    """Start and length of the covered phases, cut at the widest gap, and whether the cycle is closed."""
    phase = np.sort(np.mod(crank_deg, CYCLE_DEG))
    gap = np.diff(np.append(phase, phase[0] + CYCLE_DEG))
    widest = int(np.argmax(gap))
    usual = float(np.median(gap))
    if gap[widest] > max(_OPEN_GAP_DEG, 6.0 * usual):
        start = float(phase[(widest + 1) % len(phase)])
        room = min(_BLURS * blur_deg, 0.4 * float(gap[widest])) + 1e-6
        return start - room, CYCLE_DEG - float(gap[widest]) + 2.0 * room, False
    return 0.0, CYCLE_DEG, True


def _medians(phase: Floats, value: Floats) -> tuple[Floats, Floats]:
    bin_of = np.floor(phase / _BIN_DEG).astype(np.intp)
    order = np.lexsort((value, bin_of))
    bins, first, count = np.unique(bin_of[order], return_index=True, return_counts=True)
    ordered = value[order]
    median = 0.5 * (ordered[first + (count - 1) // 2] + ordered[first + count // 2])
    return (bins.astype(np.float64) + 0.5) * _BIN_DEG, median.astype(np.float64)


def _base_level(level: Floats, noise: float) -> float:
    """Middle of the closest-packed third of the levels: where the gauge rests longest."""
    ordered = np.sort(level)
    share = max(3, len(ordered) // 3)
    width = ordered[share - 1 :] - ordered[: len(ordered) - share + 1]
    best = int(np.argmin(width))
    near = ordered[np.abs(ordered - np.median(ordered[best : best + share])) <= noise]
    return float(np.median(near)) if len(near) else float(np.median(ordered[best : best + share]))


def _survey_closed(start: float, centre: Floats, level: Floats, noise: float) -> Survey:
    # By degrees, not by readings: rocked over the nose, most of them lie there.
    evenly: Floats = np.arange(0.5 * _BIN_DEG, CYCLE_DEG, _BIN_DEG)
    base = _base_level(np.interp(evenly, centre, level, period=CYCLE_DEG), noise)
    polarity = 1 if level.max() - base > base - level.min() else -1
    lift = polarity * (level - base)
    peak = _rough_peak(centre, lift)
    cut = np.mod(start + peak + 0.5 * CYCLE_DEG, CYCLE_DEG)
    turned = np.mod(centre + start - cut, CYCLE_DEG)
    order = np.argsort(turned)
    turned, lift = turned[order], lift[order]
    ends = _clear_of_base(turned, lift, 0.5 * CYCLE_DEG, noise)
    return Survey(polarity, float(cut), CYCLE_DEG, polarity * base, True, True, float(lift.max()), ends)


def _rough_peak(centre: Floats, lift: Floats) -> float:
    """Middle of what lies above nine tenths of the height, on the circle."""
    top = centre[lift > 0.9 * lift.max()] * (2.0 * np.pi / CYCLE_DEG)
    angle = np.arctan2(np.sin(top).mean(), np.cos(top).mean())
    return float(np.mod(angle * CYCLE_DEG / (2.0 * np.pi), CYCLE_DEG))


def _clear_of_base(phase: Floats, lift: Floats, peak: float, noise: float) -> tuple[float, float]:
    """Ends of the stretch round the peak in which the lift stands clear of the base circle."""
    low = phase[(phase < peak) & (lift <= noise)]
    high = phase[(phase > peak) & (lift <= noise)]
    left = float(low.max()) if len(low) else float(phase.min())
    right = float(high.min()) if len(high) else float(phase.max())
    return left, right


def _survey_open(start: float, span: float, centre: Floats, level: Floats, noise: float) -> Survey:
    """Survey a lobe not turned through whole: its base may be seen in the middle, at one end, at both, or nowhere."""
    rest = _resting(centre, level, noise)
    if rest is not None and min(rest[0] - centre[0], centre[-1] - rest[1]) > _INSIDE_DEG:
        return _survey_round_base(start, centre, level, rest, noise)
    ends = 0.5 * (float(level[0]) + float(level[-1]))
    polarity = _open_polarity(level, None if rest is None else rest[2])
    lift = polarity * (level - ends)
    _refuse_base_for_nose(centre, lift)
    inner = lift > 0.9 * lift.max() + 0.1 * lift.min()
    peak = float(centre[inner].mean())
    left_base = _flat_end(centre, lift, noise)
    right_base = _flat_end(centre[::-1], lift[::-1], noise)
    found = [base for base in (left_base, right_base) if base is not None and lift.max() - base > 1.0]
    if not found:
        height = float(lift.max() - lift.min())
        return Survey(polarity, start, span, None, False, False, height, (0.0, span))
    base = min(found)
    left_seen = left_base is not None and left_base - base < 0.5
    right_seen = right_base is not None and right_base - base < 0.5
    clear = _clear_of_base(centre, lift - base, peak, noise)
    left, right = (clear[0] if left_seen else 0.0), (clear[1] if right_seen else span)
    return Survey(
        polarity,
        start,
        span,
        base + polarity * ends,
        left_seen,
        right_seen,
        float(lift.max() - base),
        (left, right),
    )


def _refuse_base_for_nose(centre: Floats, lift: Floats) -> None:
    """What stands high for longer than any valve is open is the base circle, seen between the flanks of an unseen nose."""
    high = centre[lift > 0.5 * (lift.max() + lift.min())]
    if float(np.ptp(high)) > _LONGEST_OPEN_DEG:
        raise _nose_not_seen(CYCLE_DEG - float(np.ptp(centre)))


def _refuse_nose_in_gap(phase: Floats, lift: Floats) -> None:
    """Where nothing was read between two lifts of which one is the highest seen, the nose is in between."""
    gap = np.diff(phase)
    if not len(gap) or float(gap.max()) <= _OPEN_GAP_DEG:
        return
    widest = int(np.argmax(gap))
    if float(np.max(lift[widest : widest + 2])) > (1.0 - _WELL_BELOW) * float(lift.max()):
        raise _nose_not_seen(float(gap[widest]))


def _nose_not_seen(gap_deg: float) -> Refusal:
    return Refusal(
        "nose_not_seen",
        f"Between the flanks lie {gap_deg:.0f} degrees without a reading, where the nose must be: turn "
        "forwards through the whole lobe.",
    )


def _open_polarity(level: Floats, base: float | None) -> int:
    """Away from the base circle where it was seen, else away from the ends of what was seen."""
    if base is not None:
        return 1 if level.max() - base > base - level.min() else -1
    above, below = level.max() - max(level[0], level[-1]), min(level[0], level[-1]) - level.min()
    return 1 if above >= below else -1


def _resting(centre: Floats, level: Floats, noise: float) -> tuple[float, float, float] | None:
    """Start, end and level of the longest stretch on which the gauge rests: longer than any nose is flat."""
    best, first = (0, 0), 0
    for last in range(len(level)):
        if last and centre[last] - centre[last - 1] > 4.0 * _BIN_DEG:
            first = last
        while float(np.ptp(level[first : last + 1])) > noise:
            first += 1
        if centre[last] - centre[first] > centre[best[1]] - centre[best[0]]:
            best = (first, last)
    low, high = float(centre[best[0]]), float(centre[best[1]])
    if high - low < _LONGEST_NOSE_DEG:
        return None
    return low, high, float(np.median(level[best[0] : best[1] + 1]))


def _survey_round_base(
    start: float, centre: Floats, level: Floats, rest: tuple[float, float, float], noise: float
) -> Survey:
    """The base circle lies inside what was seen, flanks on both its sides: a lobe taken from its other side."""
    base = rest[2]
    polarity = 1 if level.max() - base > base - level.min() else -1
    lift = polarity * (level - base)
    cut = np.mod(start + 0.5 * (rest[0] + rest[1]), CYCLE_DEG)
    turned = np.mod(centre + start - cut, CYCLE_DEG)
    order = np.argsort(turned)
    turned, lift = turned[order], lift[order]
    _refuse_nose_in_gap(turned[lift > noise], lift[lift > noise])
    peak = float(turned[np.argmax(lift)])
    ends = _clear_of_base(turned, lift, peak, noise)
    return Survey(polarity, float(cut), CYCLE_DEG, polarity * base, True, True, float(lift.max()), ends)


def _flat_end(centre: Floats, lift: Floats, noise: float) -> float | None:
    """Level of a flat stretch at the beginning of the window, if there is one."""
    near = np.abs(centre - centre[0]) <= _FLAT_DEG
    reach = float(np.ptp(centre[near]))
    if reach < 0.6 * _FLAT_DEG or float(np.ptp(lift[near])) > noise:
        return None
    return float(np.median(lift[near]))
