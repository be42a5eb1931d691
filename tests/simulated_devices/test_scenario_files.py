"""Scenario files: the examples load, and every mistake gets its one sentence."""

import tomllib

import numpy as np
import pytest

from capture.bench import load_bench
from simulated_devices.live.builder_state import BuilderState
from simulated_devices.machine import CommandError, Hand, ScenarioError
from simulated_devices.scenarios import RecordedBench, bench_file, engine_of, load_scenario
from simulated_devices.scenarios.scenario import SCENARIOS, parse_scenario
from simulated_devices.scenarios.scenario_build import setup_of
from simulated_devices.traces import record

EXAMPLES = sorted(path.name for path in SCENARIOS.glob("*.toml"))
TWIN = (SCENARIOS / "hollin_lane_twin_cam.toml").read_text()


def test_there_are_examples():
    assert {"hollin_lane_twin_cam.toml", "hollin_lane_single_cam.toml"} <= set(EXAMPLES)


@pytest.mark.parametrize("name", EXAMPLES)
def test_an_example_has_the_cams_its_card_says_but_for_what_is_wrong(name):
    scenario = load_scenario(name)
    engine, card = engine_of(scenario), scenario.card
    assert card is not None
    inlet, exhaust = engine.truth_of("inlet_1"), engine.truth_of("exhaust_1")
    late = engine.cams[engine.cam_of["inlet_1"]].pulley_deg
    assert inlet.centre_deg(card.drop_mm) - late == pytest.approx(card.inlet_atdc_deg, abs=1e-6)
    assert inlet.peak_lift_mm == pytest.approx(card.inlet_lift_mm, abs=0.05)
    assert exhaust.peak_lift_mm == pytest.approx(card.exhaust_lift_mm, abs=0.05)


def test_the_single_cam_cannot_be_put_right_by_moving_it():
    scenario = load_scenario("hollin_lane_single_cam")
    engine = engine_of(scenario)
    inlet = engine.truth_of("inlet_1").centre_deg() - 106.0
    exhaust = engine.truth_of("exhaust_1").centre_deg() - (720.0 - 110.0)
    assert inlet - exhaust == pytest.approx(3.0, abs=1e-6)


@pytest.mark.parametrize("name", EXAMPLES)
def test_the_bench_file_of_an_example_is_one_that_capture_takes(name, tmp_path):
    scenario = load_scenario(name)
    file = tmp_path / "bench.toml"
    file.write_text(bench_file(scenario, tmp_path))
    bench = load_bench(file)
    assert bench.crank is not None
    assert bench.crank.counts_per_turn == scenario.encoder.counts_per_turn
    assert [gauge.name for gauge in bench.gauge] == [gauge.name for gauge in scenario.gauge]
    assert [gauge.request for gauge in bench.gauge] == [gauge.request for gauge in scenario.gauge]


def test_a_template_goes_into_the_bench_file_as_a_pattern(tmp_path):
    text = TWIN.replace(
        'frame = "decimal"               # decimal, tagged or template',
        'frame = "template"\ntemplate = "D={value};OK"\npattern = "D=(?P<value>[-+0-9.]+);OK"',
    )
    file = tmp_path / "bench.toml"
    file.write_text(bench_file(parse_scenario(text.encode()), tmp_path))
    assert load_bench(file).gauge[0].frame == "pattern"


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("stroke_mm = 80.0", "stroke_mm = -80.0", "engine.stroke_mm is -80.0"),
        ("pin_offset_mm = 0.8", "pin_offset = 0.8", "engine.pin_offset is not a key"),
        ("stroke_mm = 80.0\n", "", "engine.stroke_mm is missing"),
        ("rod_mm = 135.0", "rod_mm = 30.0", "rod_mm is shorter than half the stroke"),
        ("[1, 3, 4, 2]", "[1, 3, 4, 4]", "firing_order has to name every cylinder once"),
        ('onto = "piston_1"', 'onto = "piston_7"', "cannot touch 'piston_7'"),
        ('gauges = { dial_a = "inlet_1" }', 'gauges = { dial_z = "inlet_1" }', "'dial_z' that there is not"),
        ('name = "dial_b"', 'name = "dial_a"', "two gauges have the same name"),
        ('name = "dial_b"', 'name = "crank"', "taken by the bench itself"),
        ("counts_per_turn = 3600", "counts_per_turn = 1", "encoder.counts_per_turn is 1"),
        ('do = "turns", count = 2.0', 'do = "turns"', "needs count"),
        ('do = "turns", count', 'do = "spin", count', "hand.2.do is 'spin'"),
        ("baud = 115200", "baud = 300", "do not fit through 300 baud"),
        ('valve = "exhaust"', 'valve = "inlet"', "two lobes open the same valves"),
        ("seed = 1804", "seed = ", "is not TOML"),
    ],
)
def test_a_mistake_in_a_scenario_gets_one_sentence(old, new, words):
    assert old in TWIN
    with pytest.raises(ScenarioError) as caught:
        parse_scenario(TWIN.replace(old, new, 1).encode(), "twin.toml")
    assert words in str(caught.value)
    assert len(str(caught.value).splitlines()) == 1


def test_a_scenario_that_is_not_there_or_not_text_is_told_plainly(tmp_path):
    with pytest.raises(ScenarioError, match="cannot be read: No such file"):
        load_scenario(tmp_path / "none.toml")
    with pytest.raises(ScenarioError, match="is not UTF-8"):
        parse_scenario(b"\xff\xfe", "x")


def test_a_scenario_can_be_recorded_whole():
    scenario = load_scenario("hollin_lane_twin_cam")
    motion = Hand(-120.0).turns(2.0).done()
    trace = record(setup_of(scenario, motion, {"dial_a": "inlet_1"}), np.random.default_rng(1))
    assert set(trace.gauges) == {"dial_a", "dial_b"}
    assert trace.truth.lobe("inlet_1", trace.truth.overlap_tdc_deg).centre_deg() == pytest.approx(111.4)
    assert tomllib.loads(TWIN)["encoder"]["zero_deg"] == pytest.approx(-trace.truth.zero_deg)


def test_a_visitor_s_hands_go_before_the_builder_s():
    who = BuilderState()
    with pytest.raises(CommandError, match="no builder"):
        who.told("let_me")
    who.told("begin")
    who.admit(builder=True)
    who.told("pause")
    assert who.mode == "paused"
    who.admit(builder=False)
    with pytest.raises(CommandError, match="visitor has the crank"):
        who.admit(builder=True)
    who.told("go_on")
    who.admit(builder=True)
    assert who.mode == "working"


@pytest.mark.parametrize("name", ["hollin_lane_v_twin", "hollin_lane_chain"])
def test_a_recorded_bench_gives_the_same_trace_from_the_same_seed(name):
    first, second, other = (
        RecordedBench(load_scenario(name), seed).trace("piston_1", forward_only=True) for seed in (1, 1, 2)
    )
    assert first == second != other
