"""Encoder and dial indicators: edges, lag, stops, angle, units."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulated_devices.machine import DialDevice, DialIndicator, Encoder, EncoderDevice, Mounting
from simulated_devices.wire import CrankLine, GaugeLine, places


@given(
    counts=st.integers(4, 20_000),
    zero=st.floats(-720.0, 720.0),
    direction=st.sampled_from([1, -1]),
    crank=st.floats(-2000.0, 2000.0),
)
def test_the_middle_of_a_count_is_within_half_a_count_of_the_crank(counts, zero, direction, crank):
    encoder = Encoder(counts, zero_deg=zero, direction=direction)
    shown = encoder.middle_deg(encoder.counts(np.array([crank])))[0]
    assert abs(shown - (crank - zero)) <= 180.0 / counts + 1e-9


def test_a_counter_steps_at_the_same_edge_both_ways():
    encoder = Encoder(360)
    up = encoder.counts(np.array([4.98, 4.999, 5.0, 5.01]))
    down = encoder.counts(np.array([5.01, 5.0, 4.999, 4.98]))
    assert up.tolist() == [4, 4, 5, 5]
    assert down.tolist() == [5, 5, 4, 4]


def test_the_live_counter_follows_the_crank_and_marks_its_index():
    device = EncoderDevice(Encoder(3600, 100.0, index_deg=10.0, micros=True), 0.0)
    speak = CrankLine("count_index")
    lines = []
    for time in np.arange(0.0, 2.0, 0.004):
        lines += [speak.line(reading) for reading in device.update(float(time), 10.0 * float(time))]
    assert 195 <= len(lines) <= 201
    assert sum(line.endswith(b" 1\r\n") for line in lines) == 1
    assert lines[-1].startswith(b"19")


def test_a_counter_that_reboots_counts_from_zero_and_tells_time_from_zero():
    device = EncoderDevice(Encoder(3600, 100.0, micros=True), 0.0)
    device.update(5.0, 90.0)
    device.reboot(5.0, 90.0)
    reading = device.update(5.02, 91.0)[-1]
    assert reading.count == 10
    assert reading.micros == 20_000
    assert device.zero_deg == pytest.approx(90.0)


def test_a_reading_shows_the_plunger_as_it_was_one_lag_ago():
    gauge = DialIndicator(step=0.001, rate_hz=20.0, lag_s=0.08)
    device = DialDevice(gauge, np.random.default_rng(0), 0.0)
    readings = []
    for time in np.arange(0.0, 3.0, 0.004):
        readings += device.update(float(time), 2.0 * float(time))
    late = [reading for reading in readings if reading.time_s > 0.5]
    assert [reading.value for reading in late] == pytest.approx(
        [2.0 * (reading.time_s - 0.08) for reading in late], abs=0.0006
    )


@pytest.mark.parametrize("law", ["normal", "uniform", "exponential", "late_only"])
def test_the_mean_lateness_is_the_lag_whatever_the_jitter(law):
    gauge = DialIndicator(lag_s=0.1, jitter_s=0.015, jitter_law=law)
    late = gauge.lateness_s(40_000, np.random.default_rng(1))
    assert late.mean() == pytest.approx(0.1, abs=0.0004)
    assert late.min() >= 0.0
    assert late.std() > 0.008


def test_a_plunger_stops_at_both_ends_of_its_travel():
    gauge = DialIndicator(travel_mm=12.7)
    assert gauge.plunger_mm(np.array([-3.0, 0.0, 5.0, 12.7, 14.0])).tolist() == [0.0, 0.0, 5.0, 12.7, 12.7]
    assert gauge.display_one(14.0, 0.0) == pytest.approx(12.7)


def test_a_tilted_plunger_on_a_face_moves_by_more_and_on_a_point_by_less():
    on_face = Mounting(DialIndicator(angle_deg=20.0), "inlet_1", 15.0, opposed=True)
    on_point = Mounting(DialIndicator(angle_deg=20.0, seat="point"), "inlet_1", 15.0)
    cosine = math.cos(math.radians(20.0))
    assert float(on_face.pushed_mm(np.array(10.0))) == pytest.approx(15.0 - 10.0 / cosine)
    assert float(on_point.pushed_mm(np.array(10.0))) == pytest.approx(15.0 + 10.0 * cosine)


def test_an_inch_gauge_shows_inches_in_its_own_steps():
    gauge = DialIndicator(step=0.0005, unit="in", polarity=-1)
    shown = gauge.display(np.array([0.0, 1.0, 25.4]), np.zeros(3))
    assert shown.tolist() == pytest.approx([0.0, -0.0395, -1.0])
    assert gauge.step_mm == pytest.approx(0.0127)


@given(pushed=st.floats(-5.0, 30.0), step=st.sampled_from([0.01, 0.001, 0.0005]))
def test_one_value_is_shown_as_many_are(pushed, step):
    gauge = DialIndicator(step=step, zero_mm=3.3)
    many = gauge.display(gauge.plunger_mm(np.array([pushed])), np.zeros(1))[0]
    assert gauge.display_one(pushed, 0.0) == pytest.approx(many, abs=1e-12)


def test_lines_have_as_many_places_as_the_step():
    assert [places(step) for step in (1.0, 0.01, 0.001, 0.0005)] == [0, 2, 3, 4]
    reading = DialDevice(DialIndicator(step=0.01), np.random.default_rng(0)).ask(0.0)
    assert GaugeLine(DialIndicator(step=0.01)).line(reading) == b"+0.00\r\n"
    assert GaugeLine(DialIndicator(), "tagged", "A").line(reading) == b"A+0.00\r\n"
    assert GaugeLine(DialIndicator(), "template", template="D={value};OK").line(reading) == b"D=+0.00;OK\r\n"


def test_an_indicator_that_is_asked_says_nothing_of_itself():
    device = DialDevice(DialIndicator(asked=True, lag_s=0.0), np.random.default_rng(0))
    assert device.update(1.0, 3.0) == []
    assert device.ask(1.0).value == 3.0
