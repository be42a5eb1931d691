"""A shop in which anything happens in any order, for a minute; `tests/benchmarks/state_machine.py` goes on for hours."""

from __future__ import annotations

import pytest
from hypothesis import seed
from hypothesis.stateful import run_state_machine_as_test
from shop_machine import ShopMachine, plan

pytestmark = [pytest.mark.faults, pytest.mark.timeout(600)]
SEEDS, STEPS = (1, 2), 6
"""A sequence draws some of the rules only; these two draw most of them between them."""


@pytest.mark.parametrize("number", SEEDS)
def test_whatever_happens_what_was_acknowledged_is_there_and_nothing_else(number: int) -> None:
    print(f"seed {number}, {STEPS} steps")
    ShopMachine.done.clear()
    run_state_machine_as_test(seed(number)(ShopMachine), settings=plan(1, STEPS))
    print(", ".join(f"{what} {count}" for what, count in sorted(ShopMachine.done.items())))
    assert ShopMachine.done["number computed again"]
