"""An encoder that steps by more than a crank can turn between two of its lines: its coupling slipped."""

from __future__ import annotations

import numpy as np

from analysis.base import Floats, Refusal

_LEAST_DEG = 1.0
_LEAST_COUNTS = 3.0
_TIMES_USUAL = 4.0
_LINES = 3.0


def refuse_slip(time_s: Floats, crank_deg: Floats, count_deg: float) -> None:
    """Refuse an angle that steps once and stays so.

    A crank has inertia: from one line of the encoder to the next, a hundredth of a second or less, its speed does
    not grow manifold and fall back. Where lines are missing nothing is said: the crank may have turned meanwhile.

    Parameters
    ----------
    time_s, crank_deg : ndarray, shape (n,)
        Lines of the encoder, single wild ones left out.

    Raises
    ------
    Refusal
        `encoder_slipped`.
    """
    step, gap = np.abs(np.diff(crank_deg)), np.diff(time_s)
    if len(step) < 8:
        return
    beside = np.maximum(np.append(step[1:], 0.0), np.insert(step[:-1], 0, 0.0))
    usual = float(np.quantile(step, 0.99))
    beyond = max(_LEAST_DEG, _LEAST_COUNTS * count_deg, _TIMES_USUAL * usual)
    found = np.flatnonzero((step - beside > beyond) & (gap < _LINES * float(np.median(gap))))
    if not len(found):
        return
    at = int(found[0])
    raise Refusal(
        "encoder_slipped",
        f"At {time_s[at + 1]:.1f} s the encoder stepped by {crank_deg[at + 1] - crank_deg[at]:+.1f} degrees from one "
        "line to the next, which no crank does: its coupling or the pointer slipped, or its count was disturbed; fix "
        "it and measure again.",
    )
