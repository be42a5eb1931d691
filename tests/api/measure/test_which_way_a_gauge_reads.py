"""Where a part is high depends on which way its gauge reads: known from a piston, or said to be taken for granted."""

from __future__ import annotations

import numpy as np

from analysis.base import GaugeFacts, Streams
from api.measure import RunoutView, TurnedEntry, runout_of

MARK_DEG = 80.0


def told(inward: int | None, sign: float) -> RunoutView:
    """A part 0.05 mm off its axis towards its mark, which is under the gauge at 80 degrees."""
    time_s = np.arange(0.0, 40.0, 0.05)
    turned_deg = np.interp(time_s, [1.0, 39.0], [0.0, 760.0])
    pushed_mm = 0.05 * np.cos(np.radians(turned_deg - MARK_DEG))
    shown_mm = np.round(sign * pushed_mm + np.random.default_rng(2).normal(0.0, 0.001, time_s.size), 3)
    streams = Streams(time_s, turned_deg, time_s, shown_mm)
    return runout_of(TurnedEntry(), "dial_a", streams, GaugeFacts(lag_s=0.0), None, inward)


def test_a_gauge_that_falls_inward_finds_the_same_place() -> None:
    for inward, sign in ((1, 1.0), (-1, -1.0)):
        view = told(inward, sign)
        assert abs(view.high_at_deg.value - MARK_DEG) < 2.0
        assert "highest 80° after the encoder's zero" in view.words
        assert "if the reading grows" not in view.words


def test_where_nobody_knows_which_way_it_reads_that_is_said() -> None:
    assert (
        "highest 80° after the encoder's zero, if the reading grows as the plunger goes in."
        in told(None, 1.0).words
    )
