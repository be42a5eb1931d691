"""While one cable keeps its lines back the other speaks on: nobody has touched the gauge."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.base import GaugeFacts
from analysis.touching import KnownZero
from api.hands.looking import Look, look_at, told_by_both
from api.live import Recent

SPEED_DEG_S, HEARD_S = 60.0, 6.0
AWAITED_NS = 1_000_000_000


def looked(silent_s: float, *, speaks_at_rest: bool) -> Look:
    """The encoder was heard until `HEARD_S`; a gauge that the crank still moves is heard on."""
    recent = Recent()
    crank_s, gauge_s = np.arange(0.0, HEARD_S, 0.01), np.arange(0.0, HEARD_S + silent_s, 0.1)
    moved_mm = 0.05 * SPEED_DEG_S * np.maximum(gauge_s - 4.0, 0.0)
    course = SPEED_DEG_S * np.maximum(crank_s - 0.5, 0.0)
    if not speaks_at_rest:
        crank_s, course = crank_s[course > 0.0], course[course > 0.0]
    recent.take("crank", (1e9 * crank_s).astype(int).tolist(), course.tolist(), is_crank=True)
    recent.take(
        "dial_a", (1e9 * gauge_s).astype(int).tolist(), np.round(moved_mm, 2).tolist(), is_crank=False
    )
    streams = recent.streams("crank", "dial_a", 0)
    assert streams is not None
    known_ns = recent.crank_known_until_ns(int(1e9 * (HEARD_S + silent_s)), AWAITED_NS)
    return look_at(told_by_both(streams, known_ns / 1e9), 0, GaugeFacts(), KnownZero())


@pytest.mark.parametrize("silent_s", [0.3, 0.7, 0.9, 3.0])
def test_while_the_encoders_lines_are_on_their_way_no_hand_is_seen(silent_s: float) -> None:
    assert looked(silent_s, speaks_at_rest=True).moved_by_hand_ns is None


@pytest.mark.parametrize("silent_s", [0.3, 0.7, 0.9])
def test_an_encoder_that_may_be_silent_while_it_stands_is_waited_for(silent_s: float) -> None:
    assert looked(silent_s, speaks_at_rest=False).moved_by_hand_ns is None


def test_an_encoder_that_says_nothing_while_it_stands_hides_no_hand() -> None:
    moved_ns = looked(3.0, speaks_at_rest=False).moved_by_hand_ns
    assert moved_ns is not None
    assert moved_ns / 1e9 == pytest.approx(HEARD_S + 2.0, abs=0.3)
