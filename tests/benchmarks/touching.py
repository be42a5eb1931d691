"""What a gauge touches, on random benches: how many are told rightly, asked about, told wrongly.

python tests/benchmarks/touching.py [--benches 1000] [--seed N]

Pistons before and after true TDC is known, inlet and exhaust valves from overlap TDC, valves from either TDC, the second
and third gauge of the same turns, gauges that touch nothing, gauges swapped, gauges that a hand pushed.
"""

from __future__ import annotations

import argparse
from collections import Counter, defaultdict
from collections.abc import Callable

import numpy as np

from analysis.base import Floats, GaugeFacts, Streams
from analysis.touching import KnownZero, Touch, recognise
from simulated_devices.traces import Trace, random_lobe, random_tdc
from simulated_devices.traces.random_together import TogetherBench, random_together

Rng = np.random.Generator
MOST_ASKED = 0.03


def streams_of(trace: Trace, gauge: str | None = None) -> Streams:
    own = next(iter(trace.gauges.values())) if gauge is None else trace.gauges[gauge]
    return Streams(trace.crank_time_s, trace.crank_deg, own.time_s, own.value_mm)


def told(touch: Touch) -> str:
    """What was told in a word; empty where it has to be asked."""
    if not touch.sure:
        return ""
    return touch.valve or touch.kind


def piston(rng: Rng) -> list[tuple[str, str]]:
    bench = random_tdc(rng)
    tdc = bench.trace.truth.tdc_deg if rng.random() < 0.5 else None
    zero = KnownZero(tdc_deg=tdc, stroke_mm=bench.known.stroke_mm)
    facts = GaugeFacts(bench.known.lag_s, bench.known.lag_u_s, bench.known.step_mm)
    return [("piston", told(recognise(streams_of(bench.trace), facts, zero)))]


def valve(rng: Rng) -> list[tuple[str, str]]:
    bench = random_lobe(rng)
    truth = bench.trace.truth
    by_stroke = rng.random() < 0.7
    zero = KnownZero(truth.tdc_deg, truth.overlap_tdc_deg if by_stroke else None, bench.known.stroke_mm)
    facts = GaugeFacts(bench.known.lag_s, bench.known.lag_u_s, bench.known.step_mm)
    touched = bench.trace.touches.removesuffix("_1")
    return [(touched, told(recognise(streams_of(bench.trace), facts, zero)))]


def several(rng: Rng) -> list[tuple[str, str]]:
    bench = random_together(rng)
    return [(name, _told_of(bench, name)) for name in bench.trace.gauges]


def _told_of(bench: TogetherBench, name: str) -> str:
    known, truth = bench.gauges[name], bench.trace.truth
    facts = GaugeFacts(known.lag_s, known.lag_u_s, known.step_mm)
    return told(
        recognise(streams_of(bench.trace, name), facts, KnownZero(truth.tdc_deg, truth.overlap_tdc_deg))
    )


def swapped(rng: Rng) -> list[tuple[str, str]]:
    """Two gauges whose names were taken for each other: what is told goes by the readings, not by the name."""
    bench = random_together(rng, valves=("inlet",))
    names = {"piston": "inlet", "inlet": "piston"}
    both = {names[name]: _told_of(bench, name) for name in bench.trace.gauges}
    if "" in both.values():
        return [("swapped", "")]
    return [("swapped", "swapped" if all(both[name] == names[name] for name in both) else "wrong")]


def nothing(rng: Rng) -> list[tuple[str, str]]:
    bench = random_tdc(rng, "turns") if rng.random() < 0.5 else random_lobe(rng, "turns")
    trace = bench.trace
    step = bench.known.step_mm or 0.01
    still = np.full_like(trace.gauge_mm, rng.uniform(-20.0, 20.0)) + rng.normal(
        0.0, 0.6 * step, trace.gauge_mm.size
    )
    shown = np.round(still / step) * step
    given = Streams(trace.crank_time_s, trace.crank_deg, trace.gauge_time_s, shown)
    return [("nothing", told(recognise(given, GaugeFacts(step_mm=step))))]


def pushed(rng: Rng) -> list[tuple[str, str]]:
    """A hand pushes the plunger while the crank stands; now and then the crank was turned before."""
    seconds, rate = rng.uniform(6.0, 20.0), rng.uniform(5.0, 50.0)
    time_s = np.arange(0.0, seconds, 1.0 / rate)
    began, speed = rng.uniform(2.0, seconds - 3.0), rng.uniform(1.0, 15.0)
    course: Floats = np.clip((time_s - began) * speed, 0.0, rng.uniform(0.5, 10.0))
    if rng.random() < 0.5:
        course = course * (time_s < began + rng.uniform(0.5, 1.5))  # and lets it come back
    shown = np.round(course / 0.01) * 0.01 + rng.uniform(-10.0, 10.0)
    crank_s = np.linspace(0.0, seconds, int(200 * seconds))
    return [("by_hand", told(recognise(Streams(crank_s, np.full_like(crank_s, 12.05), time_s, shown))))]


KINDS: dict[str, tuple[float, Callable[[Rng], list[tuple[str, str]]]]] = {
    "piston": (0.3, piston),
    "valve": (0.35, valve),
    "second gauge": (0.15, several),
    "swapped": (0.05, swapped),
    "nothing": (0.1, nothing),
    "pushed": (0.05, pushed),
}


def counted(seed: int, benches: int) -> dict[str, Counter[str]]:
    """Ask of `benches` random benches what each gauge touches."""
    counts: dict[str, Counter[str]] = defaultdict(Counter)
    for number in range(benches):
        rng = np.random.default_rng([seed, number])
        name = str(rng.choice(list(KINDS), p=[share for share, _ in KINDS.values()]))
        for truth, said in KINDS[name][1](rng):
            counts[f"{name}: {truth}"]["asked" if not said else "right" if said == truth else "wrong"] += 1
    return counts


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--benches", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=14)
    chosen = parser.parse_args()
    counts = counted(chosen.seed, chosen.benches)
    print(f"{'touches':<24}{'right':>8}{'asked':>8}{'wrong':>8}")
    for name, count in sorted(counts.items()):
        print(f"{name:<24}{count['right']:>8}{count['asked']:>8}{count['wrong']:>8}")
    every: Counter[str] = sum(counts.values(), Counter())
    gauges = every.total()
    print(
        f"{gauges} gauges on {chosen.benches} benches: right {every['right'] / gauges:.2%}, "
        f"asked {every['asked'] / gauges:.2%} (limit {MOST_ASKED:.0%}), wrong {every['wrong']}"
    )


if __name__ == "__main__":
    main()
