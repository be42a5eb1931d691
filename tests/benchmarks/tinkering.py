"""An hour of hands that mostly mean no number: how many are kept that nobody meant, how many that were meant are lost.

python tests/benchmarks/tinkering.py [--minutes 60] [--seed N]

Streams of crank and gauge are simulated at once, without a bench and without its time: the gauge carried about, the
crank rocked, the plunger pushed by hand, half a look taken, the wrong part turned, cables pulled; now and then somebody
means it. What is watched is what hands-free watches: what moved the gauge, what it touches, whether there is enough.
"""

from __future__ import annotations

import argparse
from collections import Counter
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from analysis.base import Floats, GaugeFacts, LobeSettings, Refusal, Streams, TdcSettings
from analysis.job import TURNS_DEG
from analysis.lobe import find_lobe
from analysis.tdc import find_tdc
from analysis.touching import KnownZero, last_moved_by_hand, recognise
from api.guide import Wanted, matching
from api.guide.following import REST_S
from api.guide.measuring import MEANT_PASSES
from simulated_devices.machine import Hand, Manner
from simulated_devices.scenarios import load_scenario
from simulated_devices.scenarios.scenario_build import encoder_of, engine_of, gauge_of, set_up
from simulated_devices.traces import Setup, record

Rng = np.random.Generator
PARTS = ("piston_1", "inlet_1", "exhaust_1")
TOLERANCE_DEG = 1.0
LOOK_EVERY_S, SET_S, STRIDE_DEG, FREE_MM = 0.5, 0.3, 0.5, -12.0
TINKERING = ("carried", "rocked", "pushed", "half a look", "wrong part", "gauge cable", "encoder cable")
MEANT_SHARE = 0.15


@dataclass
class Hour:
    """What hands did, in order: the crank's course, where the gauge was, and what else moved it."""

    rng: Rng
    step: Literal["true_tdc", "lobes"]
    hand: Hand
    onto: list[tuple[float, str]] = field(default_factory=list)
    """From when on it touches what; empty: it hangs free, in a hand."""
    pushed: list[tuple[float, float, float]] = field(default_factory=list)
    pulled: list[tuple[float, float, str]] = field(default_factory=list)
    meant: list[tuple[float, float, str]] = field(default_factory=list)
    did: Counter[str] = field(default_factory=Counter)

    @property
    def now_s(self) -> float:
        return self.hand.done().duration_s

    def set_on(self, part: str) -> None:
        self.onto.append((self.now_s, ""))
        self.hand.pause(float(self.rng.uniform(0.8, 2.5)))
        self.onto.append((self.now_s, part))
        self.hand.pause(float(self.rng.uniform(0.8, 2.0)))

    def mean_it(self) -> None:
        part = "piston_1" if self.step == "true_tdc" else str(self.rng.choice(PARTS[1:]))
        self.set_on(part)
        began_s = self.now_s
        if part == "piston_1":
            self.hand.rock(self._top_deg(), 45.0, 2, (70.0, 50.0))
        else:
            self.hand.turns(2.0, 130.0).turns(2.2, 80.0).by(-40.0, 60.0)
        self.meant.append((began_s, self.now_s, part))
        self.hand.pause(15.0)

    def tinker(self) -> None:
        what = str(self.rng.choice(TINKERING))
        self.did[what] += 1
        if what == "carried":
            for part in self.rng.permutation(PARTS):
                self.set_on(str(part))
        elif what == "rocked":
            self.set_on(str(self.rng.choice(PARTS)))
            for by in self.rng.uniform(6.0, 24.0, 6):
                self.hand.by(float(by), 60.0).by(-float(by), 60.0)
        elif what == "pushed":
            self.set_on(str(self.rng.choice(PARTS)))
            for _ in range(int(self.rng.integers(1, 5))):
                began_s = self.now_s
                self.hand.pause(float(self.rng.uniform(0.4, 2.0)))
                self.pushed.append((began_s, self.now_s, float(self.rng.uniform(0.3, 6.0))))
                self.hand.pause(float(self.rng.uniform(0.4, 1.5)))
        elif what == "half a look":
            self._half_a_look()
        elif what == "wrong part":
            wrong = PARTS[1:] if self.step == "true_tdc" else PARTS[:1]
            self.set_on(str(self.rng.choice(wrong)))
            self.hand.turns(float(self.rng.uniform(0.3, 4.5)), 120.0)
        else:
            self.set_on(str(self.rng.choice(PARTS)))
            began_s = self.now_s
            self.hand.turns(float(self.rng.uniform(0.2, 0.8)), 90.0)
            self.pulled.append((began_s + 0.5, self.now_s, what.partition(" ")[0]))
        self.hand.pause(float(self.rng.uniform(2.0, 12.0)))
        self.set_on(str(self.rng.choice(PARTS)))

    def _half_a_look(self) -> None:
        """Once over the top and back, or once through a lobe: too little, and the gauge goes elsewhere."""
        if self.step == "true_tdc":
            self.set_on("piston_1")
            self.hand.rock(self._top_deg(), 40.0, 1, (70.0,))
        else:
            self.set_on(str(self.rng.choice(PARTS[1:])))
            self.hand.turns(float(self.rng.uniform(0.5, 1.9)), 120.0)

    def _top_deg(self) -> float:
        return 360.0 * round(self.hand.angle_deg / 360.0)


@dataclass
class Bench:
    """The streams of an hour, and what is known at it."""

    crank_s: Floats
    crank_deg: Floats
    gauge_s: Floats
    gauge_mm: Floats
    zero: KnownZero
    facts: GaugeFacts
    tdc_deg: float
    overlap_deg: float

    def between(self, from_s: float, to_s: float) -> Streams:
        crank = slice(*np.searchsorted(self.crank_s, (from_s, to_s)))
        gauge = slice(*np.searchsorted(self.gauge_s, (from_s, to_s)))
        return Streams(
            self.crank_s[crank] - from_s,
            self.crank_deg[crank],
            self.gauge_s[gauge] - from_s,
            self.gauge_mm[gauge],
        )


def bench_of(hour: Hour, rng: Rng) -> Bench:
    """Record the hour with a gauge on every part, and let the one gauge show that of the part it is on."""
    scenario = load_scenario("hollin_lane_twin_cam")
    engine, gauge = engine_of(scenario), gauge_of(scenario.gauge[0])
    mountings = {part: set_up(gauge, part, engine) for part in PARTS}
    trace = record(Setup(engine, hour.hand.done(), encoder_of(scenario), mountings), rng)
    read_s, read_mm = [], []
    ends = [at for at, _ in hour.onto[1:]] + [np.inf]
    for (began_s, part), end_s in zip(hour.onto, ends, strict=True):
        # As they were read: between readings that lie far apart a straight line is no lobe, and looks like a fault of one.
        told = trace.gauges[part or "piston_1"]
        own = (told.time_s >= began_s) & (told.time_s < end_s)
        read_s.append(told.time_s[own])
        read_mm.append(told.value_mm[own] + rng.uniform(-1.0, 1.0) if part else np.full(own.sum(), FREE_MM))
    time_s, shown = np.concatenate(read_s), np.concatenate(read_mm)
    for began_s, end_s, mm in hour.pushed:
        shown += mm * np.clip(np.minimum(time_s - began_s, end_s - time_s) / 0.15, 0.0, 1.0)
    shown = np.round(shown, 2)
    kept_crank, kept_gauge = np.ones(trace.crank_time_s.size, bool), np.ones(time_s.size, bool)
    for began_s, end_s, what in hour.pulled:
        times, kept = (time_s, kept_gauge) if what == "gauge" else (trace.crank_time_s, kept_crank)
        kept &= (times < began_s) | (times > end_s)
    known = hour.step == "lobes"
    truth = trace.truth
    zero = KnownZero(
        truth.tdc_deg if known else None,
        truth.overlap_tdc_deg if known else None,
        scenario.engine.stroke_mm,
    )
    return Bench(
        trace.crank_time_s[kept_crank],
        trace.crank_deg[kept_crank],
        time_s[kept_gauge],
        shown[kept_gauge],
        zero,
        GaugeFacts(lag_s=gauge.lag_s, lag_u_s=0.002, step_mm=0.01),
        truth.tdc_deg,
        truth.overlap_tdc_deg,
    )


@dataclass
class Watching:
    """What hands-free makes of the streams; numbers that are kept are listed with when they began."""

    bench: Bench
    hour: Hour
    kept: list[tuple[float, float, str]] = field(default_factory=list)
    away: int = 0
    refused: list[tuple[float, str]] = field(default_factory=list)
    """When, and by what code, a whole measurement was refused: said in a sentence, and measured again."""
    from_s: float = 0.0
    running: tuple[Wanted, float] | None = None
    enough: str = ""
    _looked_s: float = 0.0

    @property
    def wanted(self) -> list[Wanted]:
        if self.hour.step == "true_tdc":
            return [Wanted("true_tdc", "1", None)]
        return [Wanted("lobe.inlet", "1", "inlet"), Wanted("lobe.exhaust", "1", "exhaust")]

    def watch(self, until_s: float) -> None:
        now_s, looked_s = 0.0, 0.0
        while now_s < until_s:
            now_s += LOOK_EVERY_S
            stood_s = self._stood_s(now_s)
            self._looked_s = now_s
            self._see_cables(now_s)
            if any(began <= now_s <= end for began, end, _ in self.hour.pulled):
                continue  # the bench is in trouble, and says so
            if self.running is not None:
                self._go_on(now_s, stood_s)
            elif now_s - stood_s < 2.0 + LOOK_EVERY_S or now_s - looked_s > 5.0:
                looked_s = now_s
                self._begin(now_s)

    def _see_cables(self, now_s: float) -> None:
        """An encoder that was away counts anew: nothing from before is joined to what comes."""
        for _, end_s, what in self.hour.pulled:
            if what == "encoder" and now_s - LOOK_EVERY_S < end_s <= now_s:
                self.from_s = end_s
                if self.running is not None:
                    self.running, self.enough = None, ""
                    self.away += 1

    def _stood_s(self, now_s: float) -> float:
        """When the crank came to where it stands."""
        last = int(np.searchsorted(self.bench.crank_s, now_s))
        deg = self.bench.crank_deg[max(0, last - 6000) : last]
        off = np.flatnonzero(np.abs(deg - deg[-1]) > STRIDE_DEG) if deg.size else np.empty(0, int)
        return float(self.bench.crank_s[max(0, last - deg.size + int(off[-1]))]) if off.size else 0.0

    def _begin(self, now_s: float) -> None:
        streams = self.bench.between(self.from_s, now_s)
        if streams.gauge_mm.size < 4:
            return
        hand_s = last_moved_by_hand(streams)
        if hand_s is not None:
            self.from_s += hand_s + SET_S
            streams = self.bench.between(self.from_s, now_s)
        if streams.gauge_mm.size < 2 or streams.crank_deg.size < 2:
            return
        touch = recognise(streams, self.bench.facts, self.bench.zero)
        one = matching(touch, self.wanted)
        if one is not None:
            self.running, self.enough = (one, self.from_s), ""

    def _go_on(self, now_s: float, stood_s: float) -> None:
        assert self.running is not None
        one, began_s = self.running
        streams = self.bench.between(began_s, now_s)
        hand_s = last_moved_by_hand(streams)
        if hand_s is not None:
            if self.enough:
                self.kept.append((began_s, began_s + hand_s, one.part))
            else:
                self.away += 1
            self.running, self.from_s, self.enough = None, began_s + hand_s + SET_S, ""
            return
        rested_s = now_s - stood_s
        if rested_s > 0.9:  # a look at every moment would tell the same, and take a day
            self.enough = self._enough(one, streams)
        if self.enough and rested_s >= REST_S[True, self.enough]:  # type: ignore[index]
            self.kept.append((began_s, now_s, one.part))
            self.running, self.from_s, self.enough = None, now_s, ""

    def _enough(self, one: Wanted, streams: Streams) -> str:
        """The guide's own rule, on what a whole fit tells."""
        try:
            if one.valve is None:
                found = find_tdc(streams, TdcSettings(stroke_mm=80.0, rod_mm=135.0), self.bench.facts)
                settled = found.u95_deg <= 0.25 * TOLERANCE_DEG
                return "whole" if settled and len(found.passes) >= MEANT_PASSES else ""
            turned = float(np.max(streams.crank_deg) - streams.crank_deg[0])
            if turned < TURNS_DEG["lobe"]:
                return ""
            settings = LobeSettings(tdc_deg=self.bench.overlap_deg, tdc_u_deg=0.02)
            lobe = find_lobe(streams, settings, self.bench.facts)
        except Refusal as refusal:
            self.refused.append((self._looked_s, refusal.code))
            return ""
        if lobe.u95_deg > TOLERANCE_DEG or sum(one.used for one in lobe.passes) < 2:
            return ""
        return "far" if lobe.slack_deg is None else "whole"


def half_an_hour(step: Literal["true_tdc", "lobes"], minutes: float, seed: int) -> tuple[Hour, Watching]:
    rng = np.random.default_rng([seed, step == "lobes"])
    hour = Hour(rng, step, Hand(20.0, Manner(60.0, 0.15), rng))
    hour.set_on("inlet_1")
    while hour.now_s < 60.0 * minutes:
        if rng.random() < MEANT_SHARE:
            hour.mean_it()
        else:
            hour.tinker()
    hour.hand.pause(20.0)
    watching = Watching(bench_of(hour, rng), hour)
    watching.watch(hour.now_s - 1.0)
    return hour, watching


def judged(hour: Hour, watching: Watching) -> tuple[int, int, int, int]:
    """How many numbers were kept as meant, kept though nobody meant them, refused with a sentence, and lost."""
    left = list(watching.kept)
    right = lost = refused = 0
    for began_s, end_s, part in hour.meant:
        own = [one for one in left if one[2] == part and one[0] < end_s and one[1] > began_s]
        told = not own and any(began_s < at_s < end_s + 15.0 for at_s, _ in watching.refused)
        right, refused, lost = right + bool(own), refused + told, lost + (not own and not told)
        left = [one for one in left if one not in own[:1]]
    return right, len(left), refused, lost


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument("--seed", type=int, default=14)
    chosen = parser.parse_args()
    did: Counter[str] = Counter()
    totals = np.zeros(5, int)
    for step in ("true_tdc", "lobes"):
        hour, watching = half_an_hour(step, chosen.minutes / 2, chosen.seed)  # type: ignore[arg-type]
        did += hour.did
        totals += (*judged(hour, watching), watching.away)
    right, unmeant, refused, lost, away = totals.tolist()
    print(", ".join(f"{what} {times}" for what, times in sorted(did.items())))
    print(
        f"{chosen.minutes:g} minutes, {sum(did.values())} times tinkered, {right + refused + lost} numbers meant: kept as meant "
        f"{right}, refused with a sentence {refused}, lost {lost}, kept though nobody meant it {unmeant}; begun and thrown away by themselves {away}"
    )


if __name__ == "__main__":
    main()
