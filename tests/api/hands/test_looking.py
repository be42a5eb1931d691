"""While one cable keeps its lines back the other speaks on: nobody has touched the gauge."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.base import GaugeFacts, Streams
from analysis.touching import KnownZero
from api.hands.looking import look_at, told_by_both

SPEED_DEG_S, HEARD_S = 60.0, 6.0


def gauge_speaks_on(for_s: float) -> Streams:
    """The encoder was heard until `HEARD_S`; a gauge that the crank still moves is heard on."""
    crank_s, gauge_s = np.arange(0.0, HEARD_S, 0.01), np.arange(0.0, HEARD_S + for_s, 0.1)
    moved_mm = 0.05 * SPEED_DEG_S * np.maximum(gauge_s - 4.0, 0.0)
    return Streams(crank_s, SPEED_DEG_S * crank_s, gauge_s, np.round(moved_mm, 2))


@pytest.mark.parametrize("silent_s", [0.3, 0.7, 0.9])
def test_a_gauge_is_not_taken_for_moved_by_hand_while_the_encoders_cable_stalls(silent_s: float) -> None:
    streams = told_by_both(gauge_speaks_on(silent_s), HEARD_S + silent_s)
    assert look_at(streams, 0, GaugeFacts(), KnownZero()).moved_by_hand_ns is None


def test_an_encoder_that_says_nothing_while_it_stands_hides_no_hand() -> None:
    streams = told_by_both(gauge_speaks_on(3.0), HEARD_S + 3.0)
    moved_ns = look_at(streams, 0, GaugeFacts(), KnownZero()).moved_by_hand_ns
    assert moved_ns is not None
    assert moved_ns / 1e9 == pytest.approx(HEARD_S + 2.0, abs=0.3)
