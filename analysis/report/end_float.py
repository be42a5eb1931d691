"""End float of a crank or cam: a gauge on its end, the shaft pushed and pulled as far as it goes, the crank at rest.

Where the reading rests it stands at one end of its float, or was let go of between: resting places near the innermost and
the outermost are told apart by what lies between, and each end is the mean of its own.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.base import Component, Floats, GaugeFacts, Refusal, Streams, expand, limit_u, smallest_step
from analysis.report.reading_off import Figure, rounded_u_mm

_NOISE_OF_BENDS, _GRAIN_OF_NOISE = 1.65, 3.0
"""Middle of the second differences of noise of one; what a fine gauge wanders by more than its step is its step here."""
_RESTS_S, _RESTS_STEPS = 0.35, 1.5
_CREEPS_STEPS = 2.5
"""A shaft that is moved slowly goes from step to step of a coarse gauge as one that rests does, but reaches further."""
_OF_ONE_PLACE_STEPS = 0.6
"""Of a rest counts what reads as most of it does: beside it stands what was read while the shaft slowed and set off."""
_FEWEST = 3
_OF_THE_FLOAT = 0.25
_TIMES_EACH_WAY = 2
_TURNED_DEG = 2.0
_NEWEST = 4
_MOVED_STEPS = 2.0
_USUAL_STEP_MM = 0.01
"""A shaft that only goes between two places shows its float as the least difference."""
_LEAST_FREEDOM = 1.0


@dataclass(frozen=True, slots=True)
class EndFloat:
    """How far a shaft goes to and fro.

    Attributes
    ----------
    float_mm
        From one end to the other.
    pushes, pulls
        How often either end was reached.
    """

    float_mm: Figure
    pushes: int
    pulls: int


def find_end_float(streams: Streams, gauge: GaugeFacts) -> EndFloat:
    """Find the float from readings while the shaft was pushed and pulled.

    Parameters
    ----------
    streams : Streams
        Crank and gauge since the crank came to rest.
    gauge : GaugeFacts
        For the step, the stated error and the retrace: the ends are come to from two sides, so all of it counts.

    Raises
    ------
    Refusal
        `crank_turned`, `pushed_slowly`, `not_pushed_both_ways`.
    """
    turned_deg = float(np.ptp(streams.crank_deg)) if streams.crank_deg.size else 0.0
    if turned_deg > _TURNED_DEG:
        raise Refusal(
            "crank_turned",
            f"The crank turned by {turned_deg:.0f} degrees meanwhile: hold it still, then push and pull again.",
        )
    step_mm = gauge.step_mm or min(smallest_step(streams.gauge_mm), _USUAL_STEP_MM)
    grain_mm = max(step_mm, _GRAIN_OF_NOISE * _noise_mm(streams.gauge_mm))
    rests, crept = _rests(streams.gauge_time_s, streams.gauge_mm, grain_mm)
    places = _of_now(rests)
    moved = len(places) > 0 and float(np.ptp(places)) > _MOVED_STEPS * grain_mm
    low, high = _ends(places) if moved else (places, places[:0])
    if min(len(low), len(high)) < _TIMES_EACH_WAY and crept:
        raise Refusal(
            "pushed_slowly",
            "The reading crept from place to place, so that where it rested cannot be told: push the shaft home and pull it "
            "out briskly, twice at least, resting half a second each time.",
        )
    if min(len(low), len(high)) < _TIMES_EACH_WAY:
        raise Refusal(
            "not_pushed_both_ways",
            f"The shaft rested {len(high)} times at one end and {len(low)} at the other: push it home and pull it out "
            "twice at least, resting half a second each time.",
        )
    spread = [
        Component("scatter", float(np.std(one, ddof=1) / np.sqrt(len(one))), len(one) - 1.0)
        for one in (low, high)
    ]
    told = expand(
        [
            *spread,
            # An end that is felt a little otherwise each time is rounded otherwise each time, which its scatter tells.
            *(Component("step", rounded_u_mm(step_mm, float(np.var(one, ddof=1)))) for one in (low, high)),
            Component("gauge error", limit_u(gauge.error_mm or 0.0)),
            Component("retrace", 2.0 * gauge.stick_mm[1]),
        ]
    )
    size = float(np.mean(high) - np.mean(low)) + 2.0 * gauge.stick_mm[0]
    return EndFloat(Figure(size, told.expanded), len(high), len(low))


def _noise_mm(value: Floats) -> float:
    """Give what single readings wander by; a shaft that moves evenly bends no reading from its neighbours."""
    bends = np.abs(np.diff(value, 2))
    return float(np.median(bends)) / _NOISE_OF_BENDS if bends.size else 0.0


def _rests(time_s: Floats, value: Floats, grain_mm: float) -> tuple[Floats, bool]:
    """Give the place of every rest since the shaft crept last, and whether it crept at all."""
    if len(value) < _FEWEST:
        return np.zeros(0), False
    runs = np.split(
        np.arange(len(value)), np.flatnonzero(np.abs(np.diff(value)) > _RESTS_STEPS * grain_mm) + 1
    )
    rests = [run for run in runs if len(run) >= _FEWEST and time_s[run[-1]] - time_s[run[0]] >= _RESTS_S]
    creeps = [k for k, run in enumerate(rests) if np.ptp(value[run]) > _CREEPS_STEPS * grain_mm]
    since = rests[creeps[-1] + 1 :] if creeps else rests
    return np.array([_place(value[run], grain_mm) for run in since]), bool(creeps)


def _place(rest: Floats, grain_mm: float) -> float:
    """Mean of a rest, without what was read while the shaft slowed down before it and set off after."""
    off_mm = np.abs(rest - np.median(rest))
    # Half of a rest may lie on one side of its middle and half on the other, and nothing near it.
    return float(np.mean(rest[(off_mm < _OF_ONE_PLACE_STEPS * grain_mm) | (off_mm <= off_mm.min() + 1e-9)]))


def _of_now(places: Floats) -> Floats:
    """Leave out where the gauge stood before it was set on the shaft: far from where the newest rests lie."""
    newest = places[-_NEWEST:]
    if not len(newest):
        return places
    far = 0.5 * float(np.ptp(newest))
    away = np.flatnonzero((places < newest.min() - far) | (places > newest.max() + far))
    return places[int(away[-1]) + 1 :] if len(away) else places


def _ends(places: Floats) -> tuple[Floats, Floats]:
    """Resting places at either end; what was let go of between belongs to neither."""
    near = _OF_THE_FLOAT * float(np.ptp(places))
    return places[places <= places.min() + near], places[places >= places.max() - near]
