"""An import, a finish, a tidy and a restore killed at every tenth of their system calls: whole or not at all.

    python tests/benchmarks/killed_at_calls.py [--every 10] [--only WORD]

Wants strace, and leave to trace. Exit code 1 where something was neither whole nor not there at all, was lost, or could
not be done again.
"""

from __future__ import annotations

import argparse
import sys
import traceback
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "shared"))

from killing import Doer, can_trace, kill_all_along, trials


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--every", type=int, default=10)
    parser.add_argument("--only", default="", help="only what has this word in its name")
    options = parser.parse_args()
    if not can_trace():
        print("strace is not here, or may not trace")
        return 1
    doer, broken = Doer(), 0
    with trials() as (folder, all_trials):
        for trial in all_trials:
            if options.only not in trial.what:
                continue
            try:
                told = kill_all_along(doer, folder, trial, options.every, most=10**9)
            except Exception:  # noqa: BLE001 - whatever it is, it is what was looked for
                traceback.print_exc()
                broken += 1
                continue
            print(
                f"{told.what:<18} {told.calls:>5} calls, killed {told.killed:>4} times: {told.whole:>4} whole, "
                f"{told.killed - told.whole:>4} not at all",
                flush=True,
            )
    doer.close()
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main())
