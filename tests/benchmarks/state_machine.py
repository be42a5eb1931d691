"""A running shop in which anything happens in any order, for as long as is wanted, against a model of what must hold.

    python tests/benchmarks/state_machine.py --minutes 30 --seed 15 [--steps 40]

Jobs, facts, measurements, files from elsewhere good and bad, strangers, cables, kills in the middle of an answer,
restarts, backups and clocks; real processes, and a simulated bench over pseudo-terminals. One sequence after another,
each seed printed before it begins, so that the one that failed can be had again: --minutes 0 --seed THAT. Exit code 1
where anything was lost, invented, changed by a stranger, or could not be opened.
"""

from __future__ import annotations

import argparse
import sys
import time
import traceback
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "shared"))

from hypothesis import seed
from hypothesis.stateful import run_state_machine_as_test
from shop_machine import ShopMachine, plan


def run_one(number: int, steps: int) -> bool:
    """Run one sequence; true where all held."""
    print(f"seed {number}", flush=True)
    before = Counter(ShopMachine.done)
    try:
        run_state_machine_as_test(seed(number)(ShopMachine), settings=plan(1, steps))
    except Exception:  # noqa: BLE001 - whatever it is, it is what was looked for
        traceback.print_exc()
        return False
    happened = Counter(ShopMachine.done) - before
    print("    " + ", ".join(f"{what} {count}" for what, count in sorted(happened.items())), flush=True)
    return True


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--minutes", type=float, default=30.0)
    parser.add_argument("--seed", type=int, default=15)
    parser.add_argument("--steps", type=int, default=40, help="in each sequence")
    options = parser.parse_args()
    until_s, number, broken = time.monotonic() + options.minutes * 60.0, options.seed, []
    while True:
        if not run_one(number, options.steps):
            broken.append(number)
        number += 1
        if time.monotonic() >= until_s:
            break
    print(", ".join(f"{what} {count}" for what, count in sorted(ShopMachine.done.items())))
    print(f"{number - options.seed} sequences; broken: {broken or 'none'}")
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main())
