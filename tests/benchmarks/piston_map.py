"""Whether the valve-to-piston map is there at once, and whether its intervals hold.

    python tests/benchmarks/piston_map.py            1,000 pushes, under half a minute
    python tests/benchmarks/piston_map.py --quick    100

Printed: the time of a map of 4 cylinders, 41 by 41 phases, over the second it may take, and over as many single answers one
by one; the share of intervals that hold what parts leave that are moved until they touch, with the push, the crank's
place at it, true TDC and the curve each off by chance.
"""

from __future__ import annotations

import argparse
import os
import time

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

from analysis.clearance import DropMeasured, Pushed, find_piston_clearance, piston_map
from analysis.timing import Cam, Engine, Lobe, StoredLift

ENGINE = Engine(
    "Tarn 1.8 twin-cam",
    ("1", "2", "3", "4"),
    ("1", "3", "4", "2"),
    (Cam("inlet", ("inlet",)), Cam("exhaust", ("exhaust",))),
    stroke_mm=80.0,
    rod_mm=135.0,
)
THROW, ROD = 40.0, 135.0
CRANK = np.arange(0.0, 720.0)
HALF_DEG, FULL_MM = 125.0, 9.8


def lobe_mm(crank_deg, centre_deg):
    after = (np.asarray(crank_deg, float) - centre_deg + 360.0) % 720.0 - 360.0
    return FULL_MM * np.clip(1.0 - (after / HALF_DEG) ** 2, 0.0, None) ** 2


def piston_mm(after_deg):
    """Where a circle of the rod's length about the crankpin meets the cylinder's axis, below its top."""
    turned = np.radians(after_deg)
    across, up = THROW * np.sin(turned), THROW * np.cos(turned)
    return THROW + ROD - (up + np.sqrt(ROD**2 - across**2))


def gap_mm(after_deg, centre_deg, seat_mm):
    return seat_mm + piston_mm(after_deg) - lobe_mm(after_deg, centre_deg)


def _one(rng) -> bool:
    """A valve pushed by hand and mapped; does the interval at a phase hold what the metal leaves there?"""
    u_push, u_tdc, u_curve = 0.05, 0.1, 0.02
    valve = str(rng.choice(["inlet", "exhaust"]))
    centre = (108.0 if valve == "inlet" else 612.0) + rng.uniform(-4.0, 4.0)
    seat, taken_at = rng.uniform(6.0, 9.0), rng.uniform(-20.0, 20.0)
    tdc_off, crank_off = rng.normal(0.0, u_tdc, 2)
    truly_at = (
        taken_at + tdc_off + crank_off
    )  # the crank in true degrees where it is told to be at `taken_at`
    push = gap_mm(truly_at, centre, seat) + rng.normal(0.0, u_push)
    wave = rng.normal(0.0, u_curve, 2)
    cos, sin = (f(np.radians(12.0 * CRANK)) for f in (np.cos, np.sin))
    told = lobe_mm(CRANK + tdc_off, centre) + wave[0] * cos + wave[1] * sin
    told = np.where(lobe_mm(CRANK + tdc_off, centre) > 0.0, told, 0.0)
    curve = StoredLift(CRANK, told, np.full_like(CRANK, u_curve))
    lobe = Lobe("1", valve)
    drop = DropMeasured(lobe, taken_at % 720.0, float(push), crown="pocket", u_mm=u_push)
    shift = float(rng.integers(-10, 11))
    edge = getattr(
        piston_map(
            ENGINE, {lobe: Pushed(drop, curve, curve)}, shifts_deg=(-1.0 + shift, shift), tdc_u_deg=u_tdc
        )[0],
        valve,
    )
    after = np.arange(-170.0, 170.0, 0.02)
    opened = lobe_mm(after, centre + shift) > 0.05
    true = float(gap_mm(after, centre + shift, seat)[opened].min())
    return bool(abs(edge.least_mm[1] - true) <= edge.u95_mm[1])


def coverage(count: int, seed: int = 11) -> float:
    """Share of intervals that hold the truth."""
    rng = np.random.default_rng(seed)
    return float(np.mean([_one(rng) for _ in range(count)]))


def _whole_engine() -> dict[Lobe, Pushed]:
    known = {}
    for cylinder in ENGINE.cylinders:
        offset = ENGINE.firing_offset_deg(cylinder)
        for valve, centre in (("inlet", 108.0), ("exhaust", 612.0)):
            curve = StoredLift(CRANK, lobe_mm(CRANK, centre + offset))
            lobe = Lobe(cylinder, valve)  # type: ignore[arg-type]
            known[lobe] = Pushed(DropMeasured(lobe, offset % 720.0, 5.0), curve, curve)
    return known


def _timed(call) -> float:
    taken = []
    for _ in range(3):
        start = time.perf_counter()
        call()
        taken.append(time.perf_counter() - start)
    return min(taken)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true")
    asked = parser.parse_args()
    known = _whole_engine()
    shifts = tuple(float(shift) for shift in range(-20, 21))

    def one_by_one() -> None:
        for pushed in known.values():
            for shift in shifts:
                find_piston_clearance(ENGINE, pushed.drop, pushed.now, shifts_deg=(shift,))

    map_s, singly_s = _timed(lambda: piston_map(ENGINE, known)), _timed(one_by_one)
    print(f"map of 4 cylinders, 41 by 41: {map_s / 1.0:.3f} of the second it may take")
    print(f"against single answers one by one: {map_s / singly_s:.2f}")
    count = 100 if asked.quick else 1000
    print(f"intervals that hold the metal: {100 * coverage(count):.1f} % of {count} (95 wanted)")


if __name__ == "__main__":
    main()
