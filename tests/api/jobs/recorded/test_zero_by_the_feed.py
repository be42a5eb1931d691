"""The live feed says that the counter began anew: no lobe is measured from then on, before the store has the event."""

from __future__ import annotations

import time
from typing import Any

import pytest

pytestmark = pytest.mark.slow

RUN, TDC_BEGAN_NS = 7, 1_000


def hears(shop: Any, **message: Any) -> None:
    """What capture tells the service, word for word as its feed does."""

    async def take() -> None:
        shop.client.app.state.service.take(message, time.monotonic_ns())

    shop.client.portal.call(take)


def hello(shop: Any) -> None:
    crank = {"name": "crank", "quantity": "crank"}
    now = {"monotonic_ns": time.monotonic_ns(), "wall_ns": time.time_ns()}
    hears(shop, kind="hello", run_id=RUN, schema=1, channels=[crank], anchor=now)


def guide_of(shop: Any) -> Any:
    """The guide as every screen has it, once it speaks of the job."""
    until = time.monotonic() + 20
    while (guide := shop.get("/api/bench")["guide"])["job_id"] != shop.job_id:
        assert time.monotonic() < until, guide
        time.sleep(0.05)
    return guide


def test_the_guide_of_the_open_job_comes_back_by_itself_when_the_feed_begins_anew(recorded: Any) -> None:
    shop = recorded()
    shop.begin()
    shop.to_the_lobes()
    shop.post(f"/api/jobs/{shop.job_id}/open")
    assert guide_of(shop)["step"] == "Lobe centre, inlet"
    hello(shop)
    assert guide_of(shop)["step"] == "Lobe centre, inlet"
    hears(shop, kind="event", t_ns=5, channel="crank", code="counter_reset", sentence="crank: began again")
    assert guide_of(shop)["step"] == "Lobe centre, inlet"


def test_a_counter_that_began_anew_is_heard_at_once_and_one_more_tdc_settles_it(recorded: Any) -> None:
    shop = recorded()
    shop.begin()
    shop.to_the_lobes()
    change = "UPDATE measurements SET run_id = ?, start_ns = ? WHERE what = 'tdc'"
    shop.client.app.state.service.shop.write(lambda db: db.execute(change, (RUN, TDC_BEGAN_NS)))
    path = f"/api/jobs/{shop.job_id}/measure"
    hello(shop)
    assert shop.refused(path, {}, 409)["code"] == "no_gauge", "the zero stands; only a gauge is missing"
    event = {
        "channel": "crank",
        "code": "counter_reset",
        "sentence": "crank: the counter began again at zero",
    }
    hears(shop, kind="event", t_ns=TDC_BEGAN_NS + 1, **event)
    told = shop.refused(path, {}, 409)
    assert (told["code"], told["step"]) == ("zero_unproved", "true_tdc")
    hears(shop, kind="event", t_ns=TDC_BEGAN_NS + 2, **event | {"code": "channel_online"})
    assert shop.refused(path, {}, 409)["code"] == "zero_unproved"
    shop.client.app.state.service.shop.write(lambda db: db.execute(change, (RUN, TDC_BEGAN_NS + 9)))
    hello(shop)
    assert shop.refused(path, {}, 409)["code"] == "no_gauge"


def test_a_zero_that_slipped_before_the_first_lobe_takes_the_overlap_with_it(recorded: Any) -> None:
    """The stroke was noted at the old zero; the lobe must come out where the metal has it all the same."""
    shop = recorded(inlet=2.0)
    shop.begin()
    shop.to_the_lobes()
    shop.slipped_deg = 3.0
    shop.tdc()
    view = shop.job()
    assert view["now"] == "true_tdc", "the last two differ by 3 degrees"
    shop.tdc()
    view = shop.job()
    assert view["now"] == "lobe.inlet"
    assert view["overlap_tdc_deg"] == pytest.approx((shop.overlap_tdc_deg + 3.0) % 720, abs=0.05)
    lobe = shop.lobe("inlet_1")
    assert lobe["centre_deg"] == pytest.approx(shop.engine.truth_of("inlet_1").centre_deg(1.27), abs=0.2)
