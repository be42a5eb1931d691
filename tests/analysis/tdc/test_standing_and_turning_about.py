"""Readings taken where the crank stands or turns about: they do not jitter, and are counted for what they tell."""

from __future__ import annotations

import numpy as np
import pytest
from bench_cases import as_stored

from analysis.base import GaugeFacts, TdcSettings
from analysis.readings import follow_crank
from analysis.tdc import find_tdc
from simulated_devices.machine import DialIndicator, Encoder, Hand, Manner, Mounting
from simulated_devices.traces import Setup, record
from simulated_devices.traces.random_benches import random_engine

JITTER_S, SPEED_DEG_S = 0.010, 60.0


def test_a_gauge_that_jitters_tells_most_where_the_crank_turns_about():
    """Rocked three times with a plunger that reaches throughout; the engine is known.

    While it turns, each reading is as good as not known by jitter times speed, and their mean by that over the root of
    their number (the standard error of a mean). The turning points tell more, so less than half of that is left.
    """
    held, beside = [], []
    for seed in range(12):
        rng = np.random.default_rng([seed, 31])
        engine = random_engine(rng)
        gauge = DialIndicator(step=0.01, rate_hz=15.0, lag_s=0.06, jitter_s=JITTER_S, travel_mm=50.0)
        hand = Hand(-40.0, Manner(SPEED_DEG_S, 0.1), rng).rock(0.0, 40.0, 3).pause(0.5)
        setup = Setup(engine, hand.done(), Encoder(3600), {"plug": Mounting(gauge, "piston_1", 40.0)})
        trace = record(setup, rng)
        crank = engine.crank
        told = find_tdc(
            as_stored(trace),
            TdcSettings(crank.stroke_mm, crank.rod_mm, crank.pin_offset_mm),
            GaugeFacts(0.06, 0.001, 0.01, 0.0, 0.0),
        )
        off = (told.centre_deg - trace.truth.tdc_deg + 180.0) % 360.0 - 180.0
        held.append(abs(off) <= told.u95_deg)
        beside.append(told.u95_deg / (2.0 * JITTER_S * SPEED_DEG_S / np.sqrt(trace.gauge_mm.size)))
    assert np.mean(held) > 0.75
    assert np.median(beside) < 0.5


@pytest.mark.parametrize("stands_s", [0.6, 2.0])
def test_a_rest_on_a_count_leaves_that_count_open_and_no_more(stands_s):
    """Anywhere within a count is as likely as anywhere else: its twelfth, squared, all the while (GUM F.2.2.1).

    Averaged over the rest that error stays what it is, so its density is that variance times as long as it lasts.
    """
    count_deg, at_s = 0.25, np.arange(0.0, 30.0, 0.005)
    ends_s = np.arange(1.0, 29.0, stands_s + 0.4)
    true_deg = 0.06 + sum(6.0 * np.clip((at_s - end_s) / 0.4, 0.0, 1.0) for end_s in ends_s)
    motion = follow_crank(at_s, (np.floor(true_deg / count_deg) + 0.5) * count_deg)
    amid_s = ends_s[1:-1] - 0.5 * stands_s
    noise = motion.noise(amid_s)
    assert noise.u_deg == pytest.approx(count_deg / np.sqrt(12.0), rel=0.05)
    assert noise.density_deg2_s == pytest.approx(count_deg**2 / 12.0 * stands_s, rel=0.15)
