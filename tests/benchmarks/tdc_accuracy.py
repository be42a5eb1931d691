"""How near true TDC comes to what the readings allow, to rivals, and to never being silently wrong.

    python tests/benchmarks/tdc_accuracy.py [--quick] [--part bound rivals faults ugly times] [--first SEED]

bound   rms error over the Cramér-Rao bound (`tdc_bound.py`), for each kind of hand, and how often the 95 % interval
        holds the truth
rivals  the same traces by hand: halving one pair of equal readings while turning, with a timing disc read to half a
        degree; a parabola through the top; the largest reading
faults  traces with one fault of the trade each: none may be answered with a confident wrong number
ugly    good traces that look bad: at most one in a hundred may be accused
times   processor time of a full fit and of a live update

A confident wrong number is one that is out by more than 1.5 times its expanded uncertainty and by more than 0.2 degrees.
Whole it takes some minutes; `--part` runs slices of it, `--first` other seeds.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
from tdc_bound import bound_deg

sys.path.insert(0, str(Path(__file__).parents[1] / "shared"))
from bench_cases import as_stored

from analysis.base import GaugeFacts, Refusal, Streams, TdcResult, TdcSettings
from analysis.tdc import TdcFollower, find_tdc
from simulated_devices.faults.random_faults import TDC_FAULTS, faulted_tdc
from simulated_devices.faults.ugly import ugly_tdc
from simulated_devices.machine import DialIndicator, Hand, Manner
from simulated_devices.scenarios import load_scenario
from simulated_devices.scenarios.scenario_build import setup_of
from simulated_devices.traces import Bench, Setup, Trace, random_encoder, random_tdc, record

KINDS = {"rocking": "rocking", "turns": "turns", "mixed": "rock_and_turns", "steps": "steps"}
WRONG_U95, WRONG_DEG = 1.5, 0.2
REPEATS = 15


def find(bench: Bench) -> TdcResult:
    known = bench.known
    settings = TdcSettings(known.stroke_mm, known.rod_mm, known.pin_offset_mm)
    gauge = GaugeFacts(known.lag_s, known.lag_u_s, known.step_mm, known.error_mm)
    return find_tdc(as_stored(bench.trace), settings, gauge)


def off_deg(found_deg: float, trace: Trace) -> float:
    return (found_deg - trace.truth.tdc_deg + 180.0) % 360.0 - 180.0


def rms(values: Sequence[float]) -> float:
    return float(np.sqrt(np.mean(np.square(values)))) if len(values) else float("nan")


# --- the bound ------------------------------------------------------------------------------------------------


def part_bound(first: int, count: int) -> None:
    print(
        f"rms error / Cramér-Rao bound, {count} traces a hand (goal: at most 1.25); 95 % intervals that hold (goal: 93 to 97 %)"
    )
    held: list[bool] = []
    for name, pattern in KINDS.items():
        ratios, easier, own, refused = [], [], [], Counter[str]()
        for seed in range(first, first + count):
            bench = random_tdc(np.random.default_rng([seed, len(name)]), pattern)
            try:
                result = find(bench)
            except Refusal as refusal:
                refused[refusal.code] += 1
                continue
            error = off_deg(result.centre_deg, bench.trace)
            ratios.append(error / bound_deg(bench))
            easier.append(error / bound_deg(bench, offset_known=True))
            own.append(abs(error) <= result.u95_deg)
        held += own
        middle, worst = float(np.median(np.abs(ratios)) / 0.6745), max(1, count // 100)
        print(
            f"  {name:8} {rms(ratios):5.2f}   (had the pin offset been known {rms(easier):4.2f}; "
            f"by the median {middle:4.2f}; without the worst 1 % {rms(sorted(ratios, key=abs)[:-worst]):4.2f})"
            f"   held {100 * np.mean(own):5.1f} %   refused {dict(refused) or 0}"
        )
    print(f"  together: {100 * np.mean(held):.1f} % of {len(held)} intervals hold the truth")


# --- rivals ---------------------------------------------------------------------------------------------------


def first_pass(trace: Trace) -> tuple[np.ndarray, np.ndarray]:
    """Crank as the encoder showed it when a reading arrived, and how far below the top, over the first way through."""
    rise = trace.gauge_mm * trace.mounting.gauge.polarity
    crank = np.interp(trace.gauge_time_s, trace.crank_time_s, trace.crank_deg)
    near = np.flatnonzero(rise > rise.min() + 0.6 * np.ptp(rise))
    last = near[0] + int(np.argmax(np.append(np.diff(near), 9) > 1))
    rows = slice(int(near[0]), int(near[0] + np.argmax(rise[near[0] : last + 1]) * 2 + 1))
    return crank[rows], rise.max() - rise[rows]


def by_halving(trace: Trace, drop_mm: float = 1.0) -> float:
    """Disc read at equal readings a millimetre short of the top, going up and coming down, and halved."""
    crank, below = first_pass(trace)
    top = int(np.argmin(below))
    before = float(np.interp(-drop_mm, -below[: top + 1], crank[: top + 1]))
    after = float(np.interp(drop_mm, below[top:], crank[top:]))
    disc = [np.round(2.0 * angle) / 2.0 for angle in (before, after)]
    return float(np.mean(disc))


def by_parabola(trace: Trace) -> float:
    """Vertex of a parabola through the readings within a millimetre of the top."""
    crank, below = first_pass(trace)
    near = below < 1.0
    middle = float(np.mean(crank[near]))
    square, linear, _ = np.polyfit(crank[near] - middle, below[near], 2)
    return middle - float(linear) / (2.0 * float(square))


def by_largest(trace: Trace) -> float:
    """Middle of the largest readings."""
    crank, below = first_pass(trace)
    return float(np.mean(crank[below < 1e-9 + below.min()]))


RIVALS: dict[str, Callable[[Trace], float]] = {
    "halving one pair with a timing disc": by_halving,
    "parabola through the top": by_parabola,
    "largest reading": by_largest,
}


def part_rivals(first: int, count: int) -> None:
    print(f"against rivals on the same {count} traces, 30 deg/s, 60 ms lag (goal: 60 times better than each)")
    errors: dict[str, list[float]] = {name: [] for name in ("joint fit", *RIVALS)}
    for seed in range(first, first + count):
        rng = np.random.default_rng([seed, 7])
        bench = random_tdc(rng)
        gauge = DialIndicator(step=0.01, rate_hz=10.0, lag_s=0.06, jitter_s=0.004, travel_mm=25.0)
        mounting = replace(bench.trace.mounting, gauge=gauge, pushed_in_mm=rng.uniform(9.0, 20.0))
        motion = Hand(-70.0, Manner(30.0, 0.05), rng).rock(0.0, 55.0, 3).done()
        setup = Setup(bench.setup.engine, motion, random_encoder(rng), {"plug": mounting})
        trace = record(setup, rng)
        errors["joint fit"].append(
            off_deg(find_tdc(as_stored(trace), TdcSettings(), GaugeFacts()).centre_deg, trace)
        )
        for name, way in RIVALS.items():
            errors[name].append(off_deg(way(trace), trace))
    ours = rms(errors["joint fit"])
    for name, found in errors.items():
        print(f"  {name:36} rms {rms(found):7.4f} deg   {rms(found) / ours:6.1f} times the joint fit")


# --- faults and ugly traces -----------------------------------------------------------------------------------


def part_faults(first: int, count: int) -> None:
    each = -(-count // len(TDC_FAULTS))
    print(
        f"faulted traces, {each} of each of {len(TDC_FAULTS)} faults (goal: 0 answered with a confident wrong number)"
    )
    wrong = answered = 0
    for name in TDC_FAULTS:
        codes: Counter[str] = Counter()
        for seed in range(first, first + each):
            bench = faulted_tdc(name, np.random.default_rng(seed))
            try:
                result = find(bench)
            except Refusal as refusal:
                codes[refusal.code] += 1
                continue
            answered += 1
            error = abs(off_deg(result.centre_deg, bench.trace))
            confident_wrong = error > WRONG_U95 * result.u95_deg and error > WRONG_DEG
            wrong += confident_wrong
            codes["WRONG" if confident_wrong else "right"] += 1
            if confident_wrong:
                print(f"    {name}, seed {seed}: out by {error:.3f} deg, told ± {result.u95_deg:.3f}")
        print(f"  {name:22} {', '.join(f'{code} {n}' for code, n in codes.most_common())}")
    print(f"  {each * len(TDC_FAULTS)} faulted: {answered} answered, {wrong} confident and wrong")


def part_ugly(first: int, count: int) -> None:
    print(f"good traces that look bad, {count} (goal: at most 1 % accused)")
    accused: Counter[str] = Counter()
    held = []
    wrong = 0
    for seed in range(first, first + count):
        bench = ugly_tdc(np.random.default_rng(seed))
        try:
            result = find(bench)
        except Refusal as refusal:
            accused[refusal.code] += 1
            print(f"    seed {seed}: {refusal}")
            continue
        error = abs(off_deg(result.centre_deg, bench.trace))
        held.append(error <= result.u95_deg)
        wrong += error > WRONG_U95 * result.u95_deg and error > WRONG_DEG
    share = 100.0 * sum(accused.values()) / count
    print(
        f"  accused {share:.2f} % {dict(accused) or ''}; held {100 * np.mean(held):.1f} %; confident and wrong {wrong}"
    )


# --- times ----------------------------------------------------------------------------------------------------


def rocked(duration_s: float) -> Trace:
    """The demo's bench, rocked at 30 deg/s for so long: 200 counts and 10 readings a second."""
    hand = Hand(-60.0, Manner(speed_deg_s=30.0))
    while hand.done().duration_s < duration_s:
        hand = hand.rock(0.0, 60.0, 1)
    return record(
        setup_of(load_scenario("hollin_lane_twin_cam"), hand.done(), {"dial_a": "piston_1"}),
        np.random.default_rng(18),
    )


def full_fits(streams: Streams, facts: GaugeFacts) -> float:
    return best_ms(lambda: find_tdc(streams, TdcSettings(), facts), REPEATS)


def live_updates(streams: Streams, facts: GaugeFacts) -> float:
    """The last second of a measurement, a tenth at a time, as the page asks for it; the middle update."""
    follower = TdcFollower(TdcSettings(), facts)
    took = []
    for end_s in np.linspace(streams.gauge_time_s[-1] - 0.1 * REPEATS, streams.gauge_time_s[-1], REPEATS):
        crank, gauge = streams.crank_time_s <= end_s, streams.gauge_time_s <= end_s
        so_far = Streams(
            streams.crank_time_s[crank],
            streams.crank_deg[crank],
            streams.gauge_time_s[gauge],
            streams.gauge_mm[gauge],
        )
        took.append(best_ms(lambda: follower.update(so_far), 1))
    return float(np.median(took[1:]))


def best_ms(act: Callable[[], object], times: int) -> float:
    best = float("inf")
    for _ in range(times):
        began = time.process_time()
        act()
        best = min(best, 1e3 * (time.process_time() - began))
    return best


def part_times(_: int, count: int) -> None:
    print(
        f"processor time: the middle of {REPEATS} live updates, the best of as many full fits (load of the machine {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors)"
    )
    facts = GaugeFacts(step_mm=0.01, error_mm=0.02)
    live, whole = as_stored(rocked(14.0)), as_stored(rocked(118.0))
    rows = (
        ("live update, 15 s measured", live, 20.0, live_updates(live, facts)),
        ("full fit, two minutes", whole, 100.0, full_fits(whole, facts)),
    )
    for name, streams, limit_ms, took_ms in rows:
        print(
            f"  {name:28} {streams.crank_deg.size:6} counts {streams.gauge_mm.size:5} readings {took_ms:6.1f} ms   of the limit {took_ms / limit_ms:4.2f}"
        )
    del count


PARTS: dict[str, tuple[Callable[[int, int], None], int, int]] = {
    "bound": (part_bound, 250, 25),
    "rivals": (part_rivals, 100, 20),
    "faults": (part_faults, 512, 64),
    "ugly": (part_ugly, 500, 60),
    "times": (part_times, 1, 1),
}
"""Each part with the size of a whole run (of each hand, of all traces) and of a quick one."""


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--quick", action="store_true", help="a tenth of the traces")
    parser.add_argument("--part", nargs="+", choices=PARTS, default=list(PARTS), help="only these parts")
    parser.add_argument("--first", type=int, default=30_000, help="first seed")
    parser.add_argument("--traces", type=int, help="so many instead of the usual number")
    chosen = parser.parse_args()
    for name in chosen.part:
        part, whole, quick = PARTS[name]
        began = time.perf_counter()
        part(chosen.first, chosen.traces or (quick if chosen.quick else whole))
        print(f"  ({name} took {time.perf_counter() - began:.0f} s)", flush=True)


if __name__ == "__main__":
    main()
