"""Benches and their archive, with everything killed and every cable pulled at random; then nothing lost, nothing double.

    python tests/benchmarks/archive_chaos.py [--minutes 20] [--benches 3] [--seed N]

Keeping and sending processes and the server are killed (kill -9), the network is cut, stalled for two seconds, silent,
or cut without the server noticing. Then all is let be, and what is restored from the archive is held against the benches'
own folders to the last digit, the counts against the keepers' own notes, and `lobewright verify` proves the chain. Exit
code 1 where anything is lost, there twice, or does not fit.
"""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "shared"))

from archive_chaos import Chaos


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--minutes", type=float, default=20.0)
    parser.add_argument("--benches", type=int, default=3)
    parser.add_argument("--seed", type=int, default=random.SystemRandom().randrange(10**6))
    asked = parser.parse_args()
    print(f"seed {asked.seed}, {asked.benches} benches, {asked.minutes:g} minutes", flush=True)
    with tempfile.TemporaryDirectory() as folder:
        chaos = Chaos(Path(folder), asked.benches, asked.seed)
        try:
            chaos.run(asked.minutes * 60.0)
            print(", ".join(f"{what} {count}" for what, count in sorted(chaos.done.items())), flush=True)
            print(f"all had arrived {chaos.settle():.1f} s after the last was kept", flush=True)
            figures, wrong = chaos.judge()
        finally:
            chaos.close()
    print(", ".join(f"{what} {count:,}" for what, count in figures.items()))
    for line in wrong:
        print(f"WRONG: {line}")
    print("0 lost, 0 double, the chain is whole" if not wrong else f"{len(wrong)} things do not fit")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
