"""The crank's motion drawn through an encoder's counts: as smooth as the hand, and as uncertain as it says.

The courses are made here; no simulator, no formula of the analysis.
"""

from __future__ import annotations

import numpy as np
import pytest

from analysis.base import changes
from analysis.readings import follow_crank
from analysis.readings.crank_smoothing import smooth_motion

STEP_S = 0.005


def test_a_parabola_passes_unchanged() -> None:
    place = np.linspace(0.0, 400.0, 391)
    course = 3.0 + 0.2 * place - 0.004 * place**2
    drawn = smooth_motion(place, course, np.full(391, 0.01), np.full(401, 5e-5), STEP_S)
    assert drawn is not None
    line = np.interp(place, np.arange(401), drawn[0])
    assert line == pytest.approx(course, abs=0.0011), "straight lines between the points leave 0.004 / 4"


def test_too_few_knots_tell_no_motion() -> None:
    assert smooth_motion(np.arange(4.0), np.arange(4.0), np.ones(4), np.ones(40), STEP_S) is None


def test_noise_of_a_steady_sweep_is_smoothed_away_and_what_is_left_is_told() -> None:
    ratios, left = [], []
    for seed in range(20):
        rng = np.random.default_rng(seed)
        place = np.arange(0.0, 800.0)
        steady = 0.15 * place + 0.3 * np.sin(place / 200.0)
        noisy = steady + 0.03 * rng.standard_normal(800)
        drawn = smooth_motion(place, noisy, np.full(800, 0.03**2), np.full(801, 0.03**2 * STEP_S), STEP_S)
        assert drawn is not None
        off = (drawn[0][:800] - steady)[50:-50]
        ratios.append(np.mean(off**2) / np.mean(drawn[1]))
        left.append(np.std(off))
    assert np.mean(left) < 0.3 * 0.03
    assert 0.5 < np.mean(ratios) < 1.6, "the variance told, against what is left"


def start_and_stop(time_s: np.ndarray, speed_deg_s: float) -> np.ndarray:
    """At rest, eased within a sixth of a second to a speed and back to rest, three times over."""
    tick = 0.0005
    grid = np.arange(0.0, 8.0, tick)
    within = grid % 1.2
    pace = np.clip(np.minimum(within - 0.4, 1.0 - within) / 0.16, 0.0, 1.0)
    return np.interp(time_s, grid, np.cumsum(0.5 * (1.0 - np.cos(np.pi * pace))) * speed_deg_s * tick)


@pytest.mark.parametrize("count_deg", [0.1, 0.018])
@pytest.mark.parametrize("speed_deg_s", [15.0, 60.0])
def test_a_start_or_a_stop_is_neither_cut_off_nor_carried_on(count_deg: float, speed_deg_s: float) -> None:
    """Where the crank moves, the mean error stays far below a count: a bent start would lean one way."""
    means, squares = [], []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        time_s = np.arange(rng.uniform(0.0, 0.005), 7.2, 0.005)
        zero = rng.uniform(0.0, 1.0)
        shown = (np.floor(start_and_stop(time_s, speed_deg_s) / count_deg + zero) + 0.5 - zero) * count_deg
        motion = follow_crank(time_s, shown)
        asked = np.arange(0.5, 7.0, 0.001)
        true, later = (start_and_stop(at, speed_deg_s) for at in (asked, asked + 0.002))
        starting = (asked % 1.2 > 0.45) & (asked % 1.2 < 0.6) & (later - true > 0.001)
        off = (motion.angle_deg(asked) - true)[starting]
        means.append(np.mean(off))
        squares.append(np.mean((off / motion.u_deg(asked)[starting]) ** 2))
    assert abs(np.mean(means)) < 0.1 * count_deg
    assert np.sqrt(np.mean(squares)) < 1.6


def wavering(time_s: np.ndarray, speed_deg_s: float) -> np.ndarray:
    """A hand about a speed, faster and slower by one part in a hundred over some seconds."""
    return speed_deg_s * (time_s + 0.01 * 1.7 * np.sin(time_s / 1.7))


@pytest.mark.parametrize("counts_a_line", [0.34, 0.96, 1.06, 2.04])
def test_counts_and_lines_that_nearly_keep_step_are_not_taken_for_an_unsteady_hand(
    counts_a_line: float,
) -> None:
    """A few lines on, each reading is off by nearly what the one before was: a slow wave of half a count."""
    count_deg, line_s = 0.1, 0.005
    time_s = np.arange(0.0, 30.0, line_s)
    true = wavering(time_s, counts_a_line * count_deg / line_s)
    motion = follow_crank(time_s, (np.floor(true / count_deg) + 0.5) * count_deg)
    asked = np.arange(2.0, 28.0, 0.013)
    off = motion.angle_deg(asked) - wavering(asked, counts_a_line * count_deg / line_s)
    assert np.std(off) < 0.15 * count_deg
    assert np.std(np.diff(off)) < 0.03 * count_deg


def test_lines_inside_a_stand_change_nothing() -> None:
    time_s = np.arange(0.0, 7.2, 0.005)
    shown = (np.floor(start_and_stop(time_s, 30.0) / 0.1) + 0.5) * 0.1
    kept = changes(shown)
    assert np.count_nonzero(kept) < 0.8 * len(kept)
    whole, thinned = follow_crank(time_s, shown), follow_crank(time_s[kept], shown[kept])
    asked = np.arange(0.2, 7.0, 0.003)
    assert whole.lines == thinned.lines
    assert np.array_equal(whole.angle_deg(asked), thinned.angle_deg(asked))
    assert np.array_equal(whole.u_deg(asked), thinned.u_deg(asked))
