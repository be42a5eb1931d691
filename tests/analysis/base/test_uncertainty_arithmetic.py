"""Combining, effective freedom and expanding, against the worked end gauge of the GUM.

Source: JCGM 100:2008, annex H.1 and table G.2: combined standard uncertainty 32 nm, effective freedom 16.7,
U99 93 nm. What each input adds and its freedom are from memory of the same table.
"""

from __future__ import annotations

import math

import pytest

from analysis.base import Component, expand, limit_u
from analysis.base.uncertainty import combined_u, coverage_factor, effective_freedom

END_GAUGE_NM = [
    Component("standard", 25.0, 18.0),
    Component("repeated comparisons", 5.8, 24.0),
    Component("comparator, random", 3.9, 5.0),
    Component("comparator, systematic", 6.7, 8.0),
    Component("difference of expansion", 2.9, 50.0),
    Component("difference of temperature", 16.6, 2.0),
]


def test_the_end_gauge_of_gum_h1_has_the_published_uncertainty() -> None:
    told = expand(END_GAUGE_NM, confidence=0.99)
    assert told.u == pytest.approx(32.0, abs=0.5)
    assert told.freedom == pytest.approx(16.7, abs=0.1)
    assert told.coverage_factor == pytest.approx(2.92, abs=0.005)
    assert told.expanded == pytest.approx(93.0, abs=0.6)


@pytest.mark.parametrize(
    ("freedom", "confidence", "factor"),
    [(1, 0.95, 12.71), (5, 0.95, 2.57), (10, 0.9545, 2.28), (50, 0.99, 2.68), (math.inf, 0.9545, 2.0)],
)
def test_coverage_factors_are_those_of_gum_table_g2(freedom: float, confidence: float, factor: float) -> None:
    assert coverage_factor(freedom, confidence) == pytest.approx(factor, abs=0.005)


def test_freedom_is_cut_to_a_whole_number_before_the_factor_is_taken() -> None:
    assert coverage_factor(16.7) == coverage_factor(16.0) > coverage_factor(17.0)


def test_a_budget_of_stated_limits_is_expanded_by_two() -> None:
    told = expand([Component("gauge error", limit_u(0.02)), Component("gauge step", 0.01 / math.sqrt(12))])
    assert math.isinf(told.freedom)
    assert told.expanded == pytest.approx(
        2.0 * math.hypot(0.02 / math.sqrt(3), 0.01 / math.sqrt(12)), rel=1e-5
    )


def test_a_small_share_known_badly_costs_little_freedom() -> None:
    strong, weak = Component("stated", 1.0), Component("two readings", 0.1, 1.0)
    assert effective_freedom([strong, weak]) > 10_000
    assert effective_freedom([strong, Component("two readings", 1.0, 1.0)]) == pytest.approx(4.0)


def test_a_source_that_adds_nothing_needs_no_freedom() -> None:
    assert math.isinf(effective_freedom([Component("stated", 1.0), Component("unseen", 0.0, 0.0)]))
    assert combined_u([]) == 0.0


def test_freedom_that_cannot_be_is_an_error() -> None:
    with pytest.raises(ValueError, match="positive freedom"):
        effective_freedom([Component("scatter", 1.0, 0.0)])
