"""Passes compared, and before compared with after."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from analysis.base import Pass
from analysis.timing import compare, spread_of


def one_pass(centre_deg: float | None, u_deg: float | None = 0.1, used: bool = True) -> Pass:
    return Pass(0.0, 1.0, 1, 30.0, used, centre_deg, u_deg)


def test_a_difference_within_the_uncertainties_means_nothing() -> None:
    found = compare(108.00, 0.20, 108.15, 0.20)
    assert not found.real
    assert found.call == "within what can be told"
    assert found.sentence.endswith("within what can be told.")


def test_a_difference_beyond_the_uncertainties_has_moved() -> None:
    found = compare(118.0, 0.2, 108.0, 0.2)
    assert found.real
    assert found.call == "means something"
    assert found.by_deg == pytest.approx(-10.0)
    assert "earlier" in found.sentence


def test_the_same_number_twice_is_called_moved_in_one_case_of_twenty() -> None:
    rng = np.random.default_rng(20261125)
    pairs = rng.normal(108.0, [0.1, 0.2], (4000, 2))
    share = np.mean([compare(a, 0.2, b, 0.4).real for a, b in pairs])
    assert share == pytest.approx(0.05, abs=0.015)


def test_the_chance_agrees_with_welch_from_the_summaries_of_two_samples() -> None:
    # scipy.stats.ttest_ind_from_stats, equal_var=False: the same test from means, standard deviations, counts.
    sd_a, n_a, sd_b, n_b = 0.4, 6, 0.3, 9
    told = stats.ttest_ind_from_stats(108.0, sd_a, n_a, 108.5, sd_b, n_b, equal_var=False)
    found = compare(
        108.0,
        2 * sd_a / math.sqrt(n_a),
        108.5,
        2 * sd_b / math.sqrt(n_b),
        before_freedom=n_a - 1,
        after_freedom=n_b - 1,
    )
    assert found.chance == pytest.approx(told.pvalue, rel=1e-9)


def test_a_difference_is_taken_the_short_way_round_the_cycle() -> None:
    assert compare(719.9, 0.1, 0.2, 0.1).by_deg == pytest.approx(0.3)


def test_true_tdc_is_taken_the_short_way_round_the_turn() -> None:
    assert compare(359.9, 0.1, 0.2, 0.1, cycle_deg=360.0).by_deg == pytest.approx(0.3)
    spread = spread_of([one_pass(359.9), one_pass(0.1)], 360.0)
    assert spread is not None
    assert spread.range_deg == pytest.approx(0.2)


def test_what_both_share_drops_out_of_the_difference() -> None:
    rng = np.random.default_rng(20261126)
    shared_u, own_u = 0.3, 0.1
    u95 = 2 * math.hypot(shared_u, own_u)
    tdc = rng.normal(0.0, shared_u, 4000)
    pairs = rng.normal(108.0, own_u, (4000, 2)) - tdc[:, None]
    told = [compare(a, u95, b, u95, shared_u_deg=shared_u) for a, b in pairs]
    assert np.mean([one.real for one in told]) == pytest.approx(0.05, abs=0.015)
    assert told[0].u95_deg == pytest.approx(1.98 * own_u * math.sqrt(2), rel=0.01)
    assert not any(compare(a, u95, b, u95).real for a, b in pairs[:200]), (
        "without it, next to nothing is seen"
    )


def test_an_uncertainty_of_nought_is_refused() -> None:
    with pytest.raises(ValueError, match="positive"):
        compare(108.0, 0.0, 108.0, 0.1)


def test_passes_either_side_of_the_cut_are_averaged_there() -> None:
    spread = spread_of([one_pass(719.9), one_pass(0.1), one_pass(None), one_pass(300.0, used=False)])
    assert spread is not None
    assert spread.count == 2
    assert spread.mean_deg % 720.0 == pytest.approx(0.0, abs=1e-9)
    assert spread.range_deg == pytest.approx(0.2)


def test_passes_in_two_groups_are_told_as_play() -> None:
    spread = spread_of([one_pass(108.0 + 2.0 * (k % 2)) for k in range(6)])
    assert spread is not None
    assert "play" in spread.sentence


def test_one_pass_compares_with_nothing() -> None:
    assert spread_of([one_pass(108.0)]) is None
