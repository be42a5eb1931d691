"""A gauge's readings that were kept back on their way are known by its own pace, whatever the encoder says."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.readings.late_by_pace import find_late_readings


def kept_back(time_s: np.ndarray, from_s: float, until_s: float) -> tuple[np.ndarray, np.ndarray]:
    """What was due in a stall arrives at its end; also how late each came."""
    arrived_s = np.where((time_s >= from_s) & (time_s < until_s), until_s, time_s)
    return arrived_s, arrived_s - time_s


@pytest.mark.parametrize("rate_hz", [8.0, 10.0, 18.0, 50.0])
@pytest.mark.parametrize("for_s", [0.02, 0.06, 0.17])
def test_what_a_stall_kept_back_is_found_and_nothing_else(rate_hz: float, for_s: float) -> None:
    chance = np.random.default_rng([20261129, int(rate_hz), int(1000 * for_s)])
    due_s = np.cumsum(np.full(300, 1.0 / rate_hz)) + chance.normal(0.0, 0.0005, 300)
    for _ in range(40):
        arrived_s, late_s = kept_back(due_s, at_s := chance.uniform(1.0, due_s[-1] - 1.0), at_s + for_s)
        found = find_late_readings(arrived_s)
        assert found[late_s > 0.01].all()
        assert not found[late_s == 0.0].any()


def test_readings_that_never_came_make_no_other_late() -> None:
    chance = np.random.default_rng(1)
    due_s = np.cumsum(np.full(400, 0.1)) + chance.normal(0.0, 0.001, 400)
    assert not find_late_readings(due_s[chance.random(400) > 0.1]).any()


@pytest.mark.parametrize("drift", [-0.01, 0.01])
def test_a_clock_that_wanders_by_a_hundredth_makes_none_late(drift: float) -> None:
    pace_s = 0.055 * (1.0 + drift * np.sin(np.arange(1000) / 150.0))
    assert not find_late_readings(np.cumsum(pace_s)).any()


def test_a_gauge_that_keeps_no_pace_cannot_be_told_late() -> None:
    chance = np.random.default_rng(2)
    assert not find_late_readings(np.cumsum(chance.exponential(0.1, 500))).any()


def test_one_that_comes_in_pairs_as_its_adapter_gathers_them_is_left_alone() -> None:
    due_s = np.arange(0.0, 30.0, 0.011)
    assert not find_late_readings(np.ceil(due_s / 0.016) * 0.016).any()
