"""What a step says of itself: every kind is described once, and the description agrees with its lobes."""

from __future__ import annotations

from typing import get_args

from analysis.job.steps import ASKS, StepKind


def test_every_kind_of_step_says_what_it_asks():
    assert set(ASKS) == set(get_args(StepKind))


def test_nothing_is_measured_away_from_the_bench_or_on_a_zero_that_is_only_being_found():
    for kind, asks in ASKS.items():
        assert asks.at_bench or not (asks.measures or asks.needs_zero or asks.by_hand), kind
        assert asks.needs_zero == (asks.at_bench and (asks.measures != "tdc" or kind == "bank_tdc")), (
            kind
        )  # a bank's TDC is told against the zero


def test_a_step_that_wants_lobes_measures_them(builder):
    for step in builder.state.steps:
        assert (step.asks.measures == "lobe") == (
            bool(step.lobes) and step.kind not in {"verdict", "room", "correction", "valve_to_piston"}
        ), step.id
