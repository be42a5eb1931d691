"""Has a cam slipped when its bolts were slackened: the gauge against the stored curve, as an absolute.

Zeroing the gauge on what it shows when the bolts are slack would call any slip "on the number".
"""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot

import numpy as np

from analysis.timing import StoredLift, later_or_earlier

_REACH_DEG = 20.0
_STEP_DEG = 0.05
_LEAST_U95_DEG = 0.1


@dataclass(frozen=True, slots=True)
class Slip:
    """How far a cam stands from its stored curve with the crank held, crank degrees, positive = later.

    `explained_deg` is what the interval of the curve and the gauge's step explain by themselves; `off_mm` is what
    the gauge reads off the curve.
    """

    slipped_deg: float
    explained_deg: float
    off_mm: float

    @property
    def seen(self) -> bool:
        """Whether it is more than the measurement explains."""
        return abs(self.slipped_deg) > self.explained_deg

    @property
    def sentence(self) -> str:
        """What is seen, empty where nothing is."""
        if not self.seen:
            return ""
        way = later_or_earlier(self.slipped_deg)
        return (
            f"The gauge reads {self.off_mm:+.2f} mm off its curve: the cam has slipped {abs(self.slipped_deg):.1f} "
            f"deg {way} ({abs(self.slipped_deg) / 2:.1f} cam deg), or the gauge was knocked."
        )


def expected_mm(lift: StoredLift, crank_deg: float, base_mm: float, polarity: int = 1) -> float:
    """Return what the gauge shows at a crank angle while the cam stands as it was measured.

    Parameters
    ----------
    lift : StoredLift
        The lobe's curve.
    base_mm : float
        What the gauge shows on the base circle.
    polarity : int
        1 where its reading grows with lift, else -1.
    """
    return base_mm + polarity * lift.lift_mm(crank_deg)


def find_slip(
    lift: StoredLift,
    *,
    crank_deg: float,
    reading_mm: float,
    base_mm: float,
    polarity: int = 1,
    step_mm: float = 0.01,
    u95_deg: float = 0.0,
) -> Slip:
    """Return how far a cam has slipped from where its curve was measured, the crank held at `crank_deg`.

    Parameters
    ----------
    base_mm
        The gauge's reading on the base circle when the curve was measured.
    u95_deg
        Expanded uncertainty of where the lobe stands, its lag in it.
    """
    shown_mm = polarity * (reading_mm - base_mm)
    shifts = np.arange(-_REACH_DEG, _REACH_DEG + _STEP_DEG / 2, _STEP_DEG)
    off = np.abs(lift.lifts_mm(crank_deg - shifts) - shown_mm)
    off = np.where(np.isfinite(off), off, np.inf)
    # Of shifts that explain the reading as well, the smallest: the cam goes the short way.
    alike = np.flatnonzero(off <= float(off.min()) + 1e-3 * step_mm)
    shift = float(shifts[alike[np.argmin(np.abs(shifts[alike]))]])
    slope = max(abs(lift.slope_mm_deg(crank_deg)), 1e-3)
    explained = max(_LEAST_U95_DEG, hypot(u95_deg, (0.75 * step_mm + 2 * lift.u_mm(crank_deg)) / slope))
    return Slip(shift, explained, reading_mm - expected_mm(lift, crank_deg, base_mm, polarity))
