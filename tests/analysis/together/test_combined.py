"""True TDC and lobes from gauges in the same turns: angles from TDC, what cancels in them, what is refused."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np
import pytest

from analysis.base import Floats, GaugeFacts, LobeSettings, Refusal, TdcSettings, changes
from analysis.together import Centre, GaugeOn, TogetherResult, TogetherSettings, angle_between, find_together
from analysis.together.shared_lag import LagPrior, LagWitness, join_lags, witness_of
from simulated_devices.faults.at_gauge import AtGauge
from simulated_devices.faults.crank import EncoderSlip
from simulated_devices.faults.gauge import FrozenGauge
from simulated_devices.faults.jobs import four_cylinders
from simulated_devices.machine import Hand, Manner, Mounting
from simulated_devices.traces import record
from simulated_devices.traces.random_together import UNLIKE_S, TogetherBench, random_together

DROP_MM = 1.27


def generator(name: str, seed: int) -> np.random.Generator:
    return np.random.default_rng([20261125, seed, *name.encode()])


def gauges_of(bench: TogetherBench, said: Mapping[str, str] | None = None) -> list[GaugeOn]:
    """The gauges with what is known of each; `said` tells of a gauge that it touches something else."""
    gauges = []
    for name, trace in bench.trace.gauges.items():
        touches, known = (said or {}).get(name, name), bench.gauges[name]
        valve = "inlet" if touches == "inlet" else "exhaust" if touches == "exhaust" else None
        facts = GaugeFacts(known.lag_s, known.lag_u_s, known.step_mm)
        gauges.append(GaugeOn(name, valve, trace.time_s, trace.value_mm, facts))
    return gauges


def crank_of(bench: TogetherBench) -> tuple[Floats, Floats]:
    """The crank's lines as they are stored: of those that repeat a count the first and the last."""
    kept = changes(bench.trace.crank_deg)
    return bench.trace.crank_time_s[kept], bench.trace.crank_deg[kept]


def ask(
    bench: TogetherBench, said: Mapping[str, str] | None = None, alike: bool | None = None
) -> TogetherResult:
    crank = bench.trace.setup.engine.crank
    known = (
        TdcSettings(crank.stroke_mm, crank.rod_mm, crank.pin_offset_mm) if bench.geometry else TdcSettings()
    )
    alike = bench.alike if alike is None else alike
    settings = TogetherSettings(known, LobeSettings(drop_mm=DROP_MM), UNLIKE_S if alike else None)
    return find_together(*crank_of(bench), gauges_of(bench, said), settings)


def wrapped(deg: float, cycle_deg: float) -> float:
    return (deg + cycle_deg / 2) % cycle_deg - cycle_deg / 2


def lobe_errors(bench: TogetherBench, result: TogetherResult) -> dict[str, float]:
    return {
        one.gauge: wrapped(one.lobe.centre_deg - bench.lobe_atdc_deg(one.gauge, DROP_MM), 720.0)
        for one in result.lobes
    }


def true_separation(bench: TogetherBench) -> float:
    return ((bench.lobe_atdc_deg("inlet", DROP_MM) - bench.lobe_atdc_deg("exhaust", DROP_MM)) % 720.0) / 2


@pytest.fixture(scope="module")
def many() -> list[tuple[TogetherBench, TogetherResult]]:
    benches = [random_together(generator("many", seed), "turns_and_back") for seed in range(24)]
    return [(bench, ask(bench)) for bench in benches]


@pytest.mark.slow
def test_intervals_hold_lobes_from_tdc_and_separations(
    many: list[tuple[TogetherBench, TogetherResult]],
) -> None:
    lobes = [
        abs(lobe_errors(bench, result)[one.gauge]) <= one.lobe.u95_deg
        for bench, result in many
        for one in result.lobes
    ]
    apart = [
        abs(one.cam_deg - true_separation(bench)) <= one.u95_cam_deg
        for bench, result in many
        for one in result.separations
    ]
    assert (len(lobes), len(apart)) == (48, 24)
    assert sum(lobes) >= 42, "of 48 intervals stated at 95 %, 46 are expected to hold"
    assert sum(apart) >= 20, "of 24 intervals stated at 95 %, 23 are expected to hold"


@pytest.mark.slow
def test_overlap_tdc_is_told_from_firing_tdc(many: list[tuple[TogetherBench, TogetherResult]]) -> None:
    for bench, result in many:
        off = wrapped(result.overlap_tdc_deg - bench.trace.truth.overlap_tdc_deg, 720.0)
        assert abs(off) < 2.0 * result.tdc.u95_deg + 0.1
        assert result.overlap_tdc_deg % 360.0 == pytest.approx(result.tdc.centre_deg)


@pytest.mark.slow
def test_the_card_angle_is_after_tdc_for_an_inlet_and_before_it_for_an_exhaust_lobe(
    many: list[tuple[TogetherBench, TogetherResult]],
) -> None:
    for _, result in many:
        inlet, exhaust = result.lobes
        assert inlet.card_deg == pytest.approx(inlet.lobe.centre_deg)
        assert exhaust.card_deg == pytest.approx(720.0 - exhaust.lobe.centre_deg)
        assert result.separations[0].cam_deg == pytest.approx((inlet.card_deg + exhaust.card_deg) / 2)


@pytest.mark.slow
def test_the_budget_of_a_lobe_adds_up_to_its_interval(
    many: list[tuple[TogetherBench, TogetherResult]],
) -> None:
    for _, result in many:
        for one in result.lobes:
            together = sum(line.u_deg**2 for line in one.lobe.budget) ** 0.5
            assert 2 * together == pytest.approx(one.lobe.u95_deg, rel=0.01)
        together = sum(line.u_deg**2 for line in result.tdc.budget) ** 0.5
        assert 2 * together == pytest.approx(result.tdc.u95_deg, rel=0.01)


@pytest.fixture(scope="module")
def steady() -> list[tuple[TogetherBench, TogetherResult]]:
    """Two and a half turns forward at one speed, lags unknown, three gauges of one kind: nothing tells the lag."""
    benches = [steadily(seed) for seed in range(6)]
    return [(bench, ask(bench)) for bench in benches]


def steadily(seed: int) -> TogetherBench:
    """A bench turned evenly, with an encoder that adds next to nothing."""
    rng = generator("steady", seed)
    bench = random_together(rng, "two_turns", alike=True, lag_told=False)
    setup = bench.trace.setup
    motion = Hand(-130.0, Manner(rng.uniform(15.0, 40.0)), rng).turns(2.72).done()
    encoder = replace(setup.encoder, counts_per_turn=8192, rate_hz=500.0)
    return replace(bench, trace=record(replace(setup, motion=motion, encoder=encoder), rng))


@pytest.mark.slow
def test_of_an_unknown_lag_that_gauges_share_little_is_left_between_tdc_and_lobe(
    steady: list[tuple[TogetherBench, TogetherResult]],
) -> None:
    blind = [(bench, result) for bench, result in steady if result.tdc.u95_deg > 0.5]
    assert len(blind) >= 3, "one way at one speed tells no lag"
    for bench, result in blind:
        for one in result.lobes:
            assert one.lobe.u95_deg < 0.2 * one.apart_u95_deg
            assert abs(lobe_errors(bench, result)[one.gauge]) < 1.5 * one.lobe.u95_deg


@pytest.mark.slow
def test_without_the_word_that_they_are_alike_the_interval_stays_wide(
    steady: list[tuple[TogetherBench, TogetherResult]],
) -> None:
    bench, told = max(steady, key=lambda pair: pair[1].tdc.u95_deg)
    apart = ask(bench, alike=False)
    assert apart.lobes[0].lobe.u95_deg == pytest.approx(apart.lobes[0].apart_u95_deg)
    assert apart.lobes[0].lobe.u95_deg > 2.0 * told.lobes[0].lobe.u95_deg


@pytest.mark.slow
def test_the_separation_is_the_same_whichever_tdc_it_is_told_beside(
    many: list[tuple[TogetherBench, TogetherResult]],
) -> None:
    bench, result = many[0]
    moved = replace(bench.trace, crank_deg=bench.trace.crank_deg + 123.4)
    again = ask(replace(bench, trace=moved))
    assert again.separations[0].cam_deg == pytest.approx(result.separations[0].cam_deg, abs=0.02)
    assert again.lobes[0].lobe.centre_deg == pytest.approx(result.lobes[0].lobe.centre_deg, abs=0.05)


# -- what is refused


def refused(ask_it: Callable[[], object]) -> Refusal:
    with pytest.raises(Refusal) as told:
        ask_it()
    return told.value


@pytest.mark.parametrize("seed", range(3))
def test_inlet_and_exhaust_told_the_wrong_way_round_are_refused(seed: int) -> None:
    bench = random_together(generator("swapped", seed), "turns")
    told = refused(lambda: ask(bench, {"inlet": "exhaust", "exhaust": "inlet"}))
    assert told.code == "lobe_not_of_this_cylinder"


@pytest.mark.parametrize("seed", range(3))
def test_a_valve_gauge_told_as_the_piston_s_gives_no_number(seed: int) -> None:
    bench = random_together(generator("on the piston", seed), "turns")
    assert refused(lambda: ask(bench, {"inlet": "piston", "piston": "inlet"})).message.startswith("Gauge ")


@pytest.mark.parametrize(
    ("cylinder_of", "code"),
    [
        ({"inlet": 3, "exhaust": 3}, "lobe_not_of_this_cylinder"),
        ({"inlet": 2}, "lobe_not_of_this_cylinder"),
        ({"exhaust": 4}, "overlap_contradicted"),
    ],
)
def test_valves_of_another_cylinder_are_refused(cylinder_of: dict[str, int], code: str) -> None:
    rng = generator("another cylinder", len(code))
    bench = random_together(rng, "turns", engine=four_cylinders(rng), cylinder_of=cylinder_of)
    assert refused(lambda: ask(bench)).code == code


@pytest.mark.slow
def test_gauges_said_to_be_alike_that_answer_unlike_are_each_taken_by_itself() -> None:
    bench = random_together(generator("unlike", 1), "turns_and_back", alike=True, lag_told=False)
    setup = bench.trace.setup
    late = {name: _later(one, 0.06 if name == "piston" else 0.0) for name, one in setup.mountings.items()}
    unlike = replace(bench, trace=record(replace(setup, mountings=late), generator("unlike", 2)))
    told = ask(unlike)
    assert [one.code for one in told.warnings] == ["lags_differ"]
    apart = ask(unlike, alike=False)
    assert [one.lobe.centre_deg for one in told.lobes] == [one.lobe.centre_deg for one in apart.lobes]
    assert [one.lobe.u95_deg for one in told.lobes] == [one.lobe.u95_deg for one in apart.lobes]


def _later(mounting: Mounting, by_s: float) -> Mounting:
    return replace(mounting, gauge=replace(mounting.gauge, lag_s=mounting.gauge.lag_s + by_s))


def test_two_lags_given_for_gauges_that_are_alike_are_refused() -> None:
    bench = random_together(generator("two lags", 1), "turns", alike=False, lag_told=True)
    assert refused(lambda: ask(bench, alike=True)).code == "lags_differ"


def test_a_lobe_passed_after_the_last_tdc_only_is_refused() -> None:
    bench = random_together(generator("cut", 0), "two_turns", valves=("inlet",))
    trace, zero = bench.trace, bench.trace.truth.zero_deg
    # From 60 degrees before overlap TDC to 60 before the next: the lobe is passed, TDC not again.
    kept = (trace.crank_deg > zero - 60.0) & (trace.crank_deg < zero + 300.0)
    from_s, to_s = trace.crank_time_s[kept][[0, -1]]
    gauges = [
        replace(one, time_s=one.time_s[inside], reading_mm=one.reading_mm[inside])
        for one in gauges_of(bench)
        for inside in [(one.time_s > from_s) & (one.time_s < to_s)]
    ]
    told = refused(
        lambda: find_together(trace.crank_time_s[kept], trace.crank_deg[kept], gauges, TogetherSettings())
    )
    assert told.code == "lobe_not_between_tdcs"


def test_a_fault_of_one_gauge_names_it() -> None:
    fault = AtGauge("exhaust", FrozenGauge())
    told = refused(lambda: ask(random_together(generator("frozen", 0), "turns", faults=[fault])))
    assert told.message.startswith("Gauge exhaust: ")


@pytest.mark.parametrize("seed", range(4))
def test_an_encoder_that_slipped_is_refused(seed: int) -> None:
    bench = random_together(generator("slip", seed), "turns", faults=[AtGauge("piston", EncoderSlip())])
    refused(lambda: ask(bench))


def test_the_gauges_places_have_to_be_told() -> None:
    bench = random_together(generator("places", 0), "two_turns")
    for said in ({"piston": "inlet"}, {"inlet": "piston", "exhaust": "piston"}, {"inlet": "piston"}):
        assert refused(lambda said=said: ask(bench, said)).code == "which_gauge_where"


# -- the arithmetic


def test_lags_of_a_kind_join_as_a_gaussian_conditioned_in_one_step() -> None:
    prior = LagPrior(0.075, 0.06, 0.002)
    mean, variance = np.array([0.060, 0.064, 0.058]), np.array([0.003, 0.01, 0.005]) ** 2
    lags = join_lags([LagWitness(m, 1.0 / v) for m, v in zip(mean, variance, strict=True)], prior)
    # By the textbook: precision of the prior plus precision of the witnesses.
    before = np.full((3, 3), prior.u_s**2) + prior.unlike_u_s**2 * np.eye(3)
    expected = np.linalg.inv(np.linalg.inv(before) + np.diag(1.0 / variance))
    assert lags.covariance_s2 == pytest.approx(expected, rel=1e-9)
    weighed = np.linalg.inv(before) @ np.full(3, prior.mean_s) + mean / variance
    assert lags.mean_s == pytest.approx(expected @ weighed, rel=1e-9)


def test_what_was_known_before_is_taken_out_of_a_witness() -> None:
    # Readings that tell 60 ms to 4 ms, and 75 ms to 60 ms known before, weighed together.
    weight, known = 1.0 / 0.004**2, 1.0 / 0.06**2
    lag, u = (0.06 * weight + 0.075 * known) / (weight + known), (weight + known) ** -0.5
    told = witness_of(lag, u, 0.075, 0.06)
    assert (told.mean_s, told.weight) == (pytest.approx(0.06), pytest.approx(weight))


def test_correlated_errors_propagate_as_the_guide_has_it() -> None:
    # GUM (JCGM 100:2008) 5.2.2, equation 13, for the difference of two: u1^2 + u2^2 - 2 u1 u2 r.
    tdc, lobe = Centre(0.31, -30.0, 0.01), Centre(0.33, -28.0, 0.01)
    covariance = 0.8 * (30.0 * 0.01) * (28.0 * 0.01)
    expected = (0.31**2 + 0.33**2 - 2 * covariance) ** 0.5
    assert angle_between(tdc, lobe, 0.8) == pytest.approx(expected, rel=1e-12)


def test_an_encoder_of_which_nothing_is_stated_is_warned_of_with_every_lobe() -> None:
    bench = random_together(generator("unstated", 3))
    crank = bench.trace.setup.engine.crank
    known = TdcSettings(crank.stroke_mm, crank.rod_mm, crank.pin_offset_mm)
    for supposed in (True, False):
        asked = LobeSettings(drop_mm=DROP_MM, encoder_error_deg=0.1, encoder_supposed=supposed)
        found = find_together(*crank_of(bench), gauges_of(bench), TogetherSettings(known, asked))
        said = [
            "encoder_not_stated" in {warning.code for warning in one.lobe.warnings} for one in found.lobes
        ]
        assert said == [supposed] * len(found.lobes)
