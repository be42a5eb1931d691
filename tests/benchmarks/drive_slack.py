"""Whether the slack told from a lobe's way back, and what it has grown by, hold what the simulated drive has.

    python tests/benchmarks/drive_slack.py --traces 30      random engines, gauges and hands; about a second a trace

Printed: of traces with a way back, the share of intervals that hold the drive's slack; and, for 1,000 pairs of such lobes
drawn at random with the errors that are stated for them, the share that holds how much the slack has grown.
"""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "shared"))
from bench_cases import as_stored

from analysis.base import GaugeFacts, LobeSettings, Refusal
from analysis.lobe import find_lobe
from analysis.report import SlackSeen, drive_slack
from simulated_devices.traces import random_lobe


def from_traces(count: int) -> tuple[list[bool], int]:
    """Whether each interval holds, and how many traces told no slack."""
    held, silent = [], 0
    for seed in range(count):
        trace = random_lobe(np.random.default_rng([seed, 77]), "turns_and_back").trace
        touched = next(iter(trace.setup.mountings.values())).touches
        try:
            streams = as_stored(trace)
            found = find_lobe(streams, LobeSettings(), GaugeFacts())
        except Refusal:
            silent += 1
            continue
        if found.slack_deg is None or found.slack_u_deg is None:
            silent += 1
            continue
        told = drive_slack({"own": [SlackSeen(found.slack_deg, found.slack_u_deg)]}, {})[0].slack_deg
        engine = trace.truth.engine
        held.append(abs(told.value - engine.cams[engine.cam_of[touched]].slack_deg) <= told.u95)
    return held, silent


def grown(count: int, seed: int = 5) -> float:
    """Share of pairs whose interval holds how much the slack has grown."""
    rng, held = np.random.default_rng(seed), []
    for _ in range(count):
        then, now = rng.uniform(0.5, 2.0), rng.uniform(0.5, 4.0)
        lobes = int(rng.integers(1, 3))

        def seen(true: float, lobes: int = lobes) -> list[SlackSeen]:
            u = rng.uniform(0.03, 0.15, lobes)
            return [SlackSeen(float(true + rng.normal(0.0, one)), float(one)) for one in u]

        change = drive_slack({"inlet": seen(now)}, {"inlet": seen(then)})[0].change_deg
        assert change is not None
        held.append(abs(change.value - (now - then)) <= change.u95)
    return float(np.mean(held))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--traces", type=int, default=30)
    asked = parser.parse_args()
    held, silent = from_traces(asked.traces)
    print(f"slack of a trace: {sum(held)} of {len(held)} hold, {silent} told none")
    print(f"grown since last time: {100 * grown(1000):.1f} % of 1000 hold (95 wanted)")


if __name__ == "__main__":
    main()
