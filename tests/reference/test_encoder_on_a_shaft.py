"""An encoder on a shaft that turns at another speed than the crank, its ratio no whole number: proved by TDC to TDC.

36 teeth on the crank, 22 on the shaft: while the crank turns 22 times the shaft turns 36 times. 3600 counts a turn of
the shaft are 129600 counts in 22 turns of the crank, 5890.909 in one. The piston is Pythagoras, the counts are counted.
"""

from __future__ import annotations

import numpy as np
import pytest

from analysis.base import GaugeFacts, Streams, TdcSettings
from analysis.tdc import find_tdc
from capture.base import BenchFileError, Channel
from capture.bench import parse_bench

BENCH = '[crank]\nport = "/dev/c"\nframe = "count"\ncounts_per_turn = 3600\n'


def channel(crank_teeth: object = 36, shaft_teeth: object = 22) -> Channel:
    teeth = f"crank_teeth = {crank_teeth}\nshaft_teeth = {shaft_teeth}\n"
    return parse_bench((BENCH + teeth).encode()).crank.channel


def test_the_counts_of_22_crank_turns_are_those_of_36_shaft_turns() -> None:
    at = channel()
    turned = at.value(36 * 3600, 0) - at.value(0, 0)
    assert turned == pytest.approx(22 * 360.0, abs=1e-9)
    # Half the count before: a count stands for its middle. 5891 counts are 0.09 of a count over one turn.
    assert at.value(5891, 0) - at.value(0, 0) == pytest.approx(360.0 + 0.0909 * 360 / 5890.909, abs=1e-5)


@pytest.mark.parametrize(("teeth", "counts"), [((1, 2), 1800), ((40, 20), 7200), ((7, 7), 3600)])
def test_a_ratio_that_is_a_whole_number_stays_one(teeth: tuple[int, int], counts: int) -> None:
    """On the cam, 1 and 2, a shaft turns once in two turns of the crank."""
    assert channel(*teeth).counts_per_turn == counts


@pytest.mark.parametrize("teeth", [0, -36, 36.5, "[36, 22]", '"36:22"'])
def test_teeth_are_a_whole_number(teeth: object) -> None:
    with pytest.raises(BenchFileError) as told:
        channel(teeth)
    assert any("crank_teeth" in problem for problem in told.value.problems)


def tdc_to_tdc(read_as: Channel) -> float:
    """Rocked through the top of piston 1 and, a turn on, through it again; where each was told, one less the other."""
    told = []
    for turn in range(2):
        time_s = np.arange(0.0, 24.0, 0.004)
        crank_deg = 71.3 + 360.0 * turn + 60.0 * np.sin(2 * np.pi * time_s / 8.0)
        counts = np.floor(crank_deg / 360.0 * 36 * 3600 / 22).astype(int)
        read_deg = np.array([read_as.value(int(count), 0) for count in counts])
        throw, rod, angle = 40.0, 140.0, np.radians(crank_deg - 71.3)
        height = throw * np.cos(angle) + np.sqrt(rod**2 - (throw * np.sin(angle)) ** 2)
        gauge_mm = np.round(height - (throw + rod) + 38.0, 3)
        streams = Streams(time_s, read_deg, time_s + 0.0013, gauge_mm)
        found = find_tdc(streams, TdcSettings(80.0, 140.0, 0.0), GaugeFacts())
        told.append(found.centre_deg)
    return 360.0 + (told[1] - told[0] + 180.0) % 360.0 - 180.0


def test_from_tdc_to_tdc_it_tells_360_degrees() -> None:
    assert tdc_to_tdc(channel()) == pytest.approx(360.0, abs=0.02)


def test_one_tooth_miscounted_on_either_wheel_is_seen() -> None:
    """35 for 36 tells 370.3, 23 for 22 tells 376.4: both far past what a bench check lets pass, half a degree."""
    assert tdc_to_tdc(channel(35)) == pytest.approx(360.0 * 36 / 35, abs=0.3)
    assert tdc_to_tdc(channel(36, 23)) == pytest.approx(360.0 * 23 / 22, abs=0.3)
