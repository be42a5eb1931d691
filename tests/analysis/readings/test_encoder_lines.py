"""What the encoder's lines are taken to be worth: exact where they come evenly, less where they are shaken.

The streams are made here from a plain course of the crank; no simulator, no formula of the analysis.
"""

from __future__ import annotations

import numpy as np
import pytest

from analysis.base import Refusal
from analysis.readings import follow_crank, refuse_slip
from analysis.readings.crank_late import find_late_lines


def lines(
    speed_deg_s: float,
    rate_hz: float,
    count_deg: float,
    *,
    spread_s: float = 0.0,
    frugal: bool = False,
    seed: int = 0,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Arrival times, angles at the middle of the count, and the crank's true angle at 100 Hz after 0.5 s."""
    rng = np.random.default_rng([20261125, seed])
    sent_s = np.arange(rng.uniform(0, 1 / rate_hz), 20.0, 1 / rate_hz)
    phase, depth = rng.uniform(0, 6), rng.uniform(0.0, 0.15)

    def crank_deg(t: np.ndarray) -> np.ndarray:
        return speed_deg_s * (t - depth * np.cos(0.9 * t + phase) / 0.9)

    shown = (np.floor(crank_deg(sent_s) / count_deg) + 0.5) * count_deg
    arrived_s = np.maximum.accumulate(sent_s + rng.uniform(-spread_s, spread_s, sent_s.size))
    keep = np.append(True, np.diff(shown) != 0.0) if frugal else np.ones(sent_s.size, dtype=bool)
    return arrived_s[keep], shown[keep], crank_deg(np.arange(0.5, 19.5, 0.01))


AT_S = np.arange(0.5, 19.5, 0.01)


@pytest.mark.parametrize(
    ("speed", "rate", "count"), [(11.0, 500.0, 0.15), (25.0, 500.0, 0.18), (11.5, 200.0, 0.25)]
)
def test_lines_that_come_evenly_cost_a_steady_turn_nothing(speed: float, rate: float, count: float) -> None:
    for seed in range(5):
        time_s, shown, true = lines(speed, rate, count, seed=seed)
        motion = follow_crank(time_s, shown)
        assert np.median(motion.u_deg(AT_S)) < 0.1 * count
        density_deg = np.sqrt(np.median(motion.noise(AT_S).density_deg2_s) * 10.0)
        assert density_deg < 0.2 * count, "as ten readings a second see it"
        assert np.std(motion.angle_deg(AT_S) - true) < 0.1 * count


@pytest.mark.parametrize("frugal", [False, True], ids=["every line", "unchanged counts left out"])
def test_shaken_lines_are_trusted_no_more_than_they_deserve(frugal: bool) -> None:
    ratios = []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        speed, rate, count = (
            rng.uniform(8.0, 50.0),
            rng.choice([100.0, 200.0]),
            rng.choice([0.036, 0.088, 0.18]),
        )
        spread_s = rng.uniform(0.001, 0.4 / rate)
        time_s, shown, true = lines(speed, rate, count, spread_s=spread_s, frugal=frugal, seed=seed)
        motion = follow_crank(time_s, shown)
        off = motion.angle_deg(AT_S) - true
        # A lag of all lines alike is the gauge's business.
        off -= np.mean(off)
        means = off.reshape(-1, 50).mean(axis=1)
        told = np.sqrt(np.mean(motion.noise(AT_S).density_deg2_s) / 0.5)
        ratios.append(np.sqrt(np.mean(means**2)) / told)
    assert np.median(ratios) < 1.5
    assert max(ratios) < 3.0


@pytest.mark.parametrize("slip_deg", [-8.0, 3.0])
def test_a_step_that_no_crank_makes_is_a_slip(slip_deg: float) -> None:
    time_s, shown, _ = lines(20.0, 200.0, 0.1)
    refuse_slip(time_s, shown, 0.1)
    slipped = shown + np.where(time_s > 9.7, slip_deg, 0.0)
    with pytest.raises(Refusal) as refused:
        refuse_slip(time_s, slipped, 0.1)
    assert refused.value.code == "encoder_slipped"
    assert "9.7 s" in refused.value.message


def test_a_crank_that_turned_while_no_line_came_has_not_slipped() -> None:
    time_s, shown, _ = lines(20.0, 200.0, 0.1)
    heard = (time_s < 9.0) | (time_s > 9.6)
    refuse_slip(time_s[heard], shown[heard], 0.1)


def held_up(time_s: np.ndarray, at_s: float, for_s: float, line_s: float) -> np.ndarray:
    """Arrival times of which those within a stall are kept back to its end, a line's length apart."""
    arrived_s = time_s.copy()
    kept_back = np.flatnonzero((time_s >= at_s) & (time_s < at_s + for_s))
    arrived_s[kept_back] = at_s + for_s - line_s * np.arange(len(kept_back))[::-1]
    return arrived_s


@pytest.mark.parametrize(
    ("speed", "rate", "count"), [(20.0, 100.0, 0.1), (35.0, 500.0, 0.36), (-25.0, 200.0, 0.18)]
)
@pytest.mark.parametrize("for_s", [0.06, 0.15, 0.3])
def test_lines_that_a_stall_kept_back_are_told_by_the_leap(
    speed: float, rate: float, count: float, for_s: float
) -> None:
    for seed in range(5):
        time_s, shown, _ = lines(speed, rate, count, seed=seed)
        assert not find_late_lines(time_s, shown).any()
        arrived_s = held_up(time_s, 6.0, for_s, 0.1 / rate)
        arrived_s = held_up(arrived_s, 13.0, for_s, 0.02 / rate)
        late = find_late_lines(arrived_s, shown)
        wrong_deg = np.abs(speed) * (arrived_s - time_s)
        assert not late[arrived_s == time_s].any()
        assert late[wrong_deg > 0.5].all()


def test_one_line_kept_back_with_a_fresh_one_behind_it_is_told() -> None:
    """As a counter that waits for its wire sends them: one old line, and at once the next, quite new."""
    time_s, shown, _ = lines(25.0, 100.0, 0.1)
    held = np.flatnonzero((time_s >= 8.0) & (time_s < 8.2))
    arrived_s = time_s.copy()
    arrived_s[held[0]] = time_s[held[-1] + 1] - 0.0004
    kept = np.delete(np.arange(len(time_s)), held[1:])
    assert np.flatnonzero(find_late_lines(arrived_s[kept], shown[kept])).tolist() == [held[0]]


def test_a_slip_while_the_lines_were_kept_back_is_still_a_slip() -> None:
    time_s, shown, _ = lines(20.0, 200.0, 0.1)
    arrived_s = held_up(time_s, 9.5, 0.1, 0.0004)
    slipped = shown + np.where(time_s > 9.59, 8.0, 0.0)
    late = find_late_lines(arrived_s, slipped)
    with pytest.raises(Refusal):
        refuse_slip(arrived_s[~late], slipped[~late], 0.1)


@pytest.mark.parametrize("frugal", [False, True], ids=["every line", "unchanged counts left out"])
def test_a_crank_that_starts_after_a_stand_is_not_taken_for_lines_kept_back(frugal: bool) -> None:
    rng = np.random.default_rng(20261126)
    time_s = np.arange(0.0, 40.0, 0.005) + rng.uniform(-0.002, 0.002, 8000)
    # Stands of 0.5 to 2 s, each followed by a turn that is as fast as a hand makes it within 60 ms.
    speed = np.repeat(rng.choice([0.0, 10.0, 45.0], 40, p=[0.4, 0.3, 0.3]), 200)
    speed = np.convolve(speed, np.full(12, 1.0 / 12.0), mode="same")
    shown = (np.floor(np.cumsum(speed) * 0.005 / 0.1) + 0.5) * 0.1
    keep = np.append(True, np.diff(shown) != 0.0) if frugal else np.ones(len(time_s), dtype=bool)
    assert not find_late_lines(time_s[keep], shown[keep]).any()


@pytest.mark.parametrize("gap_s", [0.03, 0.07, 0.1, 0.25])
@pytest.mark.parametrize(("speed", "rate", "count"), [(20.0, 500.0, 0.15), (30.0, 100.0, 0.09)])
def test_a_crank_that_turned_on_in_a_gap_is_not_taken_to_have_rested(
    gap_s: float, speed: float, rate: float, count: float
) -> None:
    for seed in range(5):
        time_s, shown, true = lines(speed, rate, count, seed=seed)
        heard = (time_s < 9.0) | (time_s > 9.0 + gap_s)
        motion = follow_crank(time_s[heard], shown[heard])
        near = np.abs(AT_S - 9.0 - 0.5 * gap_s) < 0.1 + 0.5 * gap_s
        off = motion.angle_deg(AT_S) - true
        # A lag of all lines alike is the gauge's business.
        off = np.abs(off - np.mean(off))[near]
        assert np.all(off < np.maximum(3.0 * motion.u_deg(AT_S[near]), 0.3 * count))
        assert np.all(motion.speed_deg_s(AT_S[near]) > 0.6 * speed)


def test_a_counter_that_is_turned_for_an_hour_keeps_its_count() -> None:
    """A line a count, some 390,000 of them: the count is as large as in a short trace, and so is the trust in it."""
    time_s = np.arange(0.0, 3600.0, 0.009)
    crank_deg = 11.0 * time_s + 3.0 * np.sin(0.5 * time_s)
    count = np.round(crank_deg / 0.1)
    edges = np.flatnonzero(np.diff(count)) + 1
    motion = follow_crank(time_s[edges], 0.1 * count[edges])
    assert motion.count_deg == pytest.approx(0.1)
    asked_s = np.linspace(10.0, 3590.0, 500)
    assert np.max(np.abs(motion.angle_deg(asked_s) - np.interp(asked_s, time_s, crank_deg))) < 0.2
