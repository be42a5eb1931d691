"""Slack of the drive in degrees and mm against sums made by hand, and a chain laid round sprockets."""

from __future__ import annotations

import math

import pytest

from analysis.base import EntryError, Refusal
from analysis.report import DriveLine, SlackSeen, drive_slack
from tests.benchmarks.drive_slack import grown

LINE = DriveLine(20, 9.525, 120)


def test_mm_of_chain_by_hand():
    """By hand: 20 links of 9.525 mm a turn are 190.5 mm; 1.8 deg of it 0.9525 mm."""
    (found,) = drive_slack({"inlet": [SlackSeen(1.8, 0.05)]}, {}, LINE)
    assert found.slack_mm is not None
    assert found.slack_mm.value == pytest.approx(0.9525)
    assert (found.change_deg, found.grown) == (None, "not known")
    assert "Nothing is known of the last time" in found.sentence


def test_a_chain_that_has_grown_by_a_known_length_is_told_so():
    """Laid out: a chain 1.5 mm longer than its path over the crank's pitch circle lets the cam stay by the angle that
    1.5 mm is on that circle, of which the circumference is 20 pitches."""
    radius = 20 * 9.525 / (2 * math.pi)
    then, now = (math.degrees(free / radius) for free in (0.6, 2.1))
    (found,) = drive_slack({"inlet": [SlackSeen(now, 0.05)]}, {"inlet": [SlackSeen(then, 0.05)]}, LINE)
    assert found.change_mm is not None
    assert found.longer_percent is not None
    assert found.change_mm.value == pytest.approx(1.5)
    assert found.longer_percent.value == pytest.approx(100 * 1.5 / (120 * 9.525))
    assert found.grown == "grown"


def test_less_than_its_own_interval_is_no_growth():
    (found,) = drive_slack({"inlet": [SlackSeen(1.9, 0.1)]}, {"inlet": [SlackSeen(1.8, 0.1)]})
    assert found.grown == "as it was"
    assert found.change_mm is None


def test_lobes_that_agree_less_than_they_claim_widen_the_interval():
    (alike,) = drive_slack({"inlet": [SlackSeen(1.8, 0.05), SlackSeen(1.8, 0.05)]}, {})
    (unlike,) = drive_slack({"inlet": [SlackSeen(1.4, 0.05), SlackSeen(2.2, 0.05)]}, {})
    assert (alike.slack_deg.value, unlike.slack_deg.value) == pytest.approx((1.8, 1.8))
    assert unlike.slack_deg.u95 > 5 * alike.slack_deg.u95


def test_what_it_has_grown_by_is_held_in_about_95_of_100():
    assert 0.93 <= grown(1000) <= 0.98


@pytest.mark.parametrize("line", [DriveLine(2, 9.5), DriveLine(20, math.nan), DriveLine(20, 9.5, 3)])
def test_a_drive_that_cannot_be_is_refused(line):
    with pytest.raises(EntryError, match="bad_drive"):
        drive_slack({"inlet": [SlackSeen(1.8, 0.05)]}, {}, line)


def test_without_a_way_back_nothing_is_told():
    with pytest.raises(Refusal, match="no_way_back"):
        drive_slack({"inlet": []}, {})
