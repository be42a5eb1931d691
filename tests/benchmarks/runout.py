"""How near the runout of a turned part comes to what is true, and whether its intervals hold.

    python tests/benchmarks/runout.py            1,000 traces, about a minute
    python tests/benchmarks/runout.py --quick    100

A part 0.01 mm off its axis, oval and lobed by chance, is turned twice under a gauge that shakes by 0.005 mm. Printed:
errors of amplitude (limit 0.002 mm) and angle (limit 10 deg), and the shares of 95 % intervals that hold the truth, the
truth being read off the part's own geometry. Beside it: highest less lowest reading halved, as read off a dial by eye.
"""

from __future__ import annotations

import argparse
import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

from analysis.base import GaugeFacts, Streams
from analysis.report import Runout, find_runout
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
    streams = Streams(trace.crank_time_s, trace.crank_deg, trace.gauge_time_s, trace.gauge_mm)
    return find_runout(streams, GaugeFacts(), zero_deg=trace.truth.zero_deg)


def true_waves(part: RoundPart) -> np.ndarray:
    """Complex heights by the fast Fourier transform of the part's own geometry; the top stands at minus the phase."""
    rise = part.under_gauge_mm(np.arange(0.0, 360.0, 0.1))
    return 2.0 * np.fft.rfft(rise) / len(rise)


def off_by(found_deg: float, true_deg: float, period: float) -> float:
    return (found_deg - true_deg + period / 2.0) % period - period / 2.0


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
    print(f"by eye, half of the swing: 95 % of errors {np.quantile(np.abs(by_eye), 0.95):.4f} mm")


if __name__ == "__main__":
    main()
