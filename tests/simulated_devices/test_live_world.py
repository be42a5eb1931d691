"""The live world between two looks at it: what a gauge that is seldom read has been pushed through meanwhile."""

import numpy as np
import pytest

from simulated_devices.live.live_hand import LiveHand
from simulated_devices.live.world import World
from simulated_devices.machine import Hand, Manner, Motion
from simulated_devices.scenarios import engine_of, load_scenario

STARTED_S = 10.0
SELDOM_S = 0.1


def turned() -> tuple[World, Motion]:
    world = World(
        engine_of(load_scenario("hollin_lane_twin_cam")),
        LiveHand(-140.0, Manner(60.0), np.random.default_rng(4)),
        STARTED_S,
    )
    return world, Hand(-140.0, Manner(60.0)).turns(0.5).done()


def test_between_two_looks_every_few_milliseconds_are_remembered_where_the_crank_was() -> None:
    world, course = turned()
    world.hand.play(course, "turning")
    told = []
    for look in range(1, 41):
        until_s = STARTED_S + look * SELDOM_S
        world.advance(until_s)
        told += world.passed_through(until_s - SELDOM_S, until_s)
    times = np.array([state.time_s for state in told])
    assert np.diff(times).min() > 0.0
    assert np.diff(times).max() < 0.011
    moving = times < STARTED_S + course.duration_s
    seen = np.array([state.crank_deg for state in told])[moving]
    assert seen == pytest.approx(course.at(times[moving] - STARTED_S), abs=1e-6)


def test_a_world_at_rest_remembers_nothing_and_goes_on_all_the_same() -> None:
    world, course = turned()
    world.advance(STARTED_S + 5.0)
    assert world.passed_through(STARTED_S, STARTED_S + 5.0) == []
    world.hand.play(course, "turning")
    state = world.advance(STARTED_S + 5.5)
    assert state.crank_deg == pytest.approx(float(course.at(np.asarray(0.5))), abs=1e-6)
    assert world.passed_through(STARTED_S + 5.5, STARTED_S + 6.0) == []


def test_a_pulley_that_is_turned_while_the_crank_rests_is_followed_on_its_way() -> None:
    world, _ = turned()
    before_deg = world.advance(STARTED_S).phase_deg["inlet"]
    world.slacken("inlet")
    world.turn_cam("inlet", 0.3)
    world.advance(STARTED_S + 0.04)
    on_the_way = [state.phase_deg["inlet"] for state in world.passed_through(STARTED_S, STARTED_S + 0.04)]
    assert len(on_the_way) >= 5
    assert on_the_way == sorted(on_the_way)
    assert before_deg < on_the_way[0] < on_the_way[-1] < before_deg + 0.3
    assert world.advance(STARTED_S + 1.0).phase_deg["inlet"] == pytest.approx(before_deg + 0.3)
