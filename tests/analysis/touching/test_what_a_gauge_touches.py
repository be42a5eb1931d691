"""What a gauge touches is told rightly or asked about: on random benches, cut short, and on things that are no lobe."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from bench_cases import as_stored

from analysis.base import Floats, Streams
from analysis.touching import KnownZero, Touch, last_moved_by_hand, recognise
from simulated_devices.faults.gauge import PlungerLiftsOff
from simulated_devices.traces import Trace, random_lobe, random_tdc

BENCHES = 60


def streams_of(trace: Trace, until: float = 1.0) -> Streams:
    """The first `until` of a trace."""
    end_s = trace.crank_time_s[0] + until * (trace.crank_time_s[-1] - trace.crank_time_s[0])
    return as_stored(trace, end_s)


def turned_by_hand(course: Floats, shown_mm: Floats, seconds: float) -> Streams:
    time_s = np.linspace(0.0, seconds, course.size)
    return Streams(time_s, course, time_s, np.round(shown_mm, 2))


def told(touch: Touch) -> str:
    return (touch.valve or touch.kind) if touch.sure else ""


def test_pistons_and_valves_of_random_benches_are_told_rightly_or_asked_about() -> None:
    asked = 0
    for number in range(BENCHES):
        tdc, lobe = (make(np.random.default_rng([1, number])) for make in (random_tdc, random_lobe))
        truth = lobe.trace.truth
        answers = {
            "piston": told(recognise(streams_of(tdc.trace))),
            lobe.trace.touches.removesuffix("_1"): told(
                recognise(
                    streams_of(lobe.trace),
                    zero=KnownZero(tdc_deg=truth.tdc_deg, overlap_tdc_deg=truth.overlap_tdc_deg),
                )
            ),
        }
        for true, said in answers.items():
            assert said in {true, ""}, (number, true, said)
            asked += not said
    assert asked <= 0.05 * 2 * BENCHES


def test_in_mid_turn_nothing_wrong_is_told() -> None:
    for number in range(BENCHES):
        rng = np.random.default_rng([2, number])
        tdc, lobe, until = random_tdc(rng), random_lobe(rng), float(rng.uniform(0.05, 0.9))
        zero = KnownZero(overlap_tdc_deg=lobe.trace.truth.overlap_tdc_deg)
        assert told(recognise(streams_of(tdc.trace, until))) in {"piston", ""}
        valve = lobe.trace.touches.removesuffix("_1")
        assert told(recognise(streams_of(lobe.trace, until), zero=zero)) in {valve, ""}


def test_a_valve_is_not_named_where_no_tdc_is_known() -> None:
    bench = random_lobe(np.random.default_rng(3), "turns")
    touch = recognise(streams_of(bench.trace))
    assert (touch.kind, touch.valve, touch.sure) == ("valve", None, False)


def test_a_lobe_as_near_to_another_cylinders_place_is_asked_about() -> None:
    """Firing order 1-3-4-2: the inlet of cylinder 2 stands forty degrees past the exhaust of cylinder 1."""
    for number in range(20):
        bench = random_lobe(np.random.default_rng([9, number]), "turns")
        truth, touches = bench.trace.truth, bench.trace.touches
        if touches != "inlet_1":
            continue
        others = tuple((nose + at) % 720.0 for at in (180.0, 360.0, 540.0) for nose in (110.0, -110.0))
        of_cylinder_1 = KnownZero(overlap_tdc_deg=truth.overlap_tdc_deg, other_noses_deg=others)
        assert told(recognise(streams_of(bench.trace), zero=of_cylinder_1)) in {"inlet", ""}
        as_cylinder_2 = KnownZero(
            overlap_tdc_deg=(truth.overlap_tdc_deg + 180.0) % 720.0, other_noses_deg=others
        )
        assert told(recognise(streams_of(bench.trace), zero=as_cylinder_2)) == ""


def test_a_piston_whose_top_is_not_at_tdc_is_asked_about() -> None:
    bench = random_tdc(np.random.default_rng(4), "turns")
    elsewhere = KnownZero(tdc_deg=(bench.trace.truth.tdc_deg + 180.0) % 360.0)
    assert recognise(streams_of(bench.trace), zero=elsewhere).kind == "unclear"


def test_a_gauge_that_stands_through_two_turns_touches_nothing() -> None:
    course = np.linspace(0.0, 730.0, 3000)
    chance = np.random.default_rng(5)
    still = 3.0 + 0.004 * chance.standard_normal(course.size)
    assert recognise(turned_by_hand(course, still, 30.0)).kind == "nothing"
    assert recognise(turned_by_hand(course[:1500], still[:1500], 15.0)).kind == "not_yet"


def test_a_plunger_pushed_while_the_crank_stands_was_moved_by_hand() -> None:
    pushed = np.interp(np.arange(1500), [0, 600, 700, 1500], [0.0, 0.0, 4.0, 4.0])
    streams = turned_by_hand(np.full(1500, 41.3), pushed, 30.0)
    assert recognise(streams).kind == "by_hand"
    at_s = last_moved_by_hand(streams)
    assert at_s == pytest.approx(14.0, abs=0.1)


def test_turning_after_the_gauge_was_set_elsewhere_is_not_taken_for_a_hand() -> None:
    bench = random_lobe(np.random.default_rng(6), "turns")
    assert last_moved_by_hand(streams_of(bench.trace)) is None


def stalled(trace: Trace, lasts_s: float, chance: np.random.Generator) -> Streams:
    """A trace read by a computer that stood still three times; its two ports are emptied one after the other."""
    crank_s, gauge_s = trace.crank_time_s.copy(), trace.gauge_time_s.copy()
    for share in chance.uniform(0.1, 0.9, 3):
        stood_s = crank_s[0] + share * (crank_s[-1] - crank_s[0])
        for time_s, later_s in ((crank_s, 0.0), (gauge_s, chance.uniform(-0.02, 0.02))):
            waited = (time_s > stood_s) & (time_s < stood_s + lasts_s)
            time_s[waited] = stood_s + lasts_s + later_s + 2e-5 * np.arange(np.count_nonzero(waited))
    crank_s, gauge_s = np.maximum.accumulate(crank_s), np.maximum.accumulate(gauge_s)
    return Streams(crank_s, trace.crank_deg, gauge_s, trace.gauge_mm)


@pytest.mark.parametrize("lasts_s", [0.3, 0.6, 1.5])
def test_a_computer_that_stood_still_is_no_hand(lasts_s: float) -> None:
    """The crank's lines of that time came afterwards, as though it had stood while the gauge went on."""
    for number in range(20):
        bench = random_lobe(np.random.default_rng([7, number]), "turns")
        streams = stalled(bench.trace, lasts_s, np.random.default_rng([8, number]))
        assert last_moved_by_hand(streams) is None, number
        assert told(recognise(streams)) in {bench.trace.touches.removesuffix("_1"), ""}


def test_a_hand_is_seen_though_the_computer_stood_still_before() -> None:
    for number in range(20):
        bench = random_lobe(np.random.default_rng([7, number]), "turns")
        streams = stalled(bench.trace, 0.6, np.random.default_rng([8, number]))
        over_s = float(max(streams.crank_time_s[-1], streams.gauge_time_s[-1]))
        rest_s = over_s + np.arange(0.1, 3.0, 0.1)
        moved_mm = streams.gauge_mm[-1] + np.where(rest_s > over_s + 2.0, 2.5, 0.0)
        then = Streams(
            np.append(streams.crank_time_s, rest_s),
            np.append(streams.crank_deg, np.full(rest_s.size, streams.crank_deg[-1])),
            np.append(streams.gauge_time_s, rest_s),
            np.append(streams.gauge_mm, moved_mm),
        )
        assert last_moved_by_hand(then) == pytest.approx(over_s + 2.0, abs=0.2), number


def test_a_bolt_that_goes_round_with_the_cam_is_neither_piston_nor_valve() -> None:
    """It swings the plunger to and fro all the way round and has no base circle."""
    course = np.linspace(0.0, 1500.0, 6000)
    swings = 3.0 * np.sin(np.radians(course / 2.0))
    touch = recognise(turned_by_hand(course, swings, 60.0), zero=KnownZero(overlap_tdc_deg=0.0))
    assert not touch.sure


def test_a_lobe_that_the_plunger_leaves_is_never_a_piston() -> None:
    for number in range(20):
        bench = random_lobe(np.random.default_rng([7, number]), "turns", faults=[PlungerLiftsOff()])
        zero = KnownZero(overlap_tdc_deg=bench.trace.truth.overlap_tdc_deg)
        valve = bench.trace.touches.removesuffix("_1")
        assert told(recognise(streams_of(bench.trace), zero=zero)) in {valve, ""}


def test_a_gauge_set_elsewhere_in_mid_turn_was_moved_by_hand() -> None:
    """First on the piston, then on a valve, the crank turning on: it leapt by more than the crank can move it."""
    chance = np.random.default_rng(8)
    piston, valve = random_tdc(chance, "turns"), random_lobe(chance, "turns")
    first, second = streams_of(piston.trace), streams_of(valve.trace)
    later = replace(
        second,
        crank_time_s=second.crank_time_s - second.crank_time_s[0] + first.crank_time_s[-1] + 0.01,
        crank_deg=second.crank_deg - second.crank_deg[0] + first.crank_deg[-1],
        gauge_time_s=second.gauge_time_s - second.crank_time_s[0] + first.crank_time_s[-1] + 0.01,
    )
    both = Streams(
        np.concatenate((first.crank_time_s, later.crank_time_s)),
        np.concatenate((first.crank_deg, later.crank_deg)),
        np.concatenate((first.gauge_time_s, later.gauge_time_s)),
        np.concatenate((first.gauge_mm, later.gauge_mm)),
    )
    assert recognise(both).kind == "by_hand"
    assert last_moved_by_hand(both) == pytest.approx(first.crank_time_s[-1], abs=0.5)
