"""A lobe in two positions of the encoder's body, asked of the service; the disc off its axis is plane geometry."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from api.archive import import_trace
from api.measure import LobeAsked, MeasurementAsked
from simulated_devices.faults.as_they_are import DiscOffItsAxis
from simulated_devices.machine import DialIndicator, Encoder, Hand, Manner, Mounting
from simulated_devices.traces import Setup, record

pytestmark = pytest.mark.slow
Fields = dict[str, Any]
OUT_DEG, TOWARDS_DEG, RADIUS_MM = 0.2, 55.0, 25.0


def lobe_measured(shop: Any, body_deg: float, touches: str = "inlet_1") -> int:
    """Measure a lobe from a true TDC that is known, the encoder's body turned by so much; give its number."""
    rng = np.random.default_rng([1804, round(body_deg)])
    disc = DiscOffItsAxis(RADIUS_MM * math.sin(math.radians(OUT_DEG)), RADIUS_MM, TOWARDS_DEG + body_deg)
    encoder = Encoder(3600, 500.0, zero_deg=body_deg)
    gauge = DialIndicator(step=0.001, rate_hz=15.0, lag_s=0.06, jitter_s=0.0005, travel_mm=25.0)
    truth = shop.engine.truth_of(touches)
    hand = Hand(truth.full_lift_deg - 280.0, Manner(28.0, 0.1), rng).turns(3.0).turns(3.0, 40.0).by(-60.0)
    mounting = Mounting(gauge, touches, truth.peak_lift_mm + 2.0, opposed=True)
    trace = record(Setup(shop.engine, hand.done(), encoder, {"dial_a": mounting}), rng, [disc])
    path = shop.data / f"{touches}-{body_deg:g}.csv"
    rows = "".join(f"{t!r},{channel},{value!r}\n" for t, channel, value in trace.rows())
    path.write_text(f"time_s,channel,value\n{rows}")
    top = float(disc.on_crank(np.zeros(1), np.zeros(1), rng)[0]) - body_deg
    asked = MeasurementAsked(
        touches=touches,
        gauge="dial_a",
        lag_s=0.06,
        lag_u_s=0.0005,
        lobe=LobeAsked(tdc_deg=top % 720.0, tdc_u_deg=0.005),
    )
    measurement = import_trace(path, asked, shop.client.app.state.service.shop, shop.data)
    assert measurement.state == "finished", measurement.sentence
    return measurement.id


@pytest.fixture(scope="module")
def shop(recorded: Any) -> Any:
    return recorded()


def test_the_encoder_s_part_cancels_is_shown_and_the_interval_shrinks(shop: Any) -> None:
    first, second = lobe_measured(shop, 0.0), lobe_measured(shop, 180.0)
    told = shop.get(f"/api/measurements/{first}/turned?beside={second}")
    truth = shop.engine.truth_of("inlet_1").centre_deg(1.27)
    print(
        f"{told['before_deg'] - truth:+.3f} alone, {told['centre_deg'] - truth:+.3f} ± {told['u95_deg']:.3f} of two"
    )
    assert abs(told["before_deg"] - truth) > 0.2
    assert abs(told["centre_deg"] - truth) <= 0.03
    assert told["u95_deg"] < told["before_u95_deg"]
    assert told["odd_deg"] == pytest.approx(told["before_deg"] - truth, abs=0.03)
    assert told["turned_deg"] == pytest.approx(180.0, abs=0.5)
    assert "sits off its axis" in told["sentence"]


def test_what_was_not_turned_or_is_another_lobe_is_refused_in_a_sentence(shop: Any) -> None:
    first, other = lobe_measured(shop, 1.0), lobe_measured(shop, 181.0, "exhaust_1")
    for beside, code in ((first, "not_the_same_lobe"), (other, "not_the_same_lobe")):
        answer = shop.client.get(f"/api/measurements/{first}/turned?beside={beside}")
        assert (answer.status_code, answer.json()["code"]) == (422, code)
    near = lobe_measured(shop, 20.0)
    answer = shop.client.get(f"/api/measurements/{first}/turned?beside={near}")
    assert (answer.status_code, answer.json()["code"]) == (422, "encoder_not_turned")
    assert "by 19 degrees" in answer.json()["message"]
