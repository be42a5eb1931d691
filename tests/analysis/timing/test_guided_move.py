"""Moving a modelled cam by the guidance alone, with slack in its drive and a hand that overshoots."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.base import Refusal
from analysis.moving import best_park, crank_move, first_phase, flank_move, follow_crank, follow_flank
from analysis.timing import StoredLift

HALF_OPEN, HALF_CLOSE = 118.0, 126.0


def lobe_mm(crank_deg, centre_deg):
    """A lobe of unlike flanks by a law of its own: 9.8 mm, the fourth power of a cosine's root."""
    after = (np.asarray(crank_deg, float) - centre_deg + 360) % 720 - 360
    half = np.where(after < 0, HALF_OPEN, HALF_CLOSE)
    inside = np.clip(1 - (after / half) ** 2, 0, None)
    return 9.8 * inside**2 * (1 + 0.4 * (1 - inside))


def stored(centre_deg):
    crank = np.arange(0.0, 720.0, 1.0)
    return StoredLift(crank, lobe_mm(crank, centre_deg))


@settings(max_examples=60)
@given(
    st.one_of(st.floats(-25, -0.3), st.floats(0.3, 25)),
    st.sampled_from([108.0, 612.0, 288.0]),
    st.sampled_from([1, -1]),
    st.floats(-20, 20),
    st.integers(0, 10_000),
)
def test_with_the_crank_held_the_gauge_leads_the_cam_to_its_number(error, card, polarity, zero, seed):
    rng = np.random.default_rng(seed)
    lift = stored(card + error)
    park = best_park(lift, error)
    assert park.leaves_deg == 0
    held = park.crank_deg + rng.uniform(-0.1, 0.1)

    def gauge(left):
        return round(zero + polarity * float(lobe_mm(held, card + left)), 2)

    move = flank_move(lift, error, park_deg=held, reading_mm=gauge(error), polarity=polarity)
    left, tones = error, []
    for _ in range(60):
        view = follow_flank(move, gauge(left), held + rng.uniform(-0.05, 0.05))
        tones.append(view.tone)
        if view.tone == "on_the_number":
            break
        assert view.to_go_deg == pytest.approx(left, abs=0.35)
        assert (view.to_go_mm > 0) == (move.target_mm > gauge(left))
        left -= view.to_go_deg * rng.uniform(0.5, 1.25)  # a clumsy hand
    assert tones[-1] == "on_the_number"
    assert abs(left) < 0.25


def test_an_overshoot_is_heard_and_led_back():
    lift = stored(118.0)
    park = best_park(lift, 10.0)
    move = flank_move(lift, 10.0, park_deg=park.crank_deg, reading_mm=5.0)
    shift = float(lobe_mm(park.crank_deg, 106.5) - lobe_mm(park.crank_deg, 118.0))
    view = follow_flank(move, 5.0 + shift, park.crank_deg)
    assert view.tone == "overshot"
    assert view.to_go_deg == pytest.approx(-1.5, abs=0.1)
    assert "Cam later" in view.sentence


def test_the_other_way_is_told():
    lift = stored(118.0)
    park = best_park(lift, 10.0)
    move = flank_move(lift, 10.0, park_deg=park.crank_deg, reading_mm=5.0)
    shift = float(lobe_mm(park.crank_deg, 121.0) - lobe_mm(park.crank_deg, 118.0))
    view = follow_flank(move, 5.0 + shift, park.crank_deg)
    assert view.tone == ""
    assert view.sentence.startswith("The other way.")


@pytest.mark.parametrize(("off", "way"), [(0.6, "forward"), (-0.6, "back")])
def test_a_crank_that_moves_while_it_should_stand_still_stops_the_move(off, way):
    lift = stored(118.0)
    park = best_park(lift, 10.0)
    move = flank_move(lift, 10.0, park_deg=park.crank_deg, reading_mm=5.0)
    view = follow_flank(move, 5.0, park.crank_deg + off)
    assert (view.phase, view.tone, view.still) == ("hold", "fault", False)
    assert f"0.6 deg {way}" in view.sentence
    assert follow_flank(move, 5.0, park.crank_deg + 720).still


def test_a_gauge_off_the_flank_stops_the_move():
    lift = stored(118.0)
    park = best_park(lift, 10.0)
    move = flank_move(lift, 10.0, park_deg=park.crank_deg, reading_mm=5.0)
    view = follow_flank(move, 25.0, park.crank_deg)
    assert view.tone == "fault"
    assert "retainer" in view.sentence


def test_the_park_is_on_the_opening_flank_where_the_spring_takes_up_the_slack():
    park = best_park(stored(118.0), 10.0)
    assert park.flank == "opening"
    assert 0 < (118.0 - park.crank_deg) % 720 < HALF_OPEN
    assert park.slope_mm_deg > 0.05


@pytest.mark.parametrize("error", [1.0, -1.0, 20.0, -20.0])
def test_no_other_park_on_the_opening_flank_is_steeper_all_the_way(error):
    lift = stored(118.0)
    best = best_park(lift, error)

    def least_slope(start):
        along = np.linspace(min(0, error) - 2.5, max(0, error) + 2.5, 60) + start
        return np.min((lobe_mm(along + 0.05, 118.0) - lobe_mm(along - 0.05, 118.0)) / 0.1)

    others = [least_slope(start) for start in np.arange(0, 118, 2.0)]
    assert least_slope(best.crank_deg) >= max(others) - 0.006


def test_an_error_too_large_for_the_flank_is_made_in_two_moves():
    park = best_park(stored(170.0), 114.0)
    assert park.leaves_deg != 0
    assert "second move" in park.sentence


def test_a_lobe_without_a_flank_is_refused():
    flat = StoredLift(np.arange(0.0, 720.0), 0.2 * np.sin(np.radians(np.arange(0.0, 720.0) / 2)))
    with pytest.raises(Refusal, match="no_flank"):
        best_park(flat, 5.0)


def test_the_nose_is_no_place_to_be_guided_by_a_gauge():
    lift = stored(118.0)
    with pytest.raises(Refusal, match="not_on_a_flank"):
        flank_move(lift, 10.0, park_deg=113.0, reading_mm=5.0)


def test_a_curve_that_was_not_seen_there_is_refused():
    crank = np.arange(60.0, 180.0)
    lift = StoredLift(crank, lobe_mm(crank, 118.0))
    with pytest.raises(Refusal, match="not_on_a_flank"):
        flank_move(lift, 3.0, park_deg=10.0, reading_mm=5.0)
    with pytest.raises(Refusal, match="curve_does_not_reach"):
        lift.lift_mm(10.0)
    assert 60 <= best_park(lift, 5.0).crank_deg <= 180


# ---------------------------------------------------------------- cam held


class LooseDrive:
    """A pulley driven through slack, loose on a held cam: taken along once the slack is gone."""

    def __init__(self, crank, slack):
        self.slack = slack
        self.crank = crank
        self.pulley = crank  # in crank degrees, slack taken up forward

    def turn_to(self, crank):
        self.crank = crank
        self.pulley = min(max(self.pulley, crank), crank + self.slack)


@settings(max_examples=80)
@given(
    st.one_of(st.floats(-25, -0.3), st.floats(0.3, 25)),
    st.floats(0.3, 8),
    st.floats(-500, 500),
    st.integers(0, 10_000),
)
def test_with_the_cam_held_the_crank_ends_on_its_number_with_the_slack_taken_up(error, slack, start, seed):
    rng = np.random.default_rng(seed)
    drive = LooseDrive(start, slack)
    move = crank_move(error, crank_deg=start, gauge_mm=3.0, slack_deg=slack)
    phase, view, last = first_phase(move), None, start
    for _ in range(200):
        phase, view = follow_crank(move, phase, drive.crank, 3.0)
        if view.phase == "done":
            break
        last = drive.crank
        drive.turn_to(drive.crank + view.to_go_deg * rng.uniform(0.4, 1.02))
    assert view.phase == "done"
    assert drive.crank > last
    bolted = drive.pulley - start  # how far the pulley went round under the cam
    assert error + bolted == pytest.approx(0, abs=0.15)


def test_reaching_the_number_on_the_way_back_is_not_enough():
    move = crank_move(10.0, crank_deg=100.0, gauge_mm=3.0, slack_deg=2.0)
    phase, view = follow_crank(move, "turn_back", 90.0, 3.0)
    assert (phase, view.phase) == ("turn_back", "turn_back")
    assert "past the number" in view.sentence
    phase, view = follow_crank(move, phase, 84.9, 3.0)
    assert (phase, view.phase) == ("come_forward", "come_forward")


def test_going_too_far_forward_sends_back_past_the_number_again():
    move = crank_move(-10.0, crank_deg=100.0, gauge_mm=3.0, slack_deg=2.0)
    assert first_phase(move) == "come_forward"
    phase, view = follow_crank(move, "come_forward", 110.5, 3.0)
    assert (phase, view.tone) == ("turn_back", "overshot")
    assert view.to_go_deg == pytest.approx(-5.5)


def test_a_cam_that_moves_while_it_should_be_held_stops_the_move():
    move = crank_move(10.0, crank_deg=100.0, gauge_mm=3.0)
    phase, view = follow_crank(move, "turn_back", 95.0, 3.05)
    assert (phase, view.phase, view.tone, view.still) == ("turn_back", "hold", "fault", False)
    assert "+0.05 mm" in view.sentence


def test_an_engine_that_must_not_turn_back_is_never_told_to():
    with pytest.raises(Refusal, match="forward_only"):
        crank_move(10.0, crank_deg=100.0, gauge_mm=3.0, forward_only=True)
    move = crank_move(-10.0, crank_deg=100.0, gauge_mm=3.0, forward_only=True)
    phase, view = follow_crank(move, first_phase(move), 111.0, 3.0)
    assert phase == "come_forward"
    assert "two turns" in view.sentence
    assert " back " not in view.sentence.replace("turned back", "")
