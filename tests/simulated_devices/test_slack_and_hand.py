"""The cam drive's slack, and the courses that a hand turns."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulated_devices.machine import Hand, Manner, Motion
from simulated_devices.machine.engine import take_up
from simulated_devices.machine.hand import move

courses = st.lists(st.floats(-50.0, 50.0), min_size=1, max_size=60).map(np.cumsum)


def step_by_step(crank, slack, start):
    """The same play, moved one step at a time by pushing contacts."""
    at, out = start, []
    for angle in crank:
        if at < angle:
            at = angle
        elif at > angle + slack:
            at = angle + slack
        out.append(at)
    return np.array(out)


@given(crank=courses, slack=st.floats(0.01, 8.0), share=st.floats(0.0, 1.0))
def test_slack_agrees_with_pushing_contacts_one_step_at_a_time(crank, slack, share):
    start = float(crank[0] + share * slack)
    assert take_up(crank, slack, start) == pytest.approx(step_by_step(crank, slack, start), abs=1e-9)


@given(crank=courses, slack=st.floats(0.0, 8.0))
def test_the_cam_is_never_behind_the_crank_nor_ahead_by_more_than_the_slack(crank, slack):
    ahead = take_up(crank, slack) - crank
    assert ahead.min() >= -1e-9
    assert ahead.max() <= slack + 1e-9


def test_the_cam_waits_for_the_whole_slack_when_the_crank_turns_back():
    crank = np.concatenate(
        [np.linspace(0.0, 100.0, 101), np.linspace(99.0, 90.0, 10), np.linspace(91.0, 120.0, 30)]
    )
    cam = take_up(crank, 4.0)
    assert cam[100] == 100.0
    assert cam[104] == 100.0
    assert cam[110] == 94.0
    assert cam[111:115] == pytest.approx([94.0, 94.0, 94.0, 94.0])
    assert cam[-1] == 120.0


@pytest.mark.parametrize("wander", [0.0, 0.3, 1.0])
def test_a_move_ends_where_it_was_told_to_and_never_turns_about(wander):
    course = move(10.0, -400.0, Manner(40.0, wander), np.random.default_rng(3))
    assert course.crank_deg[0] == 10.0
    assert course.crank_deg[-1] == pytest.approx(-390.0)
    assert (np.diff(course.crank_deg) <= 0.0).all()


def test_a_steady_move_turns_at_the_speed_asked_for():
    course = move(0.0, 720.0, Manner(30.0), np.random.default_rng(0))
    middle = (course.time_s > 5.0) & (course.time_s < 20.0)
    speed = np.diff(course.crank_deg[middle]) / np.diff(course.time_s[middle])
    assert speed == pytest.approx(np.full(speed.size, 30.0), rel=1e-6)


def test_a_hand_rocks_steps_pauses_and_comes_back():
    hand = Hand(-100.0, Manner(60.0, 0.2), np.random.default_rng(1))
    course = hand.rock(0.0, 40.0, 2).steps(60.0, 10.0, 0.5).pause(1.0).turns(-1.0).done()
    assert course.crank_deg.max() == pytest.approx(60.0, abs=1e-6)
    assert course.crank_deg[-1] == pytest.approx(-300.0, abs=1e-6)
    assert (np.diff(course.time_s) >= 0.0).all()
    still = np.interp(np.arange(0.0, course.duration_s, 0.01), course.time_s, course.crank_deg)
    assert (np.diff(still) == 0.0).sum() > 500


def test_a_course_can_be_held_at_any_moment():
    course = Motion(np.array([0.0, 10.0]), np.array([0.0, 100.0])).with_pause(4.0, 3.0)
    assert course.at(np.array([4.0, 5.5, 7.0, 13.0])) == pytest.approx([40.0, 40.0, 40.0, 100.0])
    assert course.until(5.0).duration_s == 5.0


def test_the_same_seed_turns_the_same_course():
    one, two, other = (
        Hand(0.0, Manner(30.0, 0.3), np.random.default_rng(seed)).turns(1.0).done() for seed in (5, 5, 6)
    )
    assert (one.crank_deg == two.crank_deg).all()
    assert one.crank_deg[1000] != other.crank_deg[1000]
