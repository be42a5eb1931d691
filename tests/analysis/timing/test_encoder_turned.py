"""The encoder's error once a turn cancels between two positions of its body; held to a disc off its axis."""

from __future__ import annotations

import math

import pytest

from analysis.base import Refusal, encoder_u_deg
from analysis.timing import FromTdc, encoder_turned


def shown_deg(crank_deg: float, off_mm: float, radius_mm: float, towards_deg: float) -> float:
    """Angle about the marks' own centre of a point at the head: plane geometry, the arctangent of e over r."""
    turned = math.radians(crank_deg - towards_deg)
    return crank_deg + math.degrees(
        math.atan2(off_mm * math.sin(turned), radius_mm - off_mm * math.cos(turned))
    )


def from_tdc_deg(lobe_deg: float, disc: tuple[float, float, float]) -> float:
    return shown_deg(lobe_deg, *disc) - shown_deg(0.0, *disc)


@pytest.mark.parametrize("lobe_deg", [108.0, 251.0, 468.0])
@pytest.mark.parametrize("towards_deg", [0.0, 55.0, 110.0, 200.0, 333.0])
def test_two_positions_leave_three_hundredths_of_what_was_up_to_four_tenths(lobe_deg, towards_deg):
    radius_mm = 25.0
    off_mm = radius_mm * math.tan(math.radians(0.2))
    seen = [from_tdc_deg(lobe_deg, (off_mm, radius_mm, towards_deg + body)) for body in (0.0, 180.0)]
    found = encoder_turned(FromTdc(seen[0], 0.0), FromTdc(seen[1], 0.0), limit_deg=0.2)
    assert abs(found.centre_deg - lobe_deg) < 0.003
    assert found.odd_deg == pytest.approx(seen[0] - lobe_deg, abs=0.003)
    assert abs(found.centre_deg - lobe_deg) < found.u95_deg


def test_the_largest_error_between_two_places_is_that_of_the_disc():
    """Two amplitudes of arctan(e / r), half a turn apart."""
    radius_mm, off_mm = 25.0, 0.05
    worst = max(
        abs(from_tdc_deg(180.0, (off_mm, radius_mm, float(towards))) - 180.0) for towards in range(360)
    )
    assert worst == pytest.approx(2.0 * math.degrees(math.atan2(off_mm, radius_mm)), rel=1e-3)


@pytest.mark.parametrize("body_deg", [150.0, 165.0, 190.0, 205.0])
def test_a_body_turned_by_eye_leaves_what_the_interval_says(body_deg):
    disc = (25.0 * math.tan(math.radians(0.3)), 25.0)
    for towards in range(0, 360, 15):
        seen = [from_tdc_deg(110.0, (*disc, float(towards) + body)) for body in (0.0, body_deg)]
        found = encoder_turned(
            FromTdc(seen[0], 0.0), FromTdc(seen[1], 0.0), limit_deg=0.3, turned_deg=body_deg, turned_u_deg=3.0
        )
        assert abs(found.centre_deg - 110.0) < found.u95_deg


def test_the_interval_shrinks_and_what_is_found_is_told():
    alone = 2.0 * math.hypot(0.02, encoder_u_deg(0.3, 0.0, 110.0))
    found = encoder_turned(FromTdc(110.25, 0.02), FromTdc(109.95, 0.02), limit_deg=0.3)
    assert found.u95_deg < 0.6 * alone
    assert found.seen
    assert "0.15 ±" in found.sentence
    assert not encoder_turned(FromTdc(110.01, 0.02), FromTdc(110.0, 0.02), limit_deg=0.3).seen


def test_angles_either_side_of_the_cycle_s_end_are_halved_the_short_way():
    found = encoder_turned(FromTdc(719.9, 0.01), FromTdc(0.1, 0.01), limit_deg=0.1)
    assert min(found.centre_deg, 720.0 - found.centre_deg) == pytest.approx(0.0, abs=1e-9)
    assert found.odd_deg == pytest.approx(-0.1)


def test_a_body_that_was_hardly_turned_is_refused():
    with pytest.raises(Refusal, match="half a turn"):
        encoder_turned(FromTdc(110.0, 0.01), FromTdc(110.0, 0.01), limit_deg=0.1, turned_deg=90.0)
