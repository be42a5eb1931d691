"""Lobes on traces made in this file: other conventions than the simulated bench, no shared formula.

The lobe is a sum of even powers (unlike on its two sides), the drive's play is followed tick by tick, and the
truth is read off a dense table.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from bench_cases import as_stored

from analysis.base import GaugeFacts, LobeSettings, Refusal, Streams
from analysis.lobe import find_lobe

TICK_S = 0.002
TABLE_DEG = np.linspace(-360.0, 360.0, 144_001)
CHECKS_MM = (0.3, 1.0, 1.27, 3.0)


@dataclass(frozen=True)
class Shape:
    """Lift over crank degrees from the nose; the flat's half on either side is added to each flank."""

    lift_mm: float = 9.4
    opens_deg: float = 128.0
    closes_deg: float = 139.0
    flat_deg: float = 0.0
    clearance_mm: float = 0.0

    def lift(self, from_nose_deg: np.ndarray) -> np.ndarray:
        half = self.flat_deg / 2
        reach = np.where(from_nose_deg < 0, self.opens_deg, self.closes_deg) - half
        share = np.clip((np.abs(from_nose_deg) - half) / reach, 0.0, 1.0)
        ground = self.lift_mm * (1 - share**2) ** 3 * (1 + 0.4 * share**2)
        return np.maximum(ground - self.clearance_mm, 0.0)

    def crossings(self, level_mm: float) -> tuple[float, float]:
        above = np.flatnonzero(self.lift(TABLE_DEG) > level_mm)
        return float(TABLE_DEG[above[0]]), float(TABLE_DEG[above[-1]])

    def centre(self, drop_mm: float) -> float:
        opens, closes = self.crossings(self.lift_mm - self.clearance_mm - drop_mm)
        return (opens + closes) / 2


@dataclass(frozen=True)
class Bench:
    streams: Streams
    nose_deg: float


def cam_side(crank_deg: np.ndarray, slack_deg: float) -> np.ndarray:
    """The cam stays until the crank has taken up the play either way."""
    cam, place = np.empty_like(crank_deg), crank_deg[0]
    for tick, crank in enumerate(crank_deg):
        place = min(max(place, crank), crank + slack_deg)
        cam[tick] = place
    return cam


def turned(
    speeds: tuple[float, ...], start_deg: float, each_deg: float, back: bool, back_deg: float
) -> np.ndarray:
    """Crank angle every tick: one stretch after another, a short rest between, the last one backwards."""
    parts, place = [], start_deg
    for number, speed in enumerate(speeds):
        way = -1 if back and number == len(speeds) - 1 else 1
        each_deg = back_deg if way < 0 else each_deg
        ticks = int(each_deg / speed / TICK_S)
        pace = 1 + 0.15 * np.sin(np.linspace(0, 25, ticks) + number)
        parts += [place + way * np.cumsum(pace) * each_deg / pace.sum(), np.full(200, place + way * each_deg)]
        place += way * each_deg
    return np.concatenate(parts)


def bench(
    seed: int,
    shape: Shape,
    speeds: tuple[float, ...] = (25.0, 40.0, 32.0, 30.0),
    *,
    start_deg: float = -270.0,
    each_deg: float = 720.0,
    back: bool = True,
    back_deg: float = 720.0,
    polarity: int = 1,
    lag_s: float = 0.06,
    step_mm: float = 0.01,
    rest_mm: float = 0.0,
    jitter_s: float = 0.006,
    readings_hz: float = 12,
    lines_hz: float = 200,
) -> Bench:
    """A gauge of that step, 3,600 counts, 3 degrees of play."""
    rng = np.random.default_rng([20261127, seed])
    crank = turned(speeds, start_deg, each_deg, back, min(each_deg, back_deg))
    ticks_s = np.arange(len(crank)) * TICK_S + 500.0
    zero = rng.uniform(0, 720)
    cam = cam_side(crank, 3.0)
    lift = shape.lift((cam + 360.0) % 720.0 - 360.0) + rest_mm
    lines_s = np.arange(ticks_s[0] + 0.3, ticks_s[-1] - 0.01, 1 / lines_hz)
    counts = np.floor((np.interp(lines_s, ticks_s, crank) + zero) * 10) / 10 + 0.05
    reading_s = np.arange(ticks_s[0] + 0.5, ticks_s[-1] - 0.01, 1 / readings_hz)
    late_s = lag_s + rng.uniform(-jitter_s, jitter_s, len(reading_s))
    shown = np.round((polarity * np.interp(reading_s - late_s, ticks_s, lift) + 2.7) / step_mm) * step_mm
    return Bench(as_stored(Streams(lines_s, counts, reading_s, shown)), zero % 720)


def off_by(found_deg: float, truth_deg: float) -> float:
    return (found_deg - truth_deg + 360) % 720 - 360


SETTINGS = LobeSettings(check_lifts_mm=CHECKS_MM)


@pytest.mark.parametrize("polarity", [1, -1])
@pytest.mark.parametrize(
    "known", [GaugeFacts(), GaugeFacts(0.06, 0.001, 0.01)], ids=["lag unknown", "lag known"]
)
def test_centre_lift_and_events_lie_within_what_is_stated(known: GaugeFacts, polarity: int) -> None:
    shape = Shape()
    for seed in range(4):
        made = bench(seed, shape, polarity=polarity)
        found = find_lobe(made.streams, SETTINGS, known)
        assert abs(off_by(found.centre_deg, made.nose_deg + shape.centre(1.27))) < 1.5 * found.u95_deg
        assert found.u95_deg < 0.3
        assert found.peak_lift_mm == pytest.approx(shape.lift_mm, abs=max(3 * found.peak_lift_u_mm, 0.006))
        assert abs(off_by(found.full_lift_deg, made.nose_deg)) < max(3 * found.full_lift_u_deg, 0.6)
        assert len(found.events) == len(CHECKS_MM)
        for event in found.events:
            opens, closes = shape.crossings(event.lift_mm)
            assert event.u_opens_deg is not None
            assert event.u_closes_deg is not None
            assert abs(off_by(event.opens_deg, made.nose_deg + opens)) < 3.5 * event.u_opens_deg
            assert abs(off_by(event.closes_deg, made.nose_deg + closes)) < 3.5 * event.u_closes_deg
            assert event.duration_deg == pytest.approx(closes - opens, abs=0.35)


def test_the_way_back_tells_the_slack() -> None:
    found = find_lobe(bench(5, Shape()).streams, SETTINGS, GaugeFacts())
    assert found.slack_deg == pytest.approx(3.0, abs=0.3)
    assert found.lag_s == pytest.approx(0.06, abs=0.006)


def test_unlike_flanks_lean_the_centre_over_the_drop() -> None:
    shape = Shape(opens_deg=118.0, closes_deg=148.0)
    made = bench(6, shape)
    found = find_lobe(made.streams, SETTINGS, GaugeFacts(0.06, 0.001, 0.01))
    assert found.asymmetry_deg > 0.5
    for at in found.centres:
        assert abs(off_by(at.centre_deg, made.nose_deg + shape.centre(at.drop_mm))) < 4 * at.u_deg


def test_full_lift_of_a_flat_nose_is_the_middle_of_the_flat() -> None:
    for seed in range(4):
        made = bench(20 + seed, Shape(opens_deg=134.0, closes_deg=134.0, flat_deg=12.0))
        found = find_lobe(made.streams, SETTINGS, GaugeFacts(0.06, 0.001, 0.01))
        assert abs(off_by(found.full_lift_deg, made.nose_deg)) < 1.0


@pytest.mark.parametrize("turned_deg", [120.0, 330.0, 420.0])
def test_a_sweep_that_begins_on_a_falling_flank_is_not_taken_for_a_lobe_upside_down(
    turned_deg: float,
) -> None:
    made = bench(7, Shape(), (30.0,), start_deg=40.0, each_deg=turned_deg, back=False, polarity=-1)
    with pytest.raises(Refusal) as refused:
        find_lobe(made.streams, SETTINGS, GaugeFacts())
    assert refused.value.code in {"nose_not_seen", "one_flank_only", "not_a_lobe", "drop_not_reached"}


def test_once_the_nose_has_been_passed_such_a_sweep_is_measured() -> None:
    shape = Shape()
    made = bench(8, shape, (30.0,), start_deg=40.0, each_deg=820.0, back=False, polarity=-1)
    found = find_lobe(made.streams, SETTINGS, GaugeFacts(0.06, 0.001, 0.01))
    assert abs(off_by(found.centre_deg, made.nose_deg + shape.centre(1.27))) < 2 * found.u95_deg


@pytest.mark.parametrize("begun_deg", [106.0, 112.0])
def test_a_flank_that_was_not_read_hides_no_nose(begun_deg: float) -> None:
    """To and fro over 650 degrees: the nose is passed, and of the closing flank its foot is seen and its upper part."""
    shape = Shape(closes_deg=165.0)
    for polarity in (1, -1):
        made = bench(11, shape, (40.0, 40.0), start_deg=begun_deg, each_deg=650.0, polarity=polarity)
        found = find_lobe(made.streams, SETTINGS, GaugeFacts(0.06, 0.001, 0.01))
        assert abs(off_by(found.centre_deg, made.nose_deg + shape.centre(1.27))) < 1.5 * found.u95_deg


@pytest.mark.parametrize("begun_deg", [30.0, 50.0, 70.0])
def test_a_nose_between_what_was_read_is_not_guessed(begun_deg: float) -> None:
    made = bench(12, Shape(closes_deg=165.0), (40.0, 40.0), start_deg=begun_deg, each_deg=640.0, polarity=-1)
    with pytest.raises(Refusal) as refused:
        find_lobe(made.streams, SETTINGS, GaugeFacts(0.06, 0.001, 0.01))
    assert refused.value.code == "nose_not_seen"


def test_one_steady_pass_without_a_known_lag_says_so_by_a_wide_interval() -> None:
    made = bench(9, Shape(), (30.0,), back=False)
    found = find_lobe(made.streams, SETTINGS, GaugeFacts())
    assert found.u95_deg > 0.5
    assert {"seen_once", "lag_not_found"} <= {warning.code for warning in found.warnings}


def test_the_same_trace_gives_the_same_number() -> None:
    made = bench(10, Shape())
    first, again = (find_lobe(made.streams, SETTINGS, GaugeFacts()) for _ in range(2))
    assert first.centre_deg == again.centre_deg
    assert first.u95_deg == again.u95_deg


def test_single_wild_readings_move_nothing() -> None:
    made = bench(11, Shape())
    spoilt = made.streams.gauge_mm.copy()
    spoilt[40::97] += 6.0
    calm = find_lobe(made.streams, SETTINGS, GaugeFacts())
    wild = find_lobe(
        Streams(made.streams.crank_time_s, made.streams.crank_deg, made.streams.gauge_time_s, spoilt),
        SETTINGS,
        GaugeFacts(),
    )
    assert abs(off_by(wild.centre_deg, calm.centre_deg)) < 0.5 * calm.u95_deg


def test_a_lag_told_as_not_a_number_is_no_crash() -> None:
    made = bench(12, Shape())
    streams = Streams(
        made.streams.crank_time_s,
        made.streams.crank_deg,
        made.streams.gauge_time_s,
        np.where(np.arange(len(made.streams.gauge_mm)) % 5 == 0, np.nan, made.streams.gauge_mm),
    )
    found = find_lobe(streams, SETTINGS, GaugeFacts())
    assert "not_a_number" in {warning.code for warning in found.warnings}
    assert np.isfinite(found.centre_deg)


@pytest.mark.parametrize("step_mm", [0.001, 0.01])
def test_clearance_taken_up_with_a_bump_is_no_corner_in_the_curve(step_mm: float) -> None:
    """The valve starts off at 0.07 mm a degree, where no ramp was ground; its lift is smooth from there on."""
    for seed in range(3):
        shape = Shape(11.5, 112.0, 124.0, clearance_mm=0.48)
        made = bench(seed, shape, (22.0, 34.0), back=False, step_mm=step_mm)
        found = find_lobe(made.streams, SETTINGS, GaugeFacts(0.06, 0.001, step_mm))
        assert abs(off_by(found.centre_deg, made.nose_deg + shape.centre(1.27))) < 1.5 * found.u95_deg
        assert found.u95_deg < 0.3


def test_lifts_and_events_are_as_sure_as_the_digit_that_the_base_circle_rests_on() -> None:
    """All readings on the base circle are rounded by the same amount, anything up to half a step."""
    shape, off = Shape(), []
    for seed in range(20):
        rest_mm = float(np.random.default_rng([1804, seed]).uniform(-0.005, 0.005))
        made = bench(seed, shape, (25.0, 40.0), back=False, rest_mm=rest_mm)
        found = find_lobe(made.streams, SETTINGS, GaugeFacts(0.06, 0.001, 0.01))
        event = next(one for one in found.events if one.lift_mm == 1.0)
        opens_deg, closes_deg = shape.crossings(1.0)
        off += [
            (found.peak_lift_mm - shape.lift_mm) / found.peak_lift_u_mm,
            off_by(event.opens_deg, made.nose_deg + opens_deg) / (event.u_opens_deg or 1.0),
            off_by(event.closes_deg, made.nose_deg + closes_deg) / (event.u_closes_deg or 1.0),
        ]
    assert 0.5 < np.sqrt(np.mean(np.square(off))) < 1.5


@pytest.mark.parametrize(("step_mm", "jitter_s"), [(0.001, 0.0002), (0.01, 0.006)])
@pytest.mark.parametrize("back_deg", [350.0, 365.0, 420.0, 700.0])
def test_slack_is_told_from_the_flanks_however_much_of_the_way_back_lies_on_the_base_circle(
    back_deg: float, step_mm: float, jitter_s: float
) -> None:
    made = bench(5, Shape(), back_deg=back_deg, step_mm=step_mm, jitter_s=jitter_s)
    found = find_lobe(made.streams, SETTINGS, GaugeFacts(0.06, 0.001, step_mm))
    assert found.slack_deg is not None
    assert found.slack_u_deg is not None
    assert abs(found.slack_deg - 3.0) < 3.0 * found.slack_u_deg
    assert found.slack_u_deg < 0.2


def test_a_way_back_along_the_base_circle_tells_no_slack() -> None:
    found = find_lobe(
        bench(5, Shape(), back_deg=325.0, step_mm=0.001, jitter_s=0.0002).streams, SETTINGS, GaugeFacts()
    )
    assert found.slack_deg is None


@pytest.mark.parametrize("seed", range(4))
def test_passes_at_like_speeds_with_a_sharp_foot_leave_the_lag_open_and_the_curve_in_one_piece(
    seed: int,
) -> None:
    """The lag swings to and fro from round to round; the curve must not be bent by that, nor the interval be short."""
    shape = Shape(10.1, 118.0, 131.0, clearance_mm=0.4)
    made = bench(seed, shape, (44.0, 43.0, 42.0), back=False, step_mm=0.001, lag_s=0.03)
    found = find_lobe(made.streams, SETTINGS, GaugeFacts(step_mm=0.001))
    peak_mm = shape.lift_mm - shape.clearance_mm
    assert found.peak_lift_mm == pytest.approx(peak_mm, abs=0.01)
    assert abs(off_by(found.centre_deg, made.nose_deg + shape.centre(1.27))) < 1.5 * found.u95_deg


def test_a_second_pass_that_ends_on_the_flank_is_no_jump_of_the_lobe() -> None:
    for seed in range(4):
        made = bench(seed, Shape(), (32.0, 31.0), back=False, each_deg=500.0, jitter_s=0.012)
        found = find_lobe(made.streams, SETTINGS, GaugeFacts())
        assert abs(off_by(found.centre_deg, made.nose_deg + Shape().centre(1.27))) < 1.5 * found.u95_deg


@pytest.mark.parametrize("lift_mm", [16.0, 20.0])
def test_a_high_lobe_is_measured_as_any_other(lift_mm: float) -> None:
    """Valves of racing engines lift so high (from memory); two of three were accused of springs that throw the cam."""
    shape = Shape(lift_mm=lift_mm, opens_deg=112.0, closes_deg=118.0, flat_deg=8.0)
    for seed in (80, 81, 82):
        made = bench(seed, shape, (80.0, 90.0, 85.0), step_mm=0.001, jitter_s=0.0, readings_hz=15)
        found = find_lobe(made.streams, SETTINGS, GaugeFacts(0.06, 0.001, 0.001))
        assert abs(off_by(found.centre_deg, made.nose_deg + shape.centre(1.27))) < 1.5 * found.u95_deg < 0.3


@pytest.mark.parametrize("lines_hz", [7.0, 10.0, 15.0])
def test_an_encoder_of_few_lines_a_second_is_no_fault(lines_hz: float) -> None:
    shape = Shape()
    for seed in range(4):
        made = bench(50 + seed, shape, (90.0, 100.0, 90.0), lines_hz=lines_hz)
        found = find_lobe(made.streams, SETTINGS, GaugeFacts(0.06, 0.001, 0.01))
        assert abs(off_by(found.centre_deg, made.nose_deg + shape.centre(1.27))) < 1.5 * found.u95_deg < 1.0
