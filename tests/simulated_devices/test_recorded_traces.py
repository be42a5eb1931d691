"""Whole traces: the truth they carry, their repeatability, and what each fault does to them."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simulated_devices.faults.jobs import JOB_FAULTS
from simulated_devices.faults.random_faults import LOBE_FAULTS, TDC_FAULTS, faulted_lobe, faulted_tdc
from simulated_devices.faults.ugly import blemishes, ugly_lobe, ugly_tdc
from simulated_devices.machine import DialIndicator, Encoder, Hand, Manner, Mounting
from simulated_devices.traces import Setup, random_lobe, random_tdc, record
from simulated_devices.traces.random_benches import LOBE_PATTERNS, TDC_PATTERNS, random_engine

seeds = st.integers(0, 2**32 - 1)


def exact_setup(engine, touches, motion, **gauge):
    dial = DialIndicator(**{"step": 1e-6, "rate_hz": 50.0, "lag_s": 0.1, "travel_mm": 200.0} | gauge)
    mounting = Mounting(dial, touches, 100.0, opposed=not touches.startswith("piston_"))
    return Setup(engine, motion, Encoder(100_000, 500.0, 123.4), {"dial": mounting})


def at_gauge(trace):
    """Crank angle (trace degrees) that each gauge reading shows, the true lag taken off."""
    return np.interp(trace.gauge_time_s - trace.lag_s, trace.crank_time_s, trace.crank_deg)


@settings(max_examples=25)
@given(seed=seeds)
def test_a_piston_trace_peaks_at_the_tdc_it_says_is_true(seed):
    rng = np.random.default_rng(seed)
    motion = Hand(-60.0, Manner(20.0, 0.2), rng).to(60.0).done()
    trace = record(exact_setup(random_engine(rng), "piston_1", motion), rng)
    crank = at_gauge(trace)
    # Equal readings either side are symmetric about the top but for the pin offset (at most 0.02 deg here).
    height, top = trace.gauge_mm, trace.gauge_mm.max() - 3.0
    rising, falling = (
        crank < trace.truth.tdc_deg - 360.0 * round((trace.truth.tdc_deg - crank.mean()) / 360.0),
        None,
    )
    falling = ~rising
    before = np.interp(top, height[rising], crank[rising])
    after = np.interp(-top, -height[falling], crank[falling])
    assert ((before + after) / 2.0 - trace.truth.tdc_deg + 180.0) % 360.0 - 180.0 == pytest.approx(
        0.0, abs=0.05
    )


@settings(max_examples=25)
@given(seed=seeds)
def test_a_lobe_trace_turned_forward_lies_on_the_lift_it_says_is_true(seed):
    rng = np.random.default_rng(seed)
    engine = random_engine(rng)
    motion = Hand(-90.0, Manner(25.0, 0.2), rng).turns(2.0).done()
    trace = record(exact_setup(engine, "inlet_1", motion), rng)
    lift = 100.0 - trace.gauge_mm
    inside = trace.gauge_time_s > 0.5
    expected = trace.lobe.lift_at_mm(at_gauge(trace)[inside])
    assert np.abs(lift[inside] - expected).max() < 0.01
    assert trace.lobe.peak_lift_mm == pytest.approx(lift.max(), abs=0.01)


@settings(max_examples=20)
@given(seed=seeds)
def test_the_way_back_shows_the_slack(seed):
    rng = np.random.default_rng(seed)
    engine = random_engine(rng)
    motion = Hand(-90.0, Manner(25.0), rng).turns(2.0).turns(-2.0).done()
    trace = record(exact_setup(engine, "exhaust_1", motion), rng)
    crank, lift = at_gauge(trace), 100.0 - trace.gauge_mm
    back = trace.gauge_time_s > motion.duration_s / 2.0 + 2.0
    slack = trace.lobe.slack_deg
    assert np.abs(lift[back] - trace.lobe.lift_at_mm(crank[back] + slack)).max() < 0.01


def test_the_same_seed_records_the_same_trace():
    one, two = (random_lobe(np.random.default_rng(9)).trace for _ in range(2))
    assert (one.gauge_mm == two.gauge_mm).all()
    assert (one.crank_deg == two.crank_deg).all()
    assert one.truth.tdc_deg == two.truth.tdc_deg


def test_a_reading_arrives_one_lag_after_what_it_shows():
    rng = np.random.default_rng(4)
    engine = random_engine(rng)
    motion = Hand(0.0, Manner(30.0, 0.0, 0.1), rng).by(90.0).pause(3.0).done()
    trace = record(exact_setup(engine, "piston_1", motion, lag_s=0.5), rng)
    last_change = trace.gauge_time_s[np.flatnonzero(np.diff(trace.gauge_mm))[-1] + 1]
    assert last_change == pytest.approx(motion.duration_s - 3.0 + 0.5, abs=0.03)


def test_unchanged_counts_can_be_left_out_without_losing_a_change():
    rng = np.random.default_rng(4)
    motion = Hand(0.0, Manner(10.0), rng).by(20.1).pause(5.0).by(20.1).done()
    setup = exact_setup(random_engine(rng), "piston_1", motion)
    frugal = record(Setup(setup.engine, motion, Encoder(720), setup.mountings, drop_unchanged=True), rng)
    assert (np.diff(frugal.crank_deg)[:-1] != 0.0).all()
    assert np.unique(frugal.crank_deg).size == 81


def test_rows_come_in_order_of_arrival_with_the_gauges_own_unit():
    rng = np.random.default_rng(2)
    motion = Hand(0.0, Manner(30.0), rng).by(30.0).done()
    setup = exact_setup(random_engine(rng), "piston_1", motion, unit="in", step=0.0005)
    rows = record(setup, rng).rows()
    assert [row[0] for row in rows] == sorted(row[0] for row in rows)
    assert {row[1] for row in rows} == {"crank_deg", "dial_in"}


@pytest.mark.parametrize("pattern", TDC_PATTERNS)
def test_every_piston_pattern_sees_both_sides_of_the_top(pattern):
    for seed in range(8):
        bench = random_tdc(np.random.default_rng(seed), pattern)
        trace = bench.trace
        reading = trace.gauge_mm * trace.mounting.gauge.polarity
        touching = reading > reading.min() + 0.05
        side = (at_gauge(trace) - trace.truth.tdc_deg + 180.0) % 360.0 - 180.0
        assert (side[touching] < -5.0).sum() >= 3, seed
        assert (side[touching] > 5.0).sum() >= 3, seed


@pytest.mark.parametrize("pattern", LOBE_PATTERNS)
def test_every_lobe_pattern_sees_both_flanks(pattern):
    for seed in range(8):
        trace = random_lobe(np.random.default_rng(seed), pattern).trace
        off_nose = (at_gauge(trace) - trace.lobe.full_lift_deg + 360.0) % 720.0 - 360.0
        assert ((off_nose > -70.0) & (off_nose < -20.0)).sum() >= 5, seed
        assert ((off_nose < 70.0) & (off_nose > 20.0)).sum() >= 5, seed


def well_formed(trace):
    return (
        np.isfinite(trace.gauge_mm).all()
        and np.isfinite(trace.crank_deg).all()
        and (np.diff(trace.crank_time_s) >= 0.0).all()
        and (np.diff(trace.gauge_time_s) >= 0.0).all()
    )


def over_piston(rng):
    """Four passes over the top, at two speeds, forward."""
    return Hand(-80.0, Manner(25.0, 0.1), rng).turns(2.0).turns(2.0, 15.0).done()


def over_lobe(rng):
    """Three passes over every lobe, at two speeds, forward."""
    return Hand(-200.0, Manner(40.0, 0.1), rng).turns(4.0).turns(2.0, 25.0).done()


def true_course(trace):
    """What crank and gauge should have shown: the motion itself, through the engine, one lag late."""
    setup, mounting = trace.setup, trace.mounting
    motion, engine = setup.motion, setup.engine
    crank = motion.at(trace.crank_time_s - setup.start_s) + trace.truth.zero_deg
    shown_s = trace.gauge_time_s - setup.start_s - mounting.gauge.lag_s
    if mounting.touches in engine.cam_of:
        sprocket = engine.sprocket_deg(mounting.touches, motion.crank_deg)
        rise = engine.valve_lift_mm(mounting.touches, np.interp(shown_s, motion.time_s, sprocket))
    else:
        rise = engine.rise_mm(mounting.touches, motion.at(shown_s))
    return crank, mounting.pushed_mm(rise)


def marks(trace):
    """What is wrong with a trace of exact instruments, found against the motion that made it."""
    crank, pushed = true_course(trace)
    found = set()
    if np.abs(trace.crank_deg - crank).max() > 0.5:
        found.add("crank")
    if (np.abs(trace.gauge_mm - pushed) > 0.04).mean() > 0.002:
        found.add("gauge")
    if np.diff(trace.gauge_time_s).max() > 0.5 or np.diff(trace.crank_time_s).max() > 0.3:
        found.add("gap")
    middle, turn = (trace.truth.tdc_deg, 360.0)
    if trace.touches != "piston_1":
        middle, turn = trace.lobe.full_lift_deg, 720.0
    off = (crank - middle + turn / 2.0) % turn - turn / 2.0
    forward = np.append(np.diff(crank) > 0.0, False)
    for side in (off > 2.0) & (off < 60.0), (off < -2.0) & (off > -60.0):
        if not (side & forward).any():
            found.add("side")
    if ((np.abs(off) < 60.0) & np.append(np.diff(crank) < -1e-6, False)).any():
        found.add("back")
    if (pushed > trace.mounting.gauge.travel_mm).any():
        found.add("bottom")
    if (pushed < 0.0).mean() > 0.9:
        found.add("no contact")
    return found


SEEN_IN = {
    "plunger_bottoms": "bottom",
    "encoder_slip": "crank",
    "missed_counts": "crank",
    "wrong_counts_per_turn": "crank",
    "stuck_counter": "crank",
    "lost_readings": "gap",
    "lost_crank_lines": "gap",
    "held_up_lines": "crank",
    "one_side_only": "side",
    "turned_backwards": "side",
    "overshot_and_backed_up": "back",
    "no_movement": "side",
}
ON_PISTON = {"plunger_lifts_off": "no contact", "too_little_travel": "no contact"}


def mark_id(item):
    return getattr(item, "__name__", str(item))


MARKED = [("piston_1", over_piston, name, fault) for name, fault in TDC_FAULTS.items()]
MARKED += [
    (valve, over_lobe, name, f) for name, f in LOBE_FAULTS.items() for valve in ("inlet_1", "exhaust_1")
]


@pytest.mark.parametrize(("touches", "course", "name", "fault"), MARKED, ids=mark_id)
def test_a_fault_leaves_its_mark_on_the_trace(touches, course, name, fault):
    seen = SEEN_IN.get(name, "gauge")
    if touches == "piston_1":
        seen = ON_PISTON.get(name, seen)
    for seed in range(5):
        rng = np.random.default_rng([seed, 77])
        setup = exact_setup(random_engine(rng), touches, course(rng))
        if touches == "piston_1":
            mounting = setup.mountings["dial"]
            short = replace(mounting, gauge=replace(mounting.gauge, travel_mm=25.0), pushed_in_mm=23.0)
            setup = replace(setup, mountings={"dial": short})
        trace = record(setup, rng, [fault()])
        assert trace.faults == (name,)
        assert well_formed(trace)
        assert seen in marks(trace), seed


def test_a_trace_without_a_fault_has_no_mark():
    for seed in range(10):
        rng = np.random.default_rng(seed)
        for touches, course in (("piston_1", over_piston), ("inlet_1", over_lobe)):
            assert marks(record(exact_setup(random_engine(rng), touches, course(rng)), rng)) == set()


@settings(max_examples=40)
@given(seed=seeds)
def test_ugly_traces_still_show_the_true_motion(seed):
    rng = np.random.default_rng(seed)
    for touches, course, on_lobe in (("piston_1", over_piston, False), ("inlet_1", over_lobe, True)):
        ugly = [one for one in blemishes(rng, on_lobe) if one.name not in {"wild_readings", "rough_line"}]
        found = marks(record(exact_setup(random_engine(rng), touches, course(rng)), rng, ugly))
        assert found <= {"back"}


@settings(max_examples=25)
@given(seed=seeds)
def test_random_benches_are_well_formed_whatever_goes_wrong(seed):
    rng = np.random.default_rng(seed)
    tdc, lobe = (str(rng.choice(list(names))) for names in (TDC_FAULTS, LOBE_FAULTS))
    for bench in (faulted_tdc(tdc, rng), faulted_lobe(lobe, rng), ugly_tdc(rng), ugly_lobe(rng)):
        assert well_formed(bench.trace)


@pytest.mark.parametrize("name", JOB_FAULTS)
def test_a_fault_between_traces_comes_with_the_same_job_without_it(name):
    wrong = JOB_FAULTS[name](np.random.default_rng(3), True)
    right = JOB_FAULTS[name](np.random.default_rng(3), False)
    assert wrong.wrong
    assert right.wrong == ""
    assert list(wrong.traces) == list(right.traces)
    assert all(well_formed(trace) for trace in [*wrong.traces.values(), *right.traces.values()])
    differ = [
        not np.array_equal(one.gauge_mm, other.gauge_mm) or one.truth.zero_deg != other.truth.zero_deg
        for one, other in zip(wrong.traces.values(), right.traces.values(), strict=True)
    ]
    assert any(differ)
