"""What a lobe's trace can tell of its centre at most, from the simulator's truth: a Cramér-Rao bound."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from tdc_bound import alike as kept_step
from tdc_bound import knots_of

from simulated_devices.traces import Setup, Trace
from simulated_devices.traces.random_benches import Known

DROP_MM = 1.27
KNOTS_DEG = (12.0, 9.0, 6.0, 4.0, 3.0)
UNKNOWN_LAG_U_S = 0.04
MISSED = 0.5


def bound_deg(trace: Trace, known: Known) -> float:
    """Least standard deviation that any unbiased centre at the drop can have, degrees (Cramér-Rao).

    The readings forward of a nose are the true curve where the crank stood one lag before, with independent
    errors of the display's step, the gauge's noise and its jitter times the plunger's speed. Unknown are the
    curve (splines with even knots and free coefficients: any smooth lobe), its base level through them, and the
    lag, with what is known of it beforehand: of any gauge, that it lies between 10 and 150 ms. The crank is known
    to one line's way of its counter and to one count where it rests; readings taken at one place share their
    rounding. Where counts and lines keep step every edge waits equally long for its line (`tdc_bound`): such a stretch
    has one more unknown, by how much all its angles are off.

    Of the lag the readings tell only what no other smooth lobe would: later by dt, the curve f reads f - f' v dt
    at a place turned through at speed v, and where v is a smooth function of place, as in one steady pass, that is
    a smooth lobe as well. Nobody at the bench knows that it is another one; splines do, because f' v does not lie
    among them, and so would tell a lag to a millisecond from one steady pass. What is left is the efficient
    information for a parameter beside an unknown function (Bickel et al. 1993, Efficient and Adaptive Estimation
    for Semiparametric Models, section 3.4): that of f' (v - m), m being the speed usual at each place, itself in
    splines. An error of the lag moves the curve by m, and the centre by the mean of m at the pair. An error common to
    the angles of a stretch is such a parameter as well, its "speed" 1 within the stretch and 0 elsewhere.

    The knots are as far apart as the true lobe allows, 12 degrees or less: what its splines miss of it must not
    move the lag by more than half of its standard deviation, or the bound would be that of another lobe.
    """
    seen = forward_of(trace)
    prior = 1.0 / (known.lag_u_s if known.lag_u_s is not None else UNKNOWN_LAG_U_S) ** 2
    for knot_deg in KNOTS_DEG:
        u_deg, missed = bound_at(trace, seen, knot_deg, prior)
        if missed < MISSED:
            break
    return u_deg


@dataclass(frozen=True)
class Forward:
    """The readings forward of a nose: place from it, crank speed, true slope, lift and variance.

    `common` marks, a column each, readings whose angles share one error; `common_deg2` is its variance.
    """

    phase_deg: np.ndarray
    speed_deg_s: np.ndarray
    slope_mm_deg: np.ndarray
    lift_mm: np.ndarray
    variance_mm2: np.ndarray
    common: np.ndarray
    common_deg2: np.ndarray


def forward_of(trace: Trace) -> Forward:
    gauge, setup = trace.mounting.gauge, trace.setup
    at_s = trace.gauge_time_s - setup.start_s - gauge.lag_s + setup.motion.time_s[0]
    crank = setup.motion.at(at_s)
    speed = (setup.motion.at(at_s + 0.01) - setup.motion.at(at_s - 0.01)) / 0.02
    truth = setup.engine.truth_of(trace.touches)
    sprocket = setup.engine.sprocket_deg(trace.touches, setup.motion.crank_deg)
    behind = crank - np.interp(at_s, setup.motion.time_s, sprocket)
    forward = np.abs(behind - np.quantile(behind, 0.98)) < 0.05 * truth.slack_deg + 0.02
    around = (crank - truth.full_lift_deg + 360.0) % 720.0 - 360.0
    use = forward & (np.abs(around) < 150.0)
    phase, speed = around[use], speed[use]
    slope = slope_of(trace, phase)
    variance = gauge.noise_mm**2 + (gauge.jitter_s * slope * speed) ** 2
    common, common_deg2 = common_errors(trace, (trace.gauge_time_s - gauge.lag_s)[use])
    own_deg = np.where(common.any(axis=1), 0.0, angle_deg(setup, speed))
    variance += alike(phase) * (gauge.step_mm**2 + (slope * own_deg) ** 2) / 12.0
    lift = truth.lift_at_mm(phase + truth.full_lift_deg)
    return Forward(phase, speed, slope, lift, variance, common, common_deg2)


def common_errors(trace: Trace, shown_s: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Readings within each stretch in which counts and lines keep step, a column each; the variance of its error."""
    knots = knots_of(trace)
    runs = [run for run in kept_step(knots) if not knots.rest[run[0]]]
    within = [(knots.time_s[run[0]] <= shown_s) & (shown_s <= knots.time_s[run[-1]]) for run in runs]
    some = [number for number, inside in enumerate(within) if inside.any()]
    columns = np.array([within[number] for number in some], dtype=float).reshape(len(some), len(shown_s))
    return columns.T, np.array([np.mean(knots.variance_deg2[runs[number]]) for number in some])


def bound_at(trace: Trace, seen: Forward, knot_deg: float, prior: float) -> tuple[float, float]:
    """The bound with knots so far apart, and by how many standard deviations what they miss moves the lag."""
    rows, weight = splines(seen.phase_deg, knot_deg), 1.0 / seen.variance_mm2
    pair, gradient = equal_pair(trace), centre_gradient(trace, knot_deg)
    curve = inverse_of(rows, weight)
    worth = seen.slope_mm_deg**2 * weight
    # By how much an unknown moves the angle at each reading: the lag, and what is common to a stretch.
    moves = np.column_stack([seen.speed_deg_s, seen.common])
    usual = inverse_of(rows, worth) @ (rows.T @ (worth[:, None] * moves))
    contrast = seen.slope_mm_deg[:, None] * (moves - rows @ usual)
    before = np.diag(np.append(prior, 1.0 / seen.common_deg2))
    unknown = np.linalg.inv((contrast * weight[:, None]).T @ contrast + before)
    missed = seen.lift_mm - rows @ (curve @ (rows.T @ (weight * seen.lift_mm)))
    by_unknown = np.mean(splines(pair, knot_deg) @ usual, axis=0)
    u_deg = float(np.sqrt(gradient @ curve @ gradient + by_unknown @ unknown @ by_unknown))
    seems_s = float((unknown @ (contrast.T @ (weight * missed)))[0])
    return u_deg, abs(seems_s) / float(np.sqrt(unknown[0, 0]))


def inverse_of(rows: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """Covariance of what weighted rows tell; nought where they tell nothing."""
    return np.linalg.pinv((rows * weight[:, None]).T @ rows, rcond=1e-12, hermitian=True)


def alike(phase_deg: np.ndarray) -> np.ndarray:
    """How many readings were taken at the same place, one count of roundings for all of them."""
    _, which, count = np.unique(np.round(phase_deg, 2), return_inverse=True, return_counts=True)
    return count[which].astype(float)


def angle_deg(setup: Setup, speed: np.ndarray) -> np.ndarray:
    """Full width of what the counter leaves open of the angle."""
    count = 360.0 / setup.encoder.counts_per_turn
    return np.where(np.abs(speed) < 0.5, count, np.minimum(count, np.abs(speed) / setup.encoder.rate_hz))


def splines(phase_deg: np.ndarray, knot_deg: float) -> np.ndarray:
    """Cubic B-splines with even knots over the lobe, by their closed form."""
    place = (phase_deg[:, None] - np.arange(-156.0, 157.0, knot_deg)) / knot_deg
    far = np.abs(place)
    return np.where(far < 1.0, 2 / 3 - far**2 + far**3 / 2, np.where(far < 2.0, (2.0 - far) ** 3 / 6, 0.0))


def slope_of(trace: Trace, from_nose_deg: np.ndarray) -> np.ndarray:
    truth = trace.setup.engine.truth_of(trace.touches)
    at = from_nose_deg + truth.full_lift_deg
    return (truth.lift_at_mm(at + 0.05) - truth.lift_at_mm(at - 0.05)) / 0.1


def equal_pair(trace: Trace) -> np.ndarray:
    """The two places, from the nose, at which the true curve stands a drop below its top."""
    truth = trace.setup.engine.truth_of(trace.touches)
    around = np.linspace(-140.0, 140.0, 28_001)
    lift = truth.lift_at_mm(around + truth.full_lift_deg)
    above = np.flatnonzero(lift > lift.max() - DROP_MM)
    return around[[above[0], above[-1]]]


def centre_gradient(trace: Trace, knot_deg: float) -> np.ndarray:
    """Change of the centre with each coefficient of the curve, from the true slopes at the pair."""
    top, pair = splines(np.zeros(1), knot_deg)[0], equal_pair(trace)
    return 0.5 * sum(
        (top - row) / slope for row, slope in zip(splines(pair, knot_deg), slope_of(trace, pair), strict=True)
    )
