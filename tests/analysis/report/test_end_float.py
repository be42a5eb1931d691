"""End float: plain arithmetic on readings that were written down, a plunger that sticks, and what is refused."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from analysis.base import GaugeFacts, Refusal, Streams
from analysis.report import find_end_float

FACTS = GaugeFacts(step_mm=0.01, error_mm=0.0, retrace_mm=0.0)


def said(
    rests_mm: Sequence[float],
    rest_s: float = 0.8,
    way_s: float = 0.3,
    step_mm: float = 0.01,
    noise_mm: float = 0.0,
    chance: np.random.Generator | None = None,
) -> Streams:
    """Ten readings a second of a shaft that rests at each place and goes evenly from one to the next."""
    at_s, where = [0.0], [rests_mm[0]]
    for place in rests_mm:
        at_s += [at_s[-1] + way_s, at_s[-1] + way_s + rest_s]
        where += [place, place]
    time_s = np.arange(0.0, at_s[-1], 0.1)
    shown = np.interp(time_s, at_s, where)
    if chance is not None:
        shown += chance.normal(0.0, noise_mm, time_s.size)
    read = np.round(shown / step_mm) * step_mm
    return Streams(np.array([0.0, time_s[-1]]), np.zeros(2), time_s, read)


def test_the_float_is_the_mean_out_less_the_mean_in() -> None:
    found = find_end_float(said([0.02, 0.17, 0.03, 0.18, 0.02, 0.16]), FACTS)
    # By hand: out (0.17 + 0.18 + 0.16) / 3 = 0.17, in (0.02 + 0.03 + 0.02) / 3 = 0.02333.
    assert found.float_mm.value == pytest.approx(0.17 - 0.07 / 3.0, abs=1e-9)
    assert (found.pushes, found.pulls) == (3, 3)


def test_a_rest_between_the_ends_belongs_to_neither() -> None:
    found = find_end_float(said([0.02, 0.17, 0.10, 0.02, 0.17, 0.09, 0.02]), FACTS)
    assert (found.pushes, found.pulls) == (2, 3)
    assert found.float_mm.value == pytest.approx(0.15, abs=1e-9)


def test_a_rest_of_which_half_lies_on_either_side_of_its_middle_is_a_place_all_the_same() -> None:
    """Outermost rests of 0.170 and 0.184, four readings each: 0.177 in the mean, and 0.157 from the ends at 0.020."""
    out = [0.170] * 4 + [0.184] * 4
    read = np.array([*([0.02] * 8), *out, *([0.02] * 8), *out, *([0.02] * 8)])
    time_s = 0.1 * np.arange(read.size)
    found = find_end_float(Streams(np.array([0.0, time_s[-1]]), np.zeros(2), time_s, read), FACTS)
    assert found.float_mm.value == pytest.approx(0.157, abs=1e-9)


def test_where_the_gauge_stood_before_it_was_set_on_the_shaft_does_not_count() -> None:
    found = find_end_float(said([3.1, 0.02, 0.17, 0.02, 0.17]), FACTS)
    assert (found.pushes, found.pulls) == (2, 2)
    assert found.float_mm.value == pytest.approx(0.15, abs=1e-9)


def test_intervals_hold_where_ends_are_felt_unevenly_and_a_plunger_sticks() -> None:
    """Each end is come to a little differently; the plunger trails by friction, as a play operator does."""
    held = 0
    for seed in range(200):
        rng = np.random.default_rng([20261129, seed])
        true_mm, sticks_mm = rng.uniform(0.05, 0.4), rng.uniform(0.0, 0.004)
        places = [
            end + rng.normal(0.0, 0.003) + (sticks_mm if end == 0.0 else -sticks_mm)
            for _ in range(4)
            for end in (0.0, true_mm)
        ]
        facts = GaugeFacts(step_mm=0.01, error_mm=0.0, retrace_mm=0.008)
        found = find_end_float(said(places), facts)
        held += abs(found.float_mm.value - true_mm) <= found.float_mm.u95
    assert held >= 184, "of 200 at 95 %, fewer come by chance once in a thousand"


@pytest.mark.parametrize(
    ("rests_mm", "turned_deg", "code"),
    [
        ([0.02, 0.17], 0.0, "not_pushed_both_ways"),
        ([0.02, 0.02, 0.02], 0.0, "not_pushed_both_ways"),
        ([0.02, 0.17, 0.02, 0.17], 9.0, "crank_turned"),
    ],
)
def test_what_tells_no_float_is_refused(rests_mm: list[float], turned_deg: float, code: str) -> None:
    streams = said(rests_mm)
    streams.crank_deg[-1] = turned_deg
    with pytest.raises(Refusal) as refused:
        find_end_float(streams, FACTS)
    assert refused.value.code == code


def test_readings_too_short_a_rest_apart_are_no_ends() -> None:
    with pytest.raises(Refusal, match="half a second"):
        find_end_float(said([0.02, 0.17] * 4, rest_s=0.15), FACTS)


def test_a_shaft_that_crept_tells_no_float_until_it_is_pushed_briskly() -> None:
    """Moved at 0.05 mm a second, a gauge of 0.01 mm changes by one step at a time, as one that rests and flickers."""
    crept = said([0.02, 0.12, 0.02, 0.12, 0.02], way_s=2.0)
    with pytest.raises(Refusal) as refused:
        find_end_float(crept, FACTS)
    assert refused.value.code == "pushed_slowly"
    brisk = said([0.17, 0.02, 0.17, 0.02])
    time_s = np.append(crept.gauge_time_s, crept.gauge_time_s[-1] + 0.1 + brisk.gauge_time_s)
    both = Streams(time_s[[0, -1]], np.zeros(2), time_s, np.append(crept.gauge_mm, brisk.gauge_mm))
    found = find_end_float(both, FACTS)
    assert found.float_mm.value == pytest.approx(0.15, abs=1e-9)


@pytest.mark.parametrize("way_s", [0.2, 0.5, 1.0, 2.0])
def test_however_slowly_it_is_pushed_a_float_is_within_its_interval_or_refused(way_s: float) -> None:
    """Truth by plain subtraction; ends at any place between two steps of the gauge, so that rounding counts, too."""
    far = 0
    for seed in range(100):
        rng = np.random.default_rng([20261130, seed])
        inner_mm, true_mm = rng.uniform(-1.0, 1.0), rng.uniform(0.05, 0.3)
        try:
            found = find_end_float(said([inner_mm, inner_mm + true_mm] * 3, way_s=way_s), FACTS)
        except Refusal as refused:
            assert refused.code == "pushed_slowly"
            continue
        far += abs(found.float_mm.value - true_mm) > 1.5 * found.float_mm.u95
    assert far == 0


@pytest.mark.parametrize("noise_mm", [0.0005, 0.001, 0.002])
@pytest.mark.parametrize("way_s", [0.2, 1.0, 2.0])
def test_a_fine_gauge_that_wanders_by_its_step_is_no_builders_fault(noise_mm: float, way_s: float) -> None:
    """Truth by plain subtraction. What is pushed briskly is told; what crept is told rightly or said to have crept."""
    held = told = 0
    facts = GaugeFacts(step_mm=0.001, error_mm=0.0, retrace_mm=0.0)
    for seed in range(100):
        rng = np.random.default_rng([20261131, seed])
        inner_mm, true_mm = rng.uniform(-1.0, 1.0), rng.uniform(0.05, 0.3)
        ends = [inner_mm, inner_mm + true_mm] * 3
        try:
            found = find_end_float(said(ends, 0.8, way_s, 0.001, noise_mm, rng), facts)
        except Refusal as refused:
            assert refused.code == "pushed_slowly"
            continue
        told += 1
        held += abs(found.float_mm.value - true_mm) <= found.float_mm.u95
    assert told >= 97 or way_s > 0.2
    assert held >= 0.9 * told
