"""Stored and live readings joined: none twice, none lost, whatever the feed leaves out."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from analysis.base import changes
from api.base import Interval, StoredPart
from api.live import CurvePointsSoFar

STEP_NS = 2_000_000


def part(values: list[float], start_ns: int, upto: int) -> StoredPart:
    """What the store holds of a channel whose reading number k is values[k] at k * STEP_NS."""
    kept = [k for k in range(upto) if k * STEP_NS >= start_ns]
    return np.array([k * STEP_NS for k in kept]), np.array([values[k] for k in kept], float), upto - 1


def give(interval: Interval, quantity: str, values: list[float], begin: int, end: int) -> None:
    times = [k * STEP_NS for k in range(begin, end)]
    interval.take(quantity, begin, times, values[begin:end])


@given(st.data())
def test_whatever_the_feed_leaves_out_the_interval_is_the_stream(data: st.DataObject) -> None:
    values = {name: [float(k % 7) for k in range(60)] for name in ("crank", "gauge")}
    start_ns = data.draw(st.integers(0, 20)) * STEP_NS
    interval = Interval(start_ns)
    interval.start_over()
    heard = dict.fromkeys(values, 0)
    for _ in range(data.draw(st.integers(1, 12))):
        name = data.draw(st.sampled_from(["crank", "gauge"]))
        lost = data.draw(st.integers(0, 3)) if data.draw(st.booleans()) else 0
        begin = min(60, heard[name] + lost)
        heard[name] = min(60, begin + data.draw(st.integers(0, 9)))
        give(interval, name, values[name], begin, heard[name])
        if not interval.whole and data.draw(st.booleans()):
            stored = {n: data.draw(st.integers(heard[n], 60)) for n in values}
            interval.put_before(*(part(values[n], start_ns, stored[n]) for n in ("crank", "gauge")))
            assert interval.whole
    for name, value in values.items():
        give(interval, name, value, heard[name], 60)
    if not interval.whole:
        interval.put_before(*(part(values[n], start_ns, 60) for n in ("crank", "gauge")))
    want_t, want_value, _ = part(values["crank"], start_ns, 60)
    for channel in (interval.crank, interval.gauge):
        t_ns, got = channel.arrays()
        assert t_ns.tolist() == want_t.tolist()
        assert got.tolist() == want_value.tolist()


def test_readings_before_the_start_are_left_out() -> None:
    interval = Interval(3 * STEP_NS)
    give(interval, "crank", [0.0] * 9, 0, 6)
    assert interval.crank.arrays()[0].tolist() == [3 * STEP_NS, 4 * STEP_NS, 5 * STEP_NS]


def test_a_gap_in_the_feed_asks_for_the_store() -> None:
    interval = Interval(0)
    give(interval, "gauge", [1.0] * 9, 0, 3)
    give(interval, "gauge", [1.0] * 9, 5, 7)
    assert not interval.whole


def test_a_store_that_does_not_reach_the_live_readings_is_not_taken() -> None:
    interval = Interval(0)
    interval.start_over()
    give(interval, "gauge", [1.0] * 9, 6, 9)
    interval.put_before(part([1.0] * 9, 0, 3), part([1.0] * 9, 0, 3))
    assert not interval.whole


def test_a_standing_crank_keeps_the_first_and_last_reading_of_each_stand() -> None:
    value = np.array([1.0, 1, 1, 2, 3, 3, 3, 3, 4])
    assert value[changes(value)].tolist() == [1, 1, 2, 3, 3, 4]


def test_points_wait_for_the_crank_and_know_the_way() -> None:
    interval = Interval(0)
    points = CurvePointsSoFar()
    ms = 1_000_000
    interval.take("crank", 0, [k * ms for k in range(0, 1000, 5)], [k * 0.02 for k in range(0, 1000, 5)])
    interval.take("gauge", 0, [500 * ms, 900 * ms, 2000 * ms], [1.0, 2.0, 3.0])
    assert points.grow(interval)
    assert points.crank_deg == [10.0, 18.0]  # the third waits: the crank may still say where it was
    assert points.way == [1, 1]
    interval.take("gauge", 3, [2300 * ms], [3.5])
    assert points.grow(interval)  # the crank has been silent for long enough: it stands
    assert points.crank_deg[2] == 19.9
    assert points.way[2] == 0
