"""Whether 95 % intervals hold with instruments as they are in shops: that stick, run out, stall and answer late.

    python tests/benchmarks/as_they_are.py                        100 traces of each family, some minutes
    python tests/benchmarks/as_they_are.py --traces 1000
    python tests/benchmarks/as_they_are.py --only sticking_told encoder_untold
    python tests/benchmarks/as_they_are.py --wrong                and every interval that is missed by half or more

Printed for each family: the share of 95 % intervals that hold the truth (goal 93 to 97; 90 or more where the bench
states nothing and the named defaults hold), of those that do not and are not warned of either (an encoder of which
nothing is stated), of errors beyond one and a half intervals (goal 0.5 % at most), of good
traces refused (goal 1 % at most), and the median interval. The instruments come from
`simulated_devices.faults.as_they_are`, made from their mechanisms.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections import Counter
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # matrices of a hundred are slower on several threads

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "shared"))
from families import FAMILIES

from analysis.base import Refusal

LONG_MISS = 1.5


def one_family(name: str, seed: int, count: int, wrong: bool) -> str:
    """Measure so many traces of a family; one line of figures."""
    ratio, u95, quiet, refused = [], [], [], Counter[str]()
    began = time.process_time()
    for number in range(count):
        try:
            error, own_u95, warned = FAMILIES[name](
                np.random.default_rng([seed, number, *name.encode()])
            ).measured()
        except Refusal as refusal:
            refused[refusal.code] += 1
            if wrong:
                print(f"    {name} {number}: {refusal.code}")
            continue
        ratio.append(error / own_u95)
        u95.append(own_u95)
        quiet.append(not warned)
        if wrong and abs(ratio[-1]) > LONG_MISS:
            print(f"    {name} {number}: off by {error:+.3f}, told ± {own_u95:.3f}")
    off = np.abs(ratio)
    return (
        f"{name:22s}{100 * np.mean(off <= 1.0):7.1f} %{100 * np.mean((off > 1.0) & quiet):8.1f} %{100 * np.mean(off > LONG_MISS):8.1f} %"
        f"{100 * sum(refused.values()) / count:8.1f} %{np.median(u95):9.3f} deg{np.mean(ratio):+7.2f}"
        f"{time.process_time() - began:7.0f} s  {dict(refused) or ''}"
    )


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--traces", type=int, default=100)
    parser.add_argument("--seed", type=int, default=20261128)
    parser.add_argument("--only", nargs="+", choices=FAMILIES, default=list(FAMILIES))
    parser.add_argument(
        "--wrong", action="store_true", help="name what is refused, and missed by half or more"
    )
    asked = parser.parse_args()
    print(
        f"{'':22s}{'held':>9s}{'unwarned':>10s}{'beyond 1.5':>11s}{'refused':>9s}{'median':>11s}{'mean error/interval':>22s}"
    )
    for name in asked.only:
        print(one_family(name, asked.seed, asked.traces, asked.wrong), flush=True)


if __name__ == "__main__":
    main()
