"""Faults seen in the streams before anything is fitted: refused with what, where and what to do."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analysis.base import Floats, GaugeFacts, Refusal, Streams, Warn, smallest_step
from analysis.own_clock import Ticks
from analysis.readings.crank_late import find_held_up, find_late_lines
from analysis.readings.crank_motion import CrankMotion, follow_crank
from analysis.readings.held_up import Waited, share_waited
from analysis.readings.late_by_pace import ReadLate, at_their_pace, find_late_readings, how_late

FEWEST_CRANK = 8
FEWEST_GAUGE = 8
LEAST_TURN_DEG = 5.0
LARGEST_READING_MM = 500.0
LARGEST_SPEED_DEG_S = 36_000.0
_GAP_S = 2.0
_STOOD_S = 2.0
_STANDS_DEG, _REST_TOLD, _REST_TOLD_S = 0.02, 4, 0.4
_LEAST_USUAL_DEG = 0.5
# A stall now and then costs nothing: nobody need do anything about it.
_MANY_LATE = 0.01

Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class CheckedStreams:
    """Streams that can be worked with.

    Attributes
    ----------
    streams : Streams
        Finite, in order of time, wild single counts and late lines removed.
    motion : CrankMotion
        The crank's motion through them.
    step_mm : float
        The gauge's step: as stated, else as found.
    warnings : tuple of Warn
        What was left out, and what else the builder should know.
    waiting : Waited
        How much of the time the encoder's lines waited and came in lumps.
    read_late : ReadLate
        How late the others were read.
    ticks : Ticks or None
        By which clock the gauge was found to measure; its readings are then those measurements, each once.
    """

    streams: Streams
    motion: CrankMotion
    step_mm: float
    warnings: tuple[Warn, ...]
    waiting: Waited
    read_late: ReadLate
    ticks: Ticks | None = None

    def as_measured(self, ticks: Ticks) -> CheckedStreams:
        """The same with the gauge's readings put to when they were measured."""
        return replace(self, streams=ticks.as_measured(self.streams), ticks=ticks)


def check_streams(
    streams: Streams, gauge: GaugeFacts, follow: Callable[[Floats, Floats], CrankMotion] = follow_crank
) -> CheckedStreams:
    """Check the two streams of a measurement, whatever is measured, and make them ready.

    Parameters
    ----------
    follow : callable
        Finds the motion; a `CrankFollower` where the same streams are checked again and again while they grow.

    Raises
    ------
    Refusal
        `too_few_readings`, `all_nan`, `times_out_of_order`, `no_movement`, `no_overlap`, `absurd_values`,
        `gauge_frozen`.
    """
    warnings: list[Warn] = []
    crank_s, crank_deg = _clean("crank", streams.crank_time_s, streams.crank_deg, warnings)
    gauge_s, gauge_mm = _clean("gauge", streams.gauge_time_s, streams.gauge_mm, warnings)
    _refuse_few("gauge", gauge_s, FEWEST_GAUGE)
    _refuse_stood(crank_s, crank_deg)
    _refuse_few("crank", crank_s, FEWEST_CRANK)
    crank_s, crank_deg = _without_wild_counts(crank_s, crank_deg, warnings)
    waiting = share_waited(crank_s, crank_deg)
    late = find_late_lines(crank_s, crank_deg)
    waited = find_held_up(crank_s, crank_deg, late, gauge_s) | find_late_readings(gauge_s)
    gauge_s, gauge_mm = gauge_s[~waited], gauge_mm[~waited]
    crank_s, crank_deg = _without_late_lines(crank_s, crank_deg, late, warnings)
    arrived_s, crank_s = crank_s, at_their_pace(crank_s, crank_deg)
    _refuse_absurd(crank_s, crank_deg, gauge_mm)
    _refuse_no_movement(crank_s, crank_deg)
    _refuse_no_overlap(crank_s, gauge_s)
    motion = follow(crank_s, crank_deg)
    _refuse_frozen(motion, gauge_s, gauge_mm)
    _note_gaps(motion, crank_s, gauge_s, warnings)
    step = gauge.step_mm if gauge.step_mm is not None else smallest_step(gauge_mm)
    told = _tells_something(gauge_s, motion.angle_deg(gauge_s), gauge_mm, step)
    gauge_s, gauge_mm = gauge_s[told], gauge_mm[told]
    read_late = how_late(arrived_s, motion.lines)
    return CheckedStreams(
        Streams(crank_s, crank_deg, gauge_s, gauge_mm), motion, step, tuple(warnings), waiting, read_late
    )


def _tells_something(time_s: Floats, crank_deg: Floats, gauge_mm: Floats, step_mm: float) -> Flags:
    """Leave out what a gauge goes on to say while crank and plunger stand: its error there is one error, not many.

    Counted as many, the readings of a long rest would outweigh those of the turns.
    """
    place = np.arange(time_s.size)
    before = np.clip(np.minimum(np.searchsorted(time_s, time_s - _REST_TOLD_S), place - _REST_TOLD), 0, None)
    stood = np.abs(crank_deg - crank_deg[before]) < _STANDS_DEG
    alike = np.abs(gauge_mm - gauge_mm[before]) <= 1.5 * step_mm
    first = (place < _REST_TOLD) | (time_s - time_s[0] < _REST_TOLD_S)
    return np.asarray(first | ~(stood & alike))


def _clean(name: str, time_s: Floats, value: Floats, warnings: list[Warn]) -> tuple[Floats, Floats]:
    """Leave out what is no number; refuse what then is nothing, or out of order."""
    time_s, value = np.asarray(time_s, dtype=np.float64), np.asarray(value, dtype=np.float64)
    if time_s.shape != value.shape or time_s.ndim != 1:
        raise Refusal(
            "unequal_lengths", f"The {name} has {time_s.size} times but {value.size} readings: record again."
        )
    if not len(value):
        raise Refusal(
            "too_few_readings",
            f"There is no {name} reading at all: check the {name}'s cable and record again.",
        )
    finite = np.isfinite(time_s) & np.isfinite(value)
    if not finite.any():
        raise Refusal(
            "all_nan",
            f"None of the {len(value)} {name} readings is a number: check the {name} and record again.",
        )
    dropped = int(len(value) - finite.sum())
    if dropped:
        warnings.append(
            Warn("not_a_number", f"{dropped} {name} readings were not numbers and were left out.")
        )
    _refuse_disorder(name, time_s[finite])
    return time_s[finite], value[finite]


def _refuse_few(name: str, time_s: Floats, fewest: int) -> None:
    if len(time_s) < fewest:
        raise Refusal(
            "too_few_readings",
            f"Only {len(time_s)} {name} readings: at least {fewest} are needed; "
            "turn more slowly or record for longer.",
        )


def _refuse_stood(crank_s: Floats, crank_deg: Floats) -> None:
    """A crank that stood for all of a measurement: of lines that repeat a count the first and the last are kept."""
    if len(crank_s) < FEWEST_CRANK and float(crank_s[-1] - crank_s[0]) >= _STOOD_S:
        _refuse_no_movement(crank_s, crank_deg)


def _refuse_disorder(name: str, time_s: Floats) -> None:
    back = np.flatnonzero(np.diff(time_s) < 0.0)
    if len(back):
        at = float(time_s[back[0] + 1])
        raise Refusal(
            "times_out_of_order",
            f"The {name}'s times run backwards at {at:.3f} s ({len(back)} times in all): "
            "the trace was put together wrongly; export it again or record again.",
        )


def _without_wild_counts(time_s: Floats, crank_deg: Floats, warnings: list[Warn]) -> tuple[Floats, Floats]:
    """Leave out single readings that jump away from both neighbours, which agree with each other."""
    step = np.diff(crank_deg)
    if float(np.max(np.abs(step))) <= 8.0 * _LEAST_USUAL_DEG:
        return time_s, crank_deg
    usual = max(float(np.quantile(np.abs(step), 0.99)), _LEAST_USUAL_DEG)
    there, back = step[:-1], step[1:]
    wild = (there * back < 0.0) & (np.minimum(np.abs(there), np.abs(back)) > 8.0 * usual)
    wild &= np.abs(there + back) < 3.0 * usual
    if not wild.any():
        return time_s, crank_deg
    keep = np.concatenate([[True], ~wild, [True]])
    warnings.append(
        Warn(
            "wild_counts",
            f"{int(wild.sum())} wild encoder readings were left out: check the encoder's cable.",
        )
    )
    return time_s[keep], crank_deg[keep]


def _without_late_lines(
    time_s: Floats, crank_deg: Floats, late: Flags, warnings: list[Warn]
) -> tuple[Floats, Floats]:
    """Leave out what a stalled cable or computer kept back: where the crank stood some time before it arrived."""
    if not late.any():
        return time_s, crank_deg
    if float(np.mean(late)) > _MANY_LATE:
        at_s = float(time_s[np.argmax(late)])
        warnings.append(
            Warn(
                "lines_held_up",
                f"{int(late.sum())} encoder lines came late, together with later ones, first at {at_s:.1f} s, and "
                "were left out: the computer or its cable is busy; close other programs.",
            )
        )
    return time_s[~late], crank_deg[~late]


def _refuse_absurd(time_s: Floats, crank_deg: Floats, gauge_mm: Floats) -> None:
    if float(np.ptp(gauge_mm)) > LARGEST_READING_MM:
        raise Refusal(
            "absurd_values",
            f"The gauge moved by {np.ptp(gauge_mm):.0f} mm, which no dial indicator does: "
            "check the unit of the channel.",
        )
    span = max(float(time_s[-1] - time_s[0]), 1e-9)
    speed = float(np.abs(np.diff(crank_deg)).sum()) / span
    if speed > LARGEST_SPEED_DEG_S:
        raise Refusal(
            "absurd_values",
            f"The crank would have turned at {speed:.0f} degrees a second: "
            "check the counts a turn and the times.",
        )


def _refuse_no_movement(time_s: Floats, crank_deg: Floats) -> None:
    moved = float(np.ptp(crank_deg))
    if moved < LEAST_TURN_DEG:
        span = float(time_s[-1] - time_s[0])
        raise Refusal(
            "no_movement",
            f"The crank moved by only {moved:.2f} degrees in {span:.0f} s: "
            "turn it through the dwell, both sides; if it was turned, check the encoder's coupling.",
        )


def _refuse_no_overlap(crank_s: Floats, gauge_s: Floats) -> None:
    both = int(((gauge_s >= crank_s[0]) & (gauge_s <= crank_s[-1])).sum())
    if both < FEWEST_GAUGE:
        raise Refusal(
            "no_overlap",
            f"Only {both} gauge readings fall in the time of the crank's readings "
            f"({crank_s[0]:.1f} to {crank_s[-1]:.1f} s): record both together.",
        )


def _refuse_frozen(motion: CrankMotion, gauge_s: Floats, gauge_mm: Floats) -> None:
    inside = motion.covered(gauge_s)
    if not inside.any() or float(np.ptp(gauge_mm[inside])) > 0.0:
        return
    turned = float(np.ptp(motion.angle_deg(gauge_s[inside])))
    raise Refusal(
        "gauge_frozen",
        f"The gauge showed {gauge_mm[inside][0]:.3f} mm all the time while the crank turned {turned:.0f} "
        "degrees. Nothing has moved its plunger yet: turn on. If it stays so, the plunger touches nothing, the gauge is "
        "asleep or its battery flat: check that it moves by hand.",
    )


def _note_gaps(motion: CrankMotion, crank_s: Floats, gauge_s: Floats, warnings: list[Warn]) -> None:
    """Warn of silences of either instrument over which the crank turned."""
    gap = np.diff(gauge_s)
    turned = np.abs(np.diff(motion.angle_deg(gauge_s)))
    long = np.flatnonzero((gap > max(_GAP_S, 8.0 * float(np.median(gap)))) & (turned > 2.0))
    if len(long):
        worst = int(long[np.argmax(gap[long])])
        warnings.append(
            Warn(
                "gauge_gap",
                f"The gauge sent nothing for {gap[worst]:.1f} s from {gauge_s[worst]:.1f} s "
                "while the crank turned.",
            )
        )
    within = (gauge_s >= crank_s[0]) & (gauge_s <= crank_s[-1])
    lost = int((within & ~motion.covered(gauge_s)).sum())
    if lost:
        warnings.append(
            Warn(
                "crank_gap",
                f"Left out, for the encoder sent nothing meanwhile: {lost} of the gauge readings; "
                "check its cable.",
            )
        )
