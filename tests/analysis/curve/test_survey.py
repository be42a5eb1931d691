"""Which side of a lobe's readings is the base circle: told of readings written down here."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.curve import survey_lobe

PRELOAD_MM, STEP_MM = 3.0, 0.01


@pytest.mark.parametrize("polarity", [1, -1])
@pytest.mark.parametrize("apart_deg", [30.0, 40.0, 50.0])
def test_where_most_readings_lie_on_the_nose_the_base_circle_is_what_lasts_longest(
    apart_deg: float, polarity: int
) -> None:
    """A lobe of one arc, open for 220 degrees and rocked over; of the other 500 a dozen readings, all alike."""
    base_deg = np.arange(110.0 + apart_deg / 2.0, 610.0, apart_deg)
    nose_deg = np.arange(-108.0, 108.0, 2.6)
    lift_mm = np.concatenate([0.0 * base_deg, 9.4 * (1.0 - (nose_deg / 110.0) ** 2)])
    told = survey_lobe(np.concatenate([base_deg, nose_deg]), polarity * lift_mm + PRELOAD_MM, STEP_MM)
    assert told.polarity == polarity
    assert told.base_mm == pytest.approx(polarity * PRELOAD_MM, abs=STEP_MM)
