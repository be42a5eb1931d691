"""Drive slack: when does the cam stand where the crank says, and when is it still being caught up.

The cam trails the crank through chain, belt and keys with some play. Written as a play operator: the
cam-side angle `cam` lies between `crank` (driven forwards, slack taken up) and `crank + slack` (dragged
backwards), and moves only when it is pushed. Taking the play larger than it is never lets a reading in that
should be left out.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.base import Floats
from analysis.readings import CrankMotion

SAFE_SLACK_DEG = 8.0
"""More than the worn chains that are met; used until the way back has told the slack."""

Bools = NDArray[np.bool_]
Ints = NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class Engagement:
    """Where along the motion's own time grid the drive is taken up, forwards and backwards.

    Attributes
    ----------
    grid_s : ndarray, shape (k,)
    forward, backward : ndarray of bool, shape (k,)
    """

    grid_s: Floats
    forward: Bools
    backward: Bools

    def forward_throughout(self, start_s: Floats, end_s: Floats) -> Bools:
        """Tell which spans [start, end] lie wholly within forward drive."""
        return _throughout(self.grid_s, self.forward, start_s, end_s)

    def backward_throughout(self, start_s: Floats, end_s: Floats) -> Bools:
        """Tell which spans [start, end] lie wholly within backward drive."""
        return _throughout(self.grid_s, self.backward, start_s, end_s)


def find_engagement(motion: CrankMotion, slack_deg: float = SAFE_SLACK_DEG) -> Engagement:
    """Follow the play through the motion.

    Parameters
    ----------
    slack_deg : float
        Upper bound of the slack, crank degrees.

    Returns
    -------
    Engagement
        At the start the slack stands anywhere, so neither way is engaged until `slack_deg` has been turned.
    """
    grid_s, crank = motion.grid.time_s, motion.grid.angle_deg
    allowance = 0.5 * motion.count_deg + 0.02
    ahead = play(crank, slack_deg, slack_deg)
    behind = play(crank, slack_deg, 0.0)
    return Engagement(grid_s, ahead - crank <= allowance, crank + slack_deg - behind <= allowance)


def play(crank_deg: Floats, slack_deg: float, start_deg: float) -> Floats:
    """Cam-side angle of a drive with play, crank degrees.

    Parameters
    ----------
    crank_deg : ndarray, shape (k,)
        Crank angle in order of time.
    slack_deg : float
        The play.
    start_deg : float
        How far the cam stands ahead of the crank at the start, 0..slack.

    Returns
    -------
    ndarray, shape (k,)

    Examples
    --------
    >>> import numpy as np
    >>> play(np.array([0.0, 5.0, 3.0, 1.0, 4.0]), 2.0, 0.0)
    array([0., 5., 5., 3., 4.])
    """
    bounds = monotone_stretches(crank_deg)
    state = float(crank_deg[0]) + start_deg
    pieces = [np.array([state])]
    for a, b in itertools.pairwise(bounds.tolist()):
        stretch = crank_deg[a + 1 : b + 1]
        rising = crank_deg[b] >= crank_deg[a]
        piece = np.maximum(state, stretch) if rising else np.minimum(state, stretch + slack_deg)
        state = float(piece[-1])
        pieces.append(piece)
    return np.concatenate(pieces)


def monotone_stretches(values: Floats) -> Ints:
    """Indices between which the values never turn, first and last included."""
    change = np.diff(values)
    moving = np.flatnonzero(change != 0.0)
    if not len(moving):
        return np.unique([0, len(values) - 1]).astype(np.intp)
    sign = np.sign(change[moving])
    flips = moving[1:][sign[1:] != sign[:-1]]
    return np.unique(np.concatenate([[0], flips, [len(values) - 1]])).astype(np.intp)


def _throughout(grid_s: Floats, state: Bools, start_s: Floats, end_s: Floats) -> Bools:
    missing = np.concatenate([[0], np.cumsum(~state)])
    first = np.searchsorted(grid_s, start_s, side="right") - 1
    last = np.searchsorted(grid_s, end_s, side="left")
    inside = (first >= 0) & (last < len(grid_s))
    first, last = np.maximum(first, 0), np.minimum(last, len(grid_s) - 1)
    whole: Bools = inside & (missing[last + 1] == missing[first])
    return whole
