"""A lobe measured before and after its pulley was tightened: did it move, and does that mean anything."""

from __future__ import annotations

from typing import Any

import pytest

from analysis.job import ToldFrom, lobe_changes
from analysis.timing import DropCentre, Fact, Job, LobeMeasured, Moved, Tightened


def facts(*payloads: Any) -> list[Fact]:
    return [
        Fact(number, "2026-11-25T10:00:00+00:00", "Ida Thorne", what)
        for number, what in enumerate(payloads, 1)
    ]


def inlet(centre_deg: float, u95_deg: float = 0.2, **more: Any) -> LobeMeasured:
    return LobeMeasured("1", "inlet", centre_deg, more.pop("drop_mm", 1.27), u95_deg, **more)


def test_a_pulley_that_moved_under_the_wrench_is_told(tarn_job: Job) -> None:
    (change,) = lobe_changes(tarn_job, facts(inlet(108.1), Tightened("inlet", "torqued"), inlet(108.9)))
    assert (change.before, change.after, change.between) == (1, 3, "torqued")
    assert change.difference.by_deg == pytest.approx(0.8)
    assert change.difference.call == "means something"


def test_a_pulley_that_held_is_within_what_can_be_told(tarn_job: Job) -> None:
    (change,) = lobe_changes(tarn_job, facts(inlet(108.1), Tightened("inlet", "nipped"), inlet(108.2)))
    assert change.between == "nipped"
    assert change.difference.call == "within what can be told"


def test_a_cam_moved_on_purpose_is_not_compared(tarn_job: Job) -> None:
    told = facts(inlet(112.0), Moved("inlet", "cam_turned"), Tightened("inlet", "nipped"), inlet(108.0))
    assert lobe_changes(tarn_job, told) == ()


def test_what_is_done_to_one_cam_is_nothing_to_the_other(tarn_job: Job) -> None:
    exhaust = LobeMeasured("1", "exhaust", 608.0, 1.27, 0.2)
    told = facts(
        inlet(108.0), exhaust, Moved("exhaust", "hole"), Tightened("exhaust", "torqued"), inlet(108.1)
    )
    (change,) = lobe_changes(tarn_job, told)
    assert (change.lobe.valve, change.between) == ("inlet", "")


def test_each_is_compared_with_the_one_before(tarn_job: Job) -> None:
    told = facts(
        inlet(108.0), Tightened("inlet", "nipped"), inlet(108.1), Tightened("inlet", "torqued"), inlet(109.0)
    )
    assert [(one.before, one.after, one.between) for one in lobe_changes(tarn_job, told)] == [
        (1, 3, "nipped"),
        (3, 5, "torqued"),
    ]


def test_lobes_told_from_one_tdc_are_compared_without_its_error(tarn_job: Job) -> None:
    told = facts(inlet(108.0, 0.5), Tightened("inlet", "torqued"), inlet(108.5, 0.5))
    (apart,) = lobe_changes(tarn_job, told)
    assert not apart.difference.real
    one = ToldFrom(12.3, 0.24)
    (together,) = lobe_changes(tarn_job, told, {1: one, 3: one})
    assert together.difference.real
    (other,) = lobe_changes(tarn_job, told, {1: one, 3: ToldFrom(12.4, 0.24)})
    assert other.difference.u95_deg == apart.difference.u95_deg


def test_centres_at_other_drops_are_compared_at_a_common_one_or_not_at_all(tarn_job: Job) -> None:
    before = inlet(107.5, drop_mm=0.5, centres=(DropCentre(1.27, 108.0, 0.1),))
    (change,) = lobe_changes(tarn_job, facts(before, inlet(108.0)))
    assert change.difference.by_deg == pytest.approx(0.0)
    assert lobe_changes(tarn_job, facts(inlet(107.5, drop_mm=0.5), inlet(108.0))) == ()
