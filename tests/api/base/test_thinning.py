"""Fewer points, no peak lost."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from api.base import thin

values = st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=400).map(np.array)


@given(values, st.integers(8, 100))
def test_ends_and_extremes_are_kept_and_there_are_few_enough(value: np.ndarray, most: int) -> None:
    chosen = thin(value, most)
    assert chosen.size <= max(most, 4)
    assert {0, value.size - 1} <= set(chosen.tolist())
    assert value[chosen].max() == value.max()
    assert value[chosen].min() == value.min()
    assert np.all(np.diff(chosen) > 0)


def test_a_single_spike_in_a_million_points_survives() -> None:
    value = np.zeros(1_000_000)
    value[765_432] = 1.0
    assert 765_432 in thin(value, 1000)
