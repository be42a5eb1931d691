"""Compression, a timing mark, roundness and the degree strip against sums made by hand and published rules.

- Least-squares circle of a roundness trace from n evenly spaced radii: centre a = 2/n sum(r cos), b = 2/n sum(r sin),
  radius sum(r)/n: the rule of ISO 4291 and the workshop books, from memory; the sums are made here.
- Compression ratio (swept + clearance) / clearance: Pulkrabek, Engineering Fundamentals of the Internal Combustion
  Engine, Ex. 2-1 (text from memory, numbers recomputed): bore and stroke 8.60 cm, ratio 8.5, one cylinder sweeps
  0.0005 m3 (499.6 cm3) and leaves 66.6 cm3.
- Swash: a face that reads 0.09 mm otherwise at the two ends of a diameter of 180 mm leans by 0.09 in 180: plain geometry.
- End float: mean of the pulls less mean of the pushes; twice the standard deviation of each mean by Student's t (GUM 4.2.3,
  G.3.2; tables of t from memory, recomputed here by scipy).
- Rounding: what is left of a place whose readings are rounded, by the plain integral over the normal distribution.
- A rim of d mm has pi d / 360 mm a degree: plain geometry. PDF units are 1/72 inch: ISO 32000.
"""

from __future__ import annotations

import math
import re

import numpy as np
import pytest

from analysis.base import EntryError, GaugeFacts, Streams
from analysis.report import Cylinder, Typed, compression, find_end_float, find_runout, mark_error, swash_of
from analysis.report.reading_off import rounded_u_mm, rounded_wave_u_mm
from api.base import MisuseError
from api.sheet import degree_strip_pdf

POINTS_PER_MM = 72.0 / 25.4


def test_a_published_engine_has_its_ratio():
    """66.6 cm3 is rounded to 0.1, which is 0.01 of the ratio."""
    found = compression(Cylinder(Typed(86.0), Typed(86.0), Typed(66.6)))
    assert found.ratio.value == pytest.approx(8.5, abs=0.01)
    assert found.swept_cm3.value == pytest.approx(499.6, abs=0.05)


def test_compression_by_hand_with_every_volume():
    """By hand: bore 80, stroke 75: 5026.548 mm2 x 75 = 376.991 cm3. Left: chamber 34.0; gasket of 81 mm, 1.2 thick:
    5153.0 mm2 x 1.2 = 6.1836; deck 0.25: 1.2566; dish 3.5; crevice 0.4: 45.3402. 1 + 376.991/45.3402 = 9.3147.
    """
    own = Cylinder(
        Typed(80.0), Typed(75.0), Typed(34.0), Typed(1.2), Typed(81.0), Typed(0.25), Typed(3.5), Typed(0.4)
    )
    assert compression(own).ratio.value == pytest.approx(9.3147, abs=2e-4)
    domed = Cylinder(Typed(80.0), Typed(75.0), Typed(34.0), deck_mm=Typed(-0.5), dish_cm3=Typed(-4.0))
    assert compression(domed).left_cm3.value == pytest.approx(34.0 - 2.5133 - 4.0, abs=1e-3)


def test_its_uncertainty_is_that_of_many_draws():
    """GUM supplement 1 (JCGM 101): what a hundred thousand draws of the typed limits scatter by."""
    rng = np.random.default_rng(1)
    limits = {"bore": 0.02, "stroke": 0.05, "chamber": 0.5, "gasket": 0.05, "deck": 0.05, "dish": 0.3}
    plus = {name: rng.uniform(-limit, limit, 100_000) for name, limit in limits.items()}
    bore = 86.0 + plus["bore"]
    swept = math.pi / 4 * bore**2 * (86.0 + plus["stroke"]) / 1000
    left = (
        45.0
        + plus["chamber"]
        + math.pi / 4 * 87.0**2 * (1.0 + plus["gasket"]) / 1000
        + math.pi / 4 * bore**2 * (0.2 + plus["deck"]) / 1000
        + 4.0
        + plus["dish"]
    )
    scatter = float(np.std(1 + swept / left))
    own = Cylinder(
        Typed(86.0, 0.02), Typed(86.0, 0.05), Typed(45.0, 0.5), Typed(1.0, 0.05), Typed(87.0),
        Typed(0.2, 0.05), Typed(4.0, 0.3),
    )  # fmt: skip
    assert compression(own).ratio.u95 == pytest.approx(2 * scatter, rel=0.02)


@pytest.mark.parametrize(
    ("own", "code"),
    [
        (Cylinder(Typed(86.0), Typed(86.0), Typed(2.0), dish_cm3=Typed(-4.0)), "no_room_at_tdc"),
        (Cylinder(Typed(86.0), Typed(86.0), Typed(5000.0)), "hardly_a_ratio"),
        (Cylinder(Typed(3.4), Typed(86.0), Typed(50.0)), "bad_volume"),
        (Cylinder(Typed(86.0), Typed(86.0), Typed(float("nan"))), "bad_volume"),
        (Cylinder(Typed(86.0, -1.0), Typed(86.0), Typed(50.0)), "bad_volume"),
    ],
)
def test_volumes_that_cannot_be_are_refused_by_name(own, code):
    with pytest.raises(EntryError) as refused:
        compression(own)
    assert refused.value.code == code


def test_the_waves_of_even_readings_are_the_least_squares_circle():
    """72 radii, five degrees apart, of a part with three lobes and off its axis; each read with the crank at rest."""
    deg = np.arange(0.0, 360.0, 5.0)
    radius = 0.031 * np.cos(np.radians(deg - 140.0)) + 0.012 * np.cos(np.radians(3 * (deg - 15.0))) + 1.0
    a, b = (2.0 / len(deg) * float(np.sum(radius * wave(np.radians(deg)))) for wave in (np.cos, np.sin))
    moments = np.arange(len(deg)) * 2.0
    crank_s = np.arange(0.0, moments[-1] + 2.0, 0.01)
    crank = np.interp(crank_s, np.ravel(np.column_stack([moments, moments + 1.5])), np.repeat(deg, 2))
    gauge_s = np.ravel(moments[:, None] + np.array([0.4, 0.8, 1.2]))
    found = find_runout(
        Streams(crank_s, crank, gauge_s, np.repeat(radius, 3)), GaugeFacts(lag_s=0.05, step_mm=1e-5)
    )
    assert found.eccentricity_mm.value == pytest.approx(math.hypot(a, b), abs=1e-4)
    assert found.high_at_deg.value == pytest.approx(math.degrees(math.atan2(b, a)) % 360.0, abs=0.3)
    assert found.waves[2].amplitude_mm.value == pytest.approx(0.012, abs=1e-4)
    assert found.waves[2].high_at_deg.value == pytest.approx(15.0, abs=0.3)


def test_swash_is_what_the_two_ends_of_a_diameter_differ_by():
    """Read at every tenth degree with the crank at rest, as on paper: 0.09 mm between 70 and 250 degrees, evenly between
    by the height of a leaning plane, which is a cosine; tilt by hand: 0.09 / 180 = 0.0005, 0.02865 degrees.
    """
    deg = np.arange(0.0, 720.0, 10.0)
    height = 0.045 * np.cos(np.radians(deg - 70.0))
    moments = np.arange(len(deg)) * 2.0
    crank_s = np.arange(0.0, moments[-1] + 2.0, 0.01)
    crank = np.interp(crank_s, np.ravel(np.column_stack([moments, moments + 1.5])), np.repeat(deg, 2))
    gauge_s = np.ravel(moments[:, None] + np.array([0.4, 0.8, 1.2]))
    found = find_runout(
        Streams(crank_s, crank, gauge_s, np.repeat(height, 3)),
        GaugeFacts(lag_s=0.05, step_mm=1e-5),
        on_face=True,
    )
    told = swash_of(found, 90.0)
    assert told.swash_mm.value == pytest.approx(0.09, abs=1e-4)
    assert told.tilt_deg.value == pytest.approx(0.02865, abs=1e-4)
    assert found.high_at_deg.value == pytest.approx(70.0, abs=0.3)


def test_end_float_by_hand_with_its_interval():
    """Pulls 0.172 0.170 0.174, pushes 0.021 0.024 0.021 mm: means 0.172 and 0.022, float 0.150. Deviations of the means
    0.002 / sqrt 3 and 0.001732 / sqrt 3: together 0.001528 with 3.9 degrees of freedom (Welch), taken as 3 (GUM
    G.4.1), t 3.31: 0.0051.
    """
    from scipy.stats import t

    rests = [0.021, 0.172, 0.024, 0.170, 0.021, 0.174]
    begins = np.arange(len(rests)) * 1.1
    time_s = np.ravel(begins[:, None] + np.arange(0.0, 1.0, 0.1))
    streams = Streams(time_s[[0, -1]], np.zeros(2), time_s, np.repeat(rests, 10))
    found = find_end_float(streams, GaugeFacts(step_mm=1e-4, error_mm=0.0, retrace_mm=0.0)).float_mm
    assert found.value == pytest.approx(0.150, abs=1e-9)
    a, b = (np.std(ends, ddof=1) ** 2 / 3 for ends in (rests[1::2], rests[::2]))
    freedom = (a + b) ** 2 / (a**2 / 2 + b**2 / 2)
    by_hand = t.ppf(0.97725, math.floor(freedom)) * math.sqrt(a + b)
    assert found.u95 == pytest.approx(by_hand, rel=0.01)


@pytest.mark.parametrize("noise", [0.05, 0.2, 0.3, 0.5])
def test_what_rounding_leaves_of_a_place_is_the_integral_over_its_noise(noise):
    """In steps: the mean of rounded readings of a place between two steps, less the place; rms over all places."""
    from scipy.stats import norm

    place = (np.arange(401) + 0.5) / 401 - 0.5  # the middles of equal cells
    steps = np.arange(-6, 7)
    share = norm.cdf((steps + 0.5 - place[:, None]) / noise) - norm.cdf(
        (steps - 0.5 - place[:, None]) / noise
    )
    mean = share @ steps
    variance = float(np.mean(share @ steps.astype(float) ** 2 - mean**2 + (mean - place) ** 2))
    left = float(np.sqrt(np.mean((mean - place) ** 2)))
    assert rounded_u_mm(1.0, variance) == pytest.approx(left, rel=0.01, abs=1e-3)


@pytest.mark.parametrize("noise", [0.05, 0.1, 0.2])
@pytest.mark.parametrize("times", [1, 2])
@pytest.mark.parametrize("steps", [3.0, 12.0])
def test_what_rounding_leaves_of_a_wave_is_the_projection_of_its_rounded_readings(noise, times, steps):
    """In steps: a wave of so many steps, rounded; its Fourier coefficient less its height, rms over all places of a step.

    Counted out from normal tails, place by place round the turn; heights from a step less to a step more.
    """
    from scipy.stats import norm

    turn = np.arange(0.0, 2.0 * np.pi, 2.0 * np.pi / 1440)
    off, left = [], []
    for height in steps + (np.arange(16) + 0.5) / 8 - 1.0:
        for begins in (np.arange(8) + 0.5) / 8:
            place = begins + height * np.cos(times * turn)
            low = np.floor(place[:, None]) + np.arange(-2, 4)
            share = norm.cdf((low + 0.5 - place[:, None]) / noise) - norm.cdf(
                (low - 0.5 - place[:, None]) / noise
            )
            mean = np.sum(share * low, axis=1)
            left.append(np.mean(np.sum(share * low**2, axis=1) - mean**2 + (mean - place) ** 2))
            off.append(2.0 * np.mean(mean * np.cos(times * turn)) - height)
    told = rounded_wave_u_mm(1.0, float(np.mean(left)), 2.0 * steps)
    assert told == pytest.approx(float(np.sqrt(np.mean(np.square(off)))), rel=0.12)


@pytest.mark.parametrize(
    ("mark", "tdc", "late"), [(92.0, 90.0, 2.0), (88.5, 90.0, -1.5), (1.0, 359.0, 2.0), (361.0, 0.5, 0.5)]
)
def test_a_mark_that_comes_after_tdc_is_late(mark, tdc, late):
    """Counted on the fingers: turning on, TDC has passed by two degrees when the mark arrives."""
    found = mark_error(mark, tdc, 180.0)
    assert found.late_deg.value == pytest.approx(late)
    assert found.along_rim_mm.value == pytest.approx(late * math.pi * 180.0 / 360.0)
    told = "after" if late > 0 else "before"
    assert told in found.words


def test_a_mark_within_its_interval_is_called_true():
    assert "stands true" in mark_error(90.1, 90.0, 180.0).words


def lines_of(pdf: bytes) -> list[tuple[float, float, float, float]]:
    """Every straight line that the file draws, mm."""
    found = re.findall(rb"n ([\d.]+) ([\d.]+) m ([\d.]+) ([\d.]+) l S", pdf)
    return [tuple(float(one) / POINTS_PER_MM for one in line) for line in found]


@pytest.mark.parametrize("rim_mm", [60.0, 152.4, 180.0, 320.0, 900.0])
def test_the_strips_own_vectors_measure_the_rim(rim_mm):
    pdf = degree_strip_pdf(rim_mm)
    lines = lines_of(pdf)
    rule = next(line for line in lines if line[1] == line[3])
    assert rule[2] - rule[0] == pytest.approx(100.0, abs=0.002)
    ticks = [line for line in lines if line[0] == line[2]]
    by_row: dict[float, list[float]] = {}
    for x, low, _, high in ticks[2:]:  # the first two end the rule
        assert high > low
        by_row.setdefault(round(low, 2), []).append(x)
    boxes = re.findall(rb"n ([\d.]+) [\d.]+ ([\d.]+) [\d.]+ re S", pdf)
    whole = sum(float(wide) for _, wide in boxes) / POINTS_PER_MM
    assert whole == pytest.approx(math.pi * rim_mm, abs=0.02), "all pieces together go once round the rim"
    for row in by_row.values():
        steps = np.diff(sorted(set(np.round(row, 4))))
        assert steps == pytest.approx(math.pi * rim_mm / 360.0, abs=0.005)


def test_numbers_rise_against_the_way_the_rim_moves():
    """Seen on a clockwise rim's top the metal goes right: what arrives later stands to the left."""

    def place(pdf: bytes, label: bytes) -> float:
        found = re.search(rb"1 0 0 1 ([\d.]+) [\d.]+ Tm \(" + label + rb"\) Tj", pdf)
        assert found
        return float(found[1])

    clockwise, other = degree_strip_pdf(180.0), degree_strip_pdf(180.0, clockwise=False)
    assert place(clockwise, b"20 A") < place(clockwise, b"10 A")
    assert place(other, b"20 A") > place(other, b"10 A")


@pytest.mark.parametrize("rim_mm", [0.0, -5.0, 5000.0, float("nan")])
def test_a_rim_that_cannot_be_is_refused(rim_mm):
    with pytest.raises(MisuseError):
        degree_strip_pdf(rim_mm)
