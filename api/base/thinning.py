"""Fewer points for a screen, no peak lost: each stretch keeps its first, lowest, highest and last point."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analysis.base import Floats

KEPT_A_STRETCH = 4


def thin(value: Floats, max_points: int) -> NDArray[np.intp]:
    """Choose at most `max_points` points of a curve, in order.

    Parameters
    ----------
    value : ndarray, shape (n,)
    max_points : int
        At least 4.

    Returns
    -------
    ndarray of int, shape (m,), m <= max_points
        Indices; the first, the last, the lowest and the highest of the whole are always among them.

    Examples
    --------
    >>> thin(np.array([0.0, 1, 9, 1, 0, 1, -7, 1, 0]), 8).tolist()
    [0, 2, 3, 4, 5, 6, 8]
    """
    size = value.size
    if size <= max_points:
        return np.arange(size)
    stretches = max(1, max_points // KEPT_A_STRETCH)
    edges = np.linspace(0, size, stretches + 1).astype(np.intp)
    starts, ends = edges[:-1], edges[1:] - 1
    lowest = _first_equal(value, np.minimum.reduceat(value, starts), starts)
    highest = _first_equal(value, np.maximum.reduceat(value, starts), starts)
    return np.unique(np.concatenate((starts, lowest, highest, ends)))


def _first_equal(value: Floats, extreme: Floats, starts: NDArray[np.intp]) -> NDArray[np.intp]:
    """Find, in each stretch, the first point that equals the stretch's extreme."""
    stretch = np.searchsorted(starts, np.arange(value.size), side="right") - 1
    hits = np.flatnonzero(value == extreme[stretch])
    _, first = np.unique(stretch[hits], return_index=True)
    return np.asarray(hits[first], np.intp)
