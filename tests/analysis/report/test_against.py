"""One profile against another: wear found where it is, and nowhere else; tables of cards held as they are."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from analysis.base import EntryError
from analysis.report import against, profile_of_table
from simulated_devices.machine import Hollow, LawProfile, Lobe, Valve
from simulated_devices.traces import random_valve

sys.path.append(str(Path(__file__).parents[2] / "benchmarks"))
from profile_wear import DEPTH_MM, WITHIN_CAM_DEG, compared, profile_of, turned

PLAIN = Valve(Lobe(LawProfile(9.0, 66.0, 66.0, "cycloidal", "cycloidal")), 110.0)
WORN = 6


def table(
    valve: Valve, decimals: int = 3, more_deg: float = 0.0, step: float = 4.0
) -> list[tuple[float, float]]:
    deg = np.arange(-80.0, 81.0, step)
    lift = valve.lift_mm(2.0 * deg + valve.nose_deg)
    return [(float(at) + more_deg, round(float(one), decimals)) for at, one in zip(deg, lift, strict=True)]


@pytest.mark.parametrize("seed", range(WORN))
def test_a_worn_flank_is_found_and_placed_and_a_good_one_left_alone(seed: int) -> None:
    _, code, result, middle = compared((seed, True))
    assert code == ""
    assert result is not None
    worst = result.places[0]
    assert worst.from_nose_cam_deg == pytest.approx(middle, abs=WITHIN_CAM_DEG)
    assert worst.by_mm.value == pytest.approx(-DEPTH_MM, abs=1.5 * worst.by_mm.u95)
    assert worst.words.startswith("worn by 0.0")
    _, _, good, _ = compared((seed, False))
    assert good is not None
    assert good.places == ()
    # One lobe twice, each time counted from full lift as found: phases differ by what full lift was off, told in the ±.
    assert abs(good.phase_deg.value) <= 1.5 * good.phase_deg.u95 <= 5.0  # a flat nose tells least


@pytest.mark.parametrize("more_deg", [0.0, 113.5])
def test_a_measured_lobe_is_held_against_its_cards_table(more_deg: float) -> None:
    """Wherever the card's degrees count from."""
    rng = np.random.default_rng(4)
    own = against(profile_of(turned(PLAIN, rng)), profile_of_table(table(PLAIN, more_deg=more_deg)))
    assert own.places == ()
    worn = replace(PLAIN, lobe=replace(PLAIN.lobe, hollows=(Hollow(0.08, 24.0, 16.0),)))
    found = against(profile_of(turned(worn, rng)), profile_of_table(table(PLAIN, more_deg=more_deg)))
    assert [one.from_nose_cam_deg for one in found.places] == [pytest.approx(24.0, abs=4.0)]
    assert "cam deg after the nose" in found.places[0].words


def test_what_is_worn_before_the_nose_is_said_to_be_before_it() -> None:
    """By a drawing: on the opening side the follower has not yet reached the nose."""
    worn = replace(PLAIN, lobe=replace(PLAIN.lobe, hollows=(Hollow(0.08, -24.0, 16.0),)))
    found = against(profile_of(turned(worn, np.random.default_rng(5))), profile_of_table(table(PLAIN)))
    assert "before the nose" in found.places[0].words


def test_another_rocker_ratio_is_no_wear() -> None:
    rng = np.random.default_rng(6)
    found = against(
        profile_of(turned(replace(PLAIN, rocker_ratio=1.02), rng)), profile_of(turned(PLAIN, rng))
    )
    assert (found.places, found.alike) == ((), "scale")
    assert found.alike_by is not None
    assert found.alike_by.value == pytest.approx(0.02, abs=2.0 * found.alike_by.u95 + 0.002)


def test_the_same_lobe_fits_better_than_any_other() -> None:
    rng = np.random.default_rng(7)
    valves = [random_valve(rng, 110.0, family) for family in ("cycloidal", "harmonic", "3-4-5", "arc")]
    kept = [profile_of(turned(valve, rng)) for valve in valves]
    again = profile_of(turned(valves[2], rng))
    apart = [against(again, one).rms_mm for one in kept]
    assert int(np.argmin(apart)) == 2
    assert sorted(apart)[1] > 3.0 * apart[2]


def test_half_a_table_of_a_symmetric_lobe_is_mirrored() -> None:
    half = [(deg, lift) for deg, lift in table(PLAIN) if deg >= 0.0]
    whole, mirrored = profile_of_table(table(PLAIN)), profile_of_table(half)
    np.testing.assert_allclose(whole.lift_mm, mirrored.lift_mm, atol=1e-9)


@pytest.mark.parametrize(
    ("rows", "says"),
    [
        ([(0.0, 1.0)] * 3, "3 rows"),
        ([(float(n), 1.0) for n in range(9)], "base circle"),
        ([(0.0, 0.0), (0.0, 1.0), *((float(n), 0.0) for n in range(1, 10))], "twice"),
        ([(-40.0, 0.0), *((float(n), 5.0 - abs(n)) for n in range(-4, 6))], "leaves out"),
        ([(float(n), float("nan")) for n in range(9)], "cannot be"),
    ],
)
def test_a_table_that_is_no_lobe_is_refused_in_one_sentence(rows, says) -> None:
    with pytest.raises(EntryError) as refused:
        profile_of_table(rows)
    assert says in refused.value.message
