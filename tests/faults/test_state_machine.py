"""A shop in which anything happens in any order, for a minute; `tests/benchmarks/state_machine.py` goes on for hours."""

from __future__ import annotations

import pytest
from hypothesis import seed
from hypothesis.stateful import run_state_machine_as_test
from shop_machine import ShopMachine, plan

pytestmark = [pytest.mark.faults, pytest.mark.timeout(600)]
SEED = 15
EXAMPLES, STEPS = 2, 10


def test_whatever_happens_what_was_acknowledged_is_there_and_nothing_else() -> None:
    print(f"seed {SEED}, {EXAMPLES} sequences of {STEPS} steps")
    ShopMachine.done.clear()
    run_state_machine_as_test(seed(SEED)(ShopMachine), settings=plan(EXAMPLES, STEPS))
    print(", ".join(f"{what} {count}" for what, count in sorted(ShopMachine.done.items())))
    assert sum(ShopMachine.done.values()) >= EXAMPLES * STEPS // 2
