"""A clock by which a gauge measures is found in how late its readings are, and never where there is none."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.base import Streams
from analysis.own_clock import ClockWatch, Ticks, find_ticks
from analysis.own_clock.placing import Placing


def lateness(seed: int, says_hz: float, period_s: float | None, shaken_s: float = 0.003):
    """A plunger that goes to and fro by a sine, said with the age of a value that was measured by a clock, or without."""
    rng = np.random.default_rng([seed, 3])
    said_s = rng.uniform(0.0, 0.1) + np.arange(0.0, 30.0, 1.0 / says_hz)
    shaken = said_s - rng.normal(0.0, shaken_s, said_s.size)
    first_s = rng.uniform(0.0, 0.1)
    at_s = shaken if period_s is None else first_s + period_s * np.floor((shaken - first_s) / period_s)
    mm = np.round(20.0 * np.cos(at_s), 2)
    rate = 20.0 * np.sin(said_s)
    off = mm - 20.0 * np.cos(said_s)
    return said_s, off, rate, first_s


def found_in(said_s, off, rate, jitter_s=0.03):
    return find_ticks(
        said_s, off, rate[:, None], rate, still_mm2=np.full(rate.size, 0.01**2 / 12.0), jitter_s=jitter_s
    )


@pytest.mark.parametrize("says_hz", [10.0, 20.0, 30.0])
@pytest.mark.parametrize("period_s", [0.0817, 0.1043, 0.1237])
def test_the_clock_is_found_to_what_is_told_of_it(says_hz, period_s):
    for seed in range(4):
        said_s, off, rate, first_s = lateness(seed, says_hz, period_s)
        (told,) = found_in(said_s, off, rate)
        assert told.period_s == pytest.approx(period_s, rel=1e-3)
        behind_s = (told.first_s - first_s + 0.5 * period_s) % period_s - 0.5 * period_s
        assert abs(behind_s) < 4.0 * max(told.u_s, 0.001)


@pytest.mark.parametrize(("least_s", "most_s"), [(0.001, 0.005), (0.012, 0.015)])
def test_places_and_periods_lie_as_far_off_as_is_told_of_them(least_s: float, most_s: float) -> None:
    """Of lines that are late unevenly, as most gauges are or as the worst, in three stretches, as flanks are passed."""
    off = []
    for seed in range(60):
        rng = np.random.default_rng([seed, 8])
        period_s, shaken_s = 1.0 / rng.uniform(8.0, 12.0), rng.uniform(least_s, most_s)
        said_s = np.arange(rng.uniform(0.0, 0.1), 24.0, 1.0 / rng.choice([10.0, 20.0, 30.0]))
        said_s = said_s[(said_s < 4.0) | (said_s > 21.0) | ((said_s > 6.0) & (said_s < 8.0))]
        first_s = 12.0 + rng.uniform(0.0, period_s)
        late_s = rng.uniform(-1.0, 1.0, said_s.size) * 3.0**0.5 * shaken_s
        tick = np.floor((said_s - late_s - first_s) / period_s)
        since_s = said_s - first_s - tick * period_s
        along = np.concatenate((tick, tick + 1.0)) * period_s / 12.0
        room_s = np.concatenate((since_s, period_s - since_s))
        placed = Placing(0.12 * period_s, room_s, np.repeat((-1.0, 1.0), tick.size), along)
        off.append((placed.shift_s / placed.shift_u_s, placed.drift_s / placed.drift_u_s))
    assert 0.6 < np.std(off) < 1.3
    assert np.mean(np.abs(off) > 3.0) < 0.03


def test_ticks_that_no_line_comes_near_are_told_as_loosely_as_that():
    """Three lines to a measurement, always the same three: within a third of a period nothing tells where the tick is."""
    said_s = np.arange(0.0, 20.0, 0.1 / 3.0) + 0.005
    tick = np.floor(said_s / 0.1)
    room_s = np.concatenate((said_s - 0.1 * tick, 0.1 * (tick + 1.0) - said_s))
    along = np.concatenate((tick - 100.0, tick - 99.0)) / 100.0
    placed = Placing(0.012, room_s, np.repeat((-1.0, 1.0), tick.size), along)
    assert placed.shift_u_s > 0.005
    assert placed.drift_u_s > 0.003


def test_a_period_is_mistaken_for_those_at_which_values_are_as_old_at_every_line():
    said_s = np.arange(0.0, 20.0, 0.1)
    for longer_s in Ticks(0.0231, 0.0).mistaken_for(0.1):
        assert longer_s > 0.0231
        gone = said_s / longer_s - said_s / 0.0231
        assert gone == pytest.approx(np.round(gone), abs=1e-9)
    assert Ticks(0.0917, 0.0).mistaken_for(0.1) == []


@pytest.mark.parametrize("shaken_s", [0.01, 0.03, 0.06])
def test_none_is_found_where_readings_are_late_by_chance(shaken_s):
    for seed in range(4):
        said_s, off, rate, _ = lateness(seed, 12.0, None, shaken_s)
        assert found_in(said_s, off, rate, shaken_s) == []


def test_each_measurement_counts_once_and_is_half_a_tick_late_on_the_average():
    said_s = np.arange(0.0, 10.0, 0.033)
    measured = np.floor(said_s / 0.1)
    streams = Streams(said_s, said_s, said_s, measured)
    seen = Ticks(0.1, 0.0).as_measured(streams)
    assert np.all(np.diff(seen.gauge_mm) == 1.0)
    assert seen.gauge_time_s == pytest.approx(0.1 * seen.gauge_mm + 0.05)


def apart(seed: int):
    """Four passes, each late or early by its own 40 ms or less, as a cam that comes otherwise each time; no clock in it."""
    rng = np.random.default_rng([seed, 11])
    said_s = np.arange(0.0, 40.0, 1.0 / 7.45)
    passes = (said_s // 10.0).astype(np.intp)
    late_s = rng.permutation([-0.04, -0.015, 0.015, 0.04])[passes] + rng.normal(0.0, 0.001, said_s.size)
    rate = 20.0 * np.sin(2.0 * np.pi * said_s / 10.0)
    return said_s, late_s * rate, rate, passes


def test_passes_that_stand_apart_are_no_clock_that_beats_slowly():
    seeming = 0
    for seed in range(8):
        said_s, off, rate, passes = apart(seed)
        still = np.full(rate.size, 0.01**2 / 12.0)
        seeming += bool(find_ticks(said_s, off, rate[:, None], rate, still_mm2=still, jitter_s=0.03))
        assert not find_ticks(said_s, off, rate[:, None], rate, still_mm2=still, jitter_s=0.03, passes=passes)
    assert seeming > 0, "without the passes a clock explains some of these"


def test_a_clock_is_found_although_the_passes_may_stand_apart():
    for seed in range(4):
        said_s, off, rate, _ = lateness(seed, 10.0, 0.1043)
        still = np.full(rate.size, 0.01**2 / 12.0)
        passes = (said_s // 5.0).astype(np.intp)
        assert find_ticks(said_s, off, rate[:, None], rate, still_mm2=still, jitter_s=0.03, passes=passes)


@pytest.mark.parametrize("known_s", [0.1043, 0.1042, 0.0817])
def test_near_what_was_known_of_a_clock_it_is_found_again_and_elsewhere_none(known_s):
    for seed in range(4):
        said_s, off, rate, _ = lateness(seed, 20.0, 0.1043)
        told = find_ticks(
            said_s,
            off,
            rate[:, None],
            rate,
            still_mm2=np.full(rate.size, 0.01**2 / 12.0),
            jitter_s=0.03,
            period_s=known_s,
        )
        assert [one.period_s for one in told] == (
            [pytest.approx(0.1043, rel=1e-3)] if abs(known_s - 0.1043) < 0.001 else []
        )


def test_a_clock_is_looked_for_as_readings_grow_and_not_at_every_update():
    watch, looked = ClockWatch(), []
    for readings in range(10, 2000, 5):
        if watch.due(readings):
            looked.append(readings)
            watch.seen(None if readings < 100 else Ticks(0.1, 0.0), readings)
    assert looked[0] >= 30
    assert len(looked) < 25
    assert watch.period_s == 0.1


def test_a_clock_that_chance_hides_tells_nothing():
    assert Ticks(0.1, 0.0, shaken_s=0.012).tells
    assert not Ticks(0.02, 0.0, shaken_s=0.017).tells
