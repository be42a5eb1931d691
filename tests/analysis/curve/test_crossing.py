"""Where a curve crosses a level: held to a cosine, whose crossings every table of angles gives."""

from __future__ import annotations

from math import cos, radians

import pytest

from analysis.curve import crossed_at


@pytest.mark.parametrize(
    ("level", "under_deg", "over_deg", "crossed_deg"),
    [
        pytest.param(0.5, 75.3, 44.1, 60.0, id="on the way down"),
        pytest.param(0.5, -75.3, -44.1, -60.0, id="on the way up"),
        pytest.param(0.0, 90.4, 89.9, 90.0, id="within half a degree"),
        pytest.param(0.5, 61.0, 60.0 - 1e-12, 60.0, id="at the end that is over it"),
    ],
)
def test_a_cosine_is_crossed_where_tables_say(
    level: float, under_deg: float, over_deg: float, crossed_deg: float
) -> None:
    told = crossed_at(lambda place: cos(radians(place)) - level, under_deg, over_deg, 1e-9)
    assert told == pytest.approx(crossed_deg, abs=1e-9)


def test_a_step_is_found_where_it_is() -> None:
    """A root by slopes would not come to rest there."""
    assert crossed_at(lambda place: 1.0 if place >= 0.3 else -1.0, 0.0, 1.0, 1e-6) == pytest.approx(
        0.3, abs=1e-6
    )
