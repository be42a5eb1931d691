"""How surely a worn place on a flank is found and placed, and how often a good lobe is called worn.

    python tests/benchmarks/profile_wear.py            100 worn lobes and 100 that are as they were, about two minutes
    python tests/benchmarks/profile_wear.py --quick    15 of each

A lobe of a random family is measured twice, as a shop does years apart: other hand, other gauge, other zero, other
lag. Between the two 0.05 mm are gone from one place of a flank, or nothing. Found and placed is a place told within
6 cam degrees of the hollow's middle, and nothing told elsewhere. Beside it: how often the interval of the depth holds
it, and what the largest difference between two lift tables read off by the nearest reading would have found (told
where it passes 0.03 mm).
"""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "shared"))
from bench_cases import as_stored

from analysis.base import GaugeFacts, LobeSettings, Refusal
from analysis.lobe import find_lobe_with_fit
from analysis.report import Against, against, kept_profile
from simulated_devices.machine import Cam, DialIndicator, Engine, Hand, Hollow, Manner, Mounting, Valve
from simulated_devices.traces import Setup, Trace, random_crank, random_encoder, random_valve, record

DEPTH_MM = 0.05
WITHIN_CAM_DEG = 6.0


def careful_gauge(rng: np.random.Generator) -> DialIndicator:
    step = float(rng.choice([0.01, 0.001]))
    return DialIndicator(
        step=step,
        rate_hz=float(rng.uniform(15.0, 50.0)),
        lag_s=float(rng.uniform(0.01, 0.12)),
        jitter_s=float(rng.uniform(0.0, 0.004)),
        travel_mm=25.0,
        noise_mm=float(rng.uniform(0.0, 0.003)),
        zero_mm=float(rng.uniform(-5.0, 5.0)),
        polarity=1 if rng.random() < 0.5 else -1,
    )


def turned(valve: Valve, rng: np.random.Generator) -> Trace:
    """Four times two turns at unlike speeds, and back once."""
    engine = Engine(
        random_crank(rng), {"inlet": Cam({"inlet_1": valve}, rng.uniform(0.3, 3.0), rng.uniform(-8, 8))}
    )
    truth, gauge = engine.truth_of("inlet_1"), careful_gauge(rng)
    hand = Hand(truth.full_lift_deg - 300.0, Manner(25.0, 0.2), rng)
    for speed in (25.0, 15.0, 32.0, 20.0):
        hand.turns(2.0, speed).pause(0.3)
    mounting = Mounting(gauge, "inlet_1", truth.peak_lift_mm + 2.0, opposed=True)
    setup = Setup(engine, hand.turns(-2.0).done(), random_encoder(rng), {"valve": mounting})
    return record(setup, rng)


def profile_of(trace: Trace):  # type: ignore[no-untyped-def]
    streams = as_stored(trace)
    settings, facts = LobeSettings(), GaugeFacts(step_mm=trace.mounting.gauge.step_mm)
    return kept_profile(find_lobe_with_fit(streams, settings, facts)[1], settings, facts)


def worn_somewhere(valve: Valve, rng: np.random.Generator) -> tuple[Valve, float]:
    """A hollow where the lobe has 20 to 80 % of its lift, 10 to 20 cam degrees wide."""
    lobe, side = valve.lobe, int(rng.choice([-1, 1]))
    at = np.linspace(1.0, 120.0, 2000) * side
    lift = lobe.lift(at)
    wanted = rng.uniform(0.2, 0.8) * lobe.lift_mm
    middle = float(at[int(np.argmin(np.abs(lift - wanted)))])
    hollow = Hollow(DEPTH_MM / valve.rocker_ratio, middle, float(rng.uniform(10.0, 20.0)))
    return replace(valve, lobe=replace(lobe, hollows=(hollow,))), middle


def compared(case: tuple[int, bool]) -> tuple[bool, str, Against | None, float]:
    seed, worn = case
    rng = np.random.default_rng([seed, 7])
    valve = random_valve(rng, float(rng.uniform(98.0, 122.0)))
    then, middle = valve, float("nan")
    if worn:
        valve, middle = worn_somewhere(valve, rng)
    try:
        before, now = profile_of(turned(then, rng)), profile_of(turned(valve, rng))
    except Refusal as refusal:
        return worn, refusal.code, None, middle
    return worn, "", against(now, before), middle


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--show", action="store_true")
    asked = parser.parse_args()
    count = 15 if asked.quick else 100
    cases = [(asked.seed * 1000 + n, worn) for n in range(count) for worn in (True, False)]
    found = alone = alarms = refused = holds = phases = 0
    with ProcessPoolExecutor(asked.processes) as pool:
        for (seed, _), (worn, code, result, middle) in zip(cases, pool.map(compared, cases), strict=True):
            if result is None:
                refused += 1
                print(f"{seed}: refused, {code}")
                continue
            told = [one.words for one in result.places] + ([result.alike] if result.alike else [])
            if not worn:
                alarms += bool(told)
                phases += abs(result.phase_deg.value) <= result.phase_deg.u95
                if told:
                    print(f"{seed}: false alarm: {told}")
                continue
            right = [one for one in result.places if abs(one.from_nose_cam_deg - middle) <= WITHIN_CAM_DEG]
            found += bool(right)
            alone += bool(right) and len(told) == 1
            holds += any(abs(one.by_mm.value + DEPTH_MM) <= one.by_mm.u95 for one in right)
            if asked.show or not right or len(told) > 1:
                print(f"{seed}: hollow at {middle:.0f}: {told}, phase {result.phase_deg.value:.2f}")
    print(
        f"worn {DEPTH_MM} mm: found and placed {found} of {count}, and nothing else told {alone} of {count}"
    )
    print(f"interval of the depth holds it {holds} of {found}")
    print(f"as it was: false alarms {alarms} of {count}; phases that hold nought {phases}; refused {refused}")


if __name__ == "__main__":
    main()
