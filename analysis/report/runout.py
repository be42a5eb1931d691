"""Runout of a journal, flange, damper or face: a gauge on it, the crank turned once or twice round.

The reading is told as a mean and waves once to `HARMONICS` times a turn, fitted by least squares with the stand's slow
drift. A wave once a turn is a part that turns off its axis, twice a turn an oval, more often a lobed one. High is where
the gauge is pushed furthest in; angles are crank degrees at which that place is under the gauge.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from analysis.base import Component, Floats, GaugeFacts, Refusal, Streams, Warn, expand
from analysis.readings import CheckedStreams, check_streams, lag_prior, was_held_up
from analysis.report.not_round import refuse_large_and_not_a_circle, refuse_what_moves_otherwise, valve_too
from analysis.report.reading_off import Figure, rounded_u_mm, rounded_wave_u_mm

HARMONICS = 5
_TURN_DEG = 360.0
_LARGEST_GAP_DEG = 30.0
_FEWEST = 40
_DRIFT_TURNS = 1.5
_BIN_DEG = 10.0
_SURE = 5.0
_KNOCK_SURE = 8.0
_LEAST_STEP_MM = 0.005
_LEFT_OVER = 3.0
# Of a wave that is not there cosine and sine scatter alike, so that its height passes 2.45 standard deviations of one
# of them once in twenty, and not two (Rayleigh's law).
_BY_CHANCE = 1.22
_FLOATED = "a shaft that went along its axis, "
_BLAMED = {
    False: "the stand was knocked, or the gauge or the part is loose. Make it fast and turn again.",
    True: "the shaft went along its axis, the stand was knocked, or the gauge is loose. Make it fast, push the shaft one "
    "way all the while, and turn again.",
}
"""What may be to blame where a place does not read the same again, on a journal and on a face."""


@dataclass(frozen=True, slots=True)
class Wave:
    """One harmonic: height from its mean to its top, and where its (first) top is under the gauge.

    Attributes
    ----------
    seen
        Whether it is more than chance and the gauge make of none; the angle of one that is not says nothing.
    """

    times: int
    amplitude_mm: Figure
    high_at_deg: Figure

    @property
    def seen(self) -> bool:
        """Whether the wave is more than chance and the gauge make of none."""
        return self.amplitude_mm.value > _BY_CHANCE * self.amplitude_mm.u95


@dataclass(frozen=True, slots=True)
class Runout:
    """What turning a part under a gauge tells.

    Attributes
    ----------
    total_mm
        Highest less lowest place of the fitted waves: what is read off a gauge as its full swing.
    eccentricity_mm
        How far the part's middle lies off the axis that it turns about: half of the swing once a turn.
    ovality_mm
        Highest less lowest of the wave twice a turn.
    drift_mm_turn
        How far the reading went off a turn, taken out; 0 where less than one and a half turns were made.
    crank_deg, reading_mm
        The fitted waves by crank degree, about their mean.
    """

    total_mm: Figure
    eccentricity_mm: Figure
    high_at_deg: Figure
    ovality_mm: Figure
    waves: tuple[Wave, ...]
    turns: float
    drift_mm_turn: float
    residual_sd_mm: float
    warnings: tuple[Warn, ...]
    crank_deg: Floats
    reading_mm: Floats


@dataclass(frozen=True, slots=True)
class _Fit:
    """Waves [mean, cos 1, sin 1, ...] with their covariance, and what is left over."""

    wave: Floats
    covariance: Floats
    left: Floats
    freedom: float
    drift_mm_turn: float


def find_runout(
    streams: Streams, gauge: GaugeFacts, *, zero_deg: float = 0.0, inward: int = 1, on_face: bool = False
) -> Runout:
    """Find the runout of what the gauge stands on.

    Parameters
    ----------
    zero_deg : float
        What the encoder shows where angles are to count from, such as true TDC.
    inward : {1, -1}
        +1 where the reading grows as the plunger goes in.
    on_face : bool
        The gauge stands on a face, along the axis: a shaft that floats is among what may be to blame.

    Raises
    ------
    Refusal
        What `analysis.readings` refuses, `moves_like_a_piston`, `moves_like_a_valve`, `swings_too_far`,
        `not_a_whole_turn`, `held_up`, `not_round`, `does_not_repeat`.
    """
    checked = check_streams(streams, gauge)
    lag_s, lag_u_s = lag_prior(gauge)
    time_s, value = checked.streams.gauge_time_s, inward * checked.streams.gauge_mm
    then = time_s - lag_s
    known = checked.motion.covered(then)
    then, value = then[known], value[known]
    angle, speed = checked.motion.angle_and_speed(then)
    refuse_what_moves_otherwise(checked.streams, gauge)
    if not _whole_turn(angle):
        raise _part_of_a_turn(angle, checked, streams)
    _refuse_knocked(angle, value, checked.step_mm, _BLAMED[on_face])
    fit = _fitted(angle, value)
    refuse_large_and_not_a_circle(fit.wave, fit.left, float(np.ptp(value)))
    _refuse_unlike_turns(angle, fit.left, _BLAMED[on_face])
    late_deg = abs(float(np.mean(speed))) * lag_u_s
    grid: Floats = np.arange(0.0, _TURN_DEG)
    rows = _rows(grid)
    shown = rows[:, 1:] @ fit.wave[1:]
    variance = float(np.mean(fit.left**2))
    rounded_u = rounded_u_mm(checked.step_mm, variance)
    step_u = rounded_wave_u_mm(checked.step_mm, variance, float(np.ptp(shown)))
    fit = _rounding_told_once(fit, angle, shown, checked.step_mm, rounded_u)
    waves = tuple(
        _wave(fit, times, step_u, late_deg, gauge.stick_mm[1], zero_deg) for times in range(1, HARMONICS + 1)
    )
    return Runout(
        total_mm=_total(fit, rows, shown, rounded_u, gauge),
        eccentricity_mm=waves[0].amplitude_mm,
        high_at_deg=waves[0].high_at_deg,
        ovality_mm=Figure(2.0 * waves[1].amplitude_mm.value, 2.0 * waves[1].amplitude_mm.u95),
        waves=waves,
        turns=float(np.ptp(angle)) / _TURN_DEG,
        drift_mm_turn=fit.drift_mm_turn,
        residual_sd_mm=float(np.std(fit.left)),
        warnings=(*checked.warnings, *_warnings(angle, fit, step_u, on_face)),
        crank_deg=np.mod(grid - zero_deg, _TURN_DEG)[np.argsort(np.mod(grid - zero_deg, _TURN_DEG))],
        reading_mm=shown[np.argsort(np.mod(grid - zero_deg, _TURN_DEG))],
    )


@dataclass(frozen=True, slots=True)
class Swash:
    """How a face is out of square with the axis it turns on.

    Attributes
    ----------
    swash_mm
        From its lowest to its highest where the gauge stands, by the tilt alone.
    tilt_deg
        Between the face and a plane square to the axis.
    """

    swash_mm: Figure
    tilt_deg: Figure


def swash_of(runout: Runout, radius_mm: float) -> Swash:
    """Give the swash of a face from its runout: what it does once a turn; the rest is no tilt.

    What the shaft itself goes to and fro along its axis once a turn cannot be told from a tilt.

    Parameters
    ----------
    radius_mm : float
        Of the circle that the gauge ran on.
    """
    once = runout.waves[0].amplitude_mm
    tilt = math.degrees(math.atan2(once.value, radius_mm))
    return Swash(Figure(2.0 * once.value, 2.0 * once.u95), Figure(tilt, math.degrees(once.u95 / radius_mm)))


def _whole_turn(angle: Floats) -> bool:
    return len(angle) >= _FEWEST and _gap_deg(angle) <= _LARGEST_GAP_DEG


def _gap_deg(angle: Floats) -> float:
    """The most of a turn that was not read."""
    round_deg = np.sort(np.mod(angle, _TURN_DEG))
    return float(np.diff(np.append(round_deg, round_deg[0] + _TURN_DEG)).max()) if len(angle) else _TURN_DEG


def _part_of_a_turn(angle: Floats, checked: CheckedStreams, streams: Streams) -> Refusal:
    """Say what is missing; of a crank that was turned right round, what the computer held up."""
    read = np.isfinite(streams.crank_time_s) & np.isfinite(streams.crank_deg)
    said_s = streams.gauge_time_s[np.isfinite(streams.gauge_time_s) & np.isfinite(streams.gauge_mm)]
    if _whole_turn(np.interp(said_s, streams.crank_time_s[read], streams.crank_deg[read])):
        return was_held_up(checked.waiting)
    return Refusal(
        "not_a_whole_turn",
        f"Of the turn {_gap_deg(angle):.0f} degrees were not read, and {len(angle)} readings are there: turn the crank "
        "slowly right round, once or twice, with the gauge on the part all the way.",
    )


def _rows(angle: Floats) -> Floats:
    turns = np.radians(angle)[:, None] * np.arange(1, HARMONICS + 1)
    both = np.stack([np.cos(turns), np.sin(turns)], axis=2).reshape(len(angle), -1)
    return np.column_stack([np.ones(len(angle)), both])


def _fitted(angle: Floats, value: Floats) -> _Fit:
    """Fit all waves, and a drift where there are turns enough to tell it from a wave."""
    drifts = np.ptp(angle) > _DRIFT_TURNS * _TURN_DEG
    along = (angle - angle.mean()) / _TURN_DEG
    # Readings taken while the crank rested say little more than one: weighed by how far apart they lie.
    design = np.column_stack([_rows(angle), along]) if drifts else _rows(angle)
    weight = _weights(angle)
    normal = design.T @ (design * weight[:, None])
    inverse = np.linalg.inv(normal)
    wave = inverse @ (design.T @ (weight * value))
    left = value - design @ wave
    count = float(weight.sum()) ** 2 / float(weight @ weight)
    freedom = max(count - design.shape[1], 1.0)
    variance = float(weight @ left**2) / float(weight.sum()) * count / freedom
    spread = design.T @ (design * (weight**2)[:, None])
    covariance = variance * inverse @ spread @ inverse
    size = 2 * HARMONICS + 1
    return _Fit(wave[:size], covariance[:size, :size], left, freedom, float(wave[-1]) if drifts else 0.0)


def _weights(angle: Floats) -> Floats:
    """Even over the turn: readings crowded into one place share the weight of the place."""
    place = np.floor(angle / _BIN_DEG).astype(int)
    _, which, count = np.unique(place, return_inverse=True, return_counts=True)
    usual = float(np.median(count))
    return np.minimum(usual / count[which], 1.0)


def _rounding_told_once(fit: _Fit, angle: Floats, shown: Floats, step_mm: float, rounded_u: float) -> _Fit:
    """Leave to chance only what is chance: rounding that neighbours share is told by the step, not by scatter as well.

    Readings share it as far as they lie nearer to one another than a step; beyond that each is rounded by its own chance.
    """
    a_turn = float(np.sum(np.abs(np.diff(shown, append=shown[0]))))
    apart = a_turn / step_mm * float(np.ptp(angle)) / _TURN_DEG / len(angle)
    variance = float(np.mean(fit.left**2))
    shared = max(1.0 - apart, 0.0) * rounded_u**2
    return replace(fit, covariance=fit.covariance * max(1.0 - shared / max(variance, 1e-18), 0.0))


def _wave(fit: _Fit, times: int, step_u: float, late_deg: float, stick_mm: float, zero_deg: float) -> Wave:
    """One wave of so many times a turn: its height and where it is high, by scatter, step and a sticking plunger."""
    at = slice(2 * times - 1, 2 * times + 1)
    cosine, sine = fit.wave[at]
    own = fit.covariance[at, at]
    amplitude = float(np.hypot(cosine, sine))
    if amplitude > 0.0:
        along = np.array([cosine, sine]) / amplitude
        across = np.array([-along[1], along[0]])
    else:
        along, across = np.array([1.0, 0.0]), np.array([0.0, 1.0])
    # A plunger that sticks trails by a square wave, a quarter turn behind the motion: it turns the main wave more than
    # it heightens it, and adds its own overtones.
    trails = 4.0 / np.pi * stick_mm / times
    heightens = min(trails, trails**2 / max(2.0 * amplitude, 1e-9)) if times == 1 else trails
    told = expand(
        [
            Component("scatter", float(np.sqrt(along @ own @ along)), fit.freedom),
            Component("step", step_u),
            Component("retrace", float(heightens)),
        ]
    )
    turned = float(np.sqrt(across @ own @ across + step_u**2 + trails**2)) / max(amplitude, 1e-9)
    u_deg = float(np.hypot(np.degrees(turned) / times, late_deg))
    high = np.degrees(np.arctan2(sine, cosine)) / times - zero_deg
    most = 0.5 * _TURN_DEG / times
    return Wave(
        times,
        Figure(amplitude, told.expanded),
        Figure(float(np.mod(high, _TURN_DEG / times)), min(2.0 * u_deg, most)),
    )


def _total(fit: _Fit, rows: Floats, shown: Floats, rounded_u: float, gauge: GaugeFacts) -> Figure:
    row = rows[int(np.argmax(shown))] - rows[int(np.argmin(shown))]
    parts = [
        Component("scatter", float(np.sqrt(row @ fit.covariance @ row)), fit.freedom),
        # Round its top and its bottom the reading rests in one step each: nothing makes up for either.
        Component("step", rounded_u * np.sqrt(2.0)),
        # Up one side and down the other: a plunger that sticks takes its retrace off the swing.
        Component("retrace", 2.0 * gauge.stick_mm[1]),
    ]
    return Figure(float(np.ptp(shown)), expand(parts).expanded)


def _refuse_knocked(angle: Floats, value: Floats, step_mm: float, blamed: str) -> None:
    """A stand that is knocked steps once and stays there, which waves and drift together would half take up."""
    along = (angle - angle.mean()) / _TURN_DEG
    plain = np.column_stack([_rows(angle), along])
    basis, _ = np.linalg.qr(plain)
    left = value - basis @ (basis.T @ value)
    freedom = max(len(value) - plain.shape[1] - 1, 1)
    edges = np.arange(angle.min() + _BIN_DEG, angle.max() - _BIN_DEG, _BIN_DEG / 2.0)
    after = (angle[:, None] > edges).astype(float)
    after -= basis @ (basis.T @ after)
    told = np.einsum("ij,ij->j", after, after)
    size = (after.T @ left) / np.maximum(told, 1e-9)
    rest = np.maximum(left @ left - size**2 * told, 1e-12) / freedom
    sure = np.abs(size) * np.sqrt(told / np.maximum(rest, step_mm**2 / 12.0))
    worst = int(np.argmax(sure))
    if sure[worst] > _KNOCK_SURE and abs(size[worst]) > _LEAST_STEP_MM:
        raise Refusal(
            "does_not_repeat",
            f"The reading jumped by {abs(size[worst]):.3f} mm and stayed there: {blamed}{valve_too(abs(size[worst]))}",
        )


def _turn_means(angle: Floats, left: Floats) -> tuple[Floats, Floats, Floats]:
    """Place round the turn, mean of what is left there, and standard uncertainty, by every bin of every turn."""
    place = np.floor(angle / _BIN_DEG).astype(int)
    bins, which, count = np.unique(place, return_inverse=True, return_counts=True)
    mean = np.bincount(which, left) / count
    sd = float(np.sqrt(np.mean((left - mean[which]) ** 2)))
    return bins, mean, np.maximum(sd, 1e-6) / np.sqrt(count)


def _refuse_unlike_turns(angle: Floats, left: Floats, blamed: str) -> None:
    """The same place read on two turns must read the same: else the stand was knocked or something is loose."""
    bins, mean, u = _turn_means(angle, left)
    around = round(_TURN_DEG / _BIN_DEG)
    at = {int(one): k for k, one in enumerate(bins)}
    pairs = [(at[one], at[one + around]) for one in at if one + around in at]
    if len(pairs) < around // 3:
        return
    first, second = np.array(pairs).T
    apart = mean[second] - mean[first]
    sure = np.hypot(u[first], u[second])
    bad = (np.abs(apart) > _SURE * sure) & (np.abs(apart) > _LEAST_STEP_MM)
    if np.count_nonzero(bad) > len(pairs) // 4:
        raise Refusal(
            "does_not_repeat",
            f"The second turn reads up to {np.abs(apart).max():.3f} mm off the first at the same places: {blamed}"
            f"{valve_too(float(np.abs(apart).max()))}",
        )


def _warnings(angle: Floats, fit: _Fit, step_u: float, on_face: bool) -> list[Warn]:
    """What the waves leave over, and what one turn cannot show."""
    _, mean, u = _turn_means(angle, fit.left)
    found = []
    rough = float(np.sqrt(np.mean(mean**2)))
    expected = float(np.sqrt(np.mean(u**2)) + step_u)
    if rough > _LEFT_OVER * expected and rough > 0.5 * _LEAST_STEP_MM:
        found.append(
            Warn(
                "more_than_five_lobes",
                f"What five waves a turn leave over repeats from place to place, {rough:.3f} mm rms: a keyway, an oil "
                f"hole, dirt, a stand that was knocked, {_FLOATED if on_face else ''}or a surface that is rougher than "
                "round. Clean it and look at the readings.",
            )
        )
    if np.ptp(angle) < _DRIFT_TURNS * _TURN_DEG:
        found.append(
            Warn(
                "turned_once",
                "One turn was made, so a shaft that floats would look like swash: push it one way and turn once more."
                if on_face
                else "One turn was made, so a stand that gives would look like runout: turn once more to prove it.",
            )
        )
    return found
