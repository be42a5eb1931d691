"""How near runout, swash and end float come to what is true, and whether their intervals hold.

    python tests/benchmarks/runout.py            1,000 traces of each, about two minutes
    python tests/benchmarks/runout.py --quick    100

Of swashes, which are quick, five times as many. Printed at the end for each of three: the share of 95 % intervals that
hold the truth (goal 93 to 97 %). Full swings are those of parts a few steps of their gauge off their axis, with gauges of
all kinds; faces are planes that lean, by geometry in space; shafts are pushed and pulled, each end felt a little otherwise
each time, under plungers that trail: every other one's retrace is only stated, which allows for it both ways, so that of
those more intervals hold.

First, a part 0.01 mm off its axis, oval and lobed by chance, is turned twice under a gauge that shakes by 0.005 mm. Printed:
errors of amplitude (limit 0.002 mm) and angle (limit 10 deg), and the shares of 95 % intervals that hold the truth, the
truth being read off the part's own geometry. Beside it: highest less lowest reading halved, as read off a dial by eye.
"""

from __future__ import annotations

import argparse
import os
import sys
from dataclasses import replace
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "shared"))
from bench_cases import as_stored

from analysis.base import GaugeFacts, Streams
from analysis.report import Runout, find_end_float, find_runout, swash_of
from simulated_devices.machine import DialIndicator, Hand, Manner, RoundPart
from simulated_devices.traces import Trace, random_encoder, record_round


def turned(seed: int, part: RoundPart | None = None, turns: float = 2.05) -> tuple[RoundPart, Trace]:
    rng = np.random.default_rng([seed, 31])
    own = part or RoundPart(
        float(rng.uniform(20.0, 60.0)),
        tuple((n, float(rng.uniform(0.0, 0.004)), float(rng.uniform(0, 360))) for n in (2, 3, 4, 5)),
        0.01,
        float(rng.uniform(0.0, 360.0)),
        float(rng.uniform(-0.01, 0.01)),
    )
    gauge = DialIndicator(
        step=float(rng.choice([0.001, 0.01, 0.002])),
        rate_hz=float(rng.uniform(10.0, 30.0)),
        lag_s=float(rng.uniform(0.02, 0.1)),
        jitter_s=0.003,
        noise_mm=0.005,
        zero_mm=float(rng.uniform(-2.0, 2.0)),
    )
    hand = Hand(float(rng.uniform(0.0, 360.0)), Manner(float(rng.uniform(12.0, 30.0)), 0.2), rng).turns(turns)
    return own, record_round(own, hand.done(), gauge, random_encoder(rng), rng)


def found(trace: Trace) -> Runout:
    streams = as_stored(trace)
    return find_runout(streams, GaugeFacts(), zero_deg=trace.truth.zero_deg)


def true_waves(part: RoundPart) -> np.ndarray:
    """Complex heights by the fast Fourier transform of the part's own geometry; the top stands at minus the phase."""
    rise = part.under_gauge_mm(np.arange(0.0, 360.0, 0.1))
    return 2.0 * np.fft.rfft(rise) / len(rise)


def off_by(found_deg: float, true_deg: float, period: float) -> float:
    return (found_deg - true_deg + period / 2.0) % period - period / 2.0


def held_swings(count: int) -> list[bool]:
    """Gauges whose noise is from a twentieth of a step to many: rounding tells, or nothing of it."""
    held = []
    for seed in range(count):
        rng = np.random.default_rng([seed, 78])
        lobes = ((2, float(rng.uniform(0.0, 0.004)), float(rng.uniform(0.0, 360.0))),)
        part = RoundPart(30.0, lobes, float(rng.uniform(0.006, 0.03)), float(rng.uniform(0.0, 360.0)))
        gauge = DialIndicator(
            step=float(rng.choice([0.001, 0.002, 0.01])),
            rate_hz=float(rng.uniform(8.0, 30.0)),
            lag_s=0.05,
            jitter_s=0.003,
            noise_mm=float(rng.choice([0.0005, 0.001, 0.002, 0.005])),
            zero_mm=float(rng.uniform(-1.0, 1.0)),
        )
        hand = Hand(float(rng.uniform(0.0, 360.0)), Manner(float(rng.uniform(12.0, 40.0)), 0.2), rng)
        told = found(record_round(part, hand.turns(2.05).done(), gauge, random_encoder(rng), rng)).total_mm
        swing = float(np.ptp(part.under_gauge_mm(np.arange(0.0, 360.0, 0.2))))
        held.append(abs(told.value - swing) <= told.u95)
    return held


def held_swashes(count: int) -> list[bool]:
    """A plane through the axis, its normal leaning by the tilt: where a line along the axis meets it is the reading."""
    held = []
    for seed in range(count):
        rng = np.random.default_rng([seed, 79])
        radius_mm, lean = rng.uniform(40.0, 150.0), np.radians(rng.uniform(0.005, 0.1))
        time_s = np.arange(0.0, rng.uniform(30.0, 50.0), 1.0 / rng.uniform(8.0, 25.0))
        turned_deg = np.interp(time_s, [1.0, time_s[-1] - 1.0], [0.0, rng.uniform(725.0, 780.0)])
        normal = np.array([np.sin(lean), 0.0, np.cos(lean)])
        along_mm = (
            -normal[0] * radius_mm * np.cos(np.radians(rng.uniform(0.0, 360.0) - turned_deg)) / normal[2]
        )
        step_mm, noise_mm = rng.choice([0.001, 0.01]), rng.choice([0.001, 0.002, 0.005])
        # A digit of the gauge begins anywhere in the swing, as its zero key was pressed anywhere.
        along_mm += rng.uniform(0.0, step_mm)
        shown_mm = step_mm * np.round((along_mm + rng.normal(0.0, noise_mm, time_s.size)) / step_mm)
        streams = Streams(time_s, turned_deg, time_s, shown_mm)
        told = swash_of(find_runout(streams, GaugeFacts(lag_s=0.0), on_face=True), radius_mm).swash_mm
        held.append(abs(told.value - 2.0 * radius_mm * np.tan(lean)) <= told.u95)
    return held


def held_floats(count: int) -> list[bool]:
    """Ends that differ by a known distance; at either the plunger trails by up to half of its stated retrace."""
    held = []
    for seed in range(count):
        rng = np.random.default_rng([seed, 80])
        step_mm, retrace_mm = float(rng.choice([0.001, 0.01])), float(rng.uniform(0.0, 0.008))
        inner_mm, float_mm = rng.uniform(-1.0, 1.0), rng.uniform(0.05, 0.4)
        trails_mm, felt_mm = rng.uniform(0.0, 0.5 * retrace_mm), rng.uniform(0.0, 0.004)
        pushed = int(rng.integers(3, 6))
        ends = [inner_mm + trails_mm, inner_mm + float_mm - trails_mm] * pushed + rng.normal(
            0.0, felt_mm, 2 * pushed
        )
        at_s = np.arange(2 * pushed)[:, None] * 1.2 + [0.0, 1.0]
        time_s = np.arange(0.0, at_s[-1, -1], 0.1)
        shown = np.interp(time_s, at_s.ravel(), np.repeat(ends, 2))
        shown += rng.normal(0.0, rng.choice([0.0003, 0.001, 0.002]), time_s.size)
        streams = Streams(time_s[[0, -1]], np.zeros(2), time_s, step_mm * np.round(shown / step_mm))
        facts = GaugeFacts(step_mm=step_mm, error_mm=0.0, retrace_mm=retrace_mm)
        if seed % 2:  # found with this gauge, as by a true TDC before
            found_mm = max(2.0 * trails_mm + rng.normal(0.0, 0.001), 0.0)
            facts = replace(facts, found_retrace_mm=found_mm, found_retrace_u_mm=0.001)
        told = find_end_float(streams, facts).float_mm
        held.append(abs(told.value - float_mm) <= told.u95)
    return held


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true")
    asked = parser.parse_args()
    count = 100 if asked.quick else 1000
    amplitude, angle, by_eye = [], [], []
    for seed in range(count):
        part, trace = turned(seed)
        told, true = found(trace), true_waves(part)
        for wave in told.waves:
            off = wave.amplitude_mm.value - abs(true[wave.times])
            turn = off_by(
                wave.high_at_deg.value,
                -np.degrees(np.angle(true[wave.times])) / wave.times,
                360.0 / wave.times,
            )
            amplitude.append((wave.times, off, wave.amplitude_mm.u95))
            angle.append((wave.times, turn, wave.high_at_deg.u95))
        by_eye.append(np.ptp(trace.gauge_mm) / 2.0 - 0.01)
    a, t = np.array(amplitude), np.array(angle)
    print(
        f"{'times a turn':14} {'95 % of errors':>15} {'inside %':>9} {'95 % of angles':>15} {'inside %':>9}"
    )
    for times in range(1, 6):
        own, turn = a[a[:, 0] == times], t[t[:, 0] == times]
        print(
            f"{times:<14d} {np.quantile(np.abs(own[:, 1]), 0.95):12.4f} mm "
            f"{np.mean(np.abs(own[:, 1]) <= own[:, 2]) * 100:9.1f} {np.quantile(np.abs(turn[:, 1]), 0.95):11.1f} deg "
            f"{np.mean(np.abs(turn[:, 1]) <= turn[:, 2]) * 100:9.1f}"
        )
    first, where = a[a[:, 0] == 1], t[t[:, 0] == 1]
    within = np.mean((np.abs(first[:, 1]) <= 0.002) & (np.abs(where[:, 1]) <= 10.0))
    print(f"off the axis 0.01 mm: within 0.002 mm and 10 deg {within * 100:.1f} %")
    for name, held in (("full swing", held_swings), ("swash", held_swashes), ("end float", held_floats)):
        many = 5 * count if held is held_swashes else count
        print(f"{name:14} intervals that hold {np.mean(held(many)) * 100:5.1f} % of {many}")
    print(f"by eye, half of the swing: 95 % of errors {np.quantile(np.abs(by_eye), 0.95):.4f} mm")


if __name__ == "__main__":
    main()
