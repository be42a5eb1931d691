"""Is a cam on its number: in, out, or cannot tell, and never one way's number against another's.

The decision rule is that of ISO 14253-1 (from memory): in when the error with its expanded uncertainty lies
inside the tolerance, out when it lies outside, otherwise nobody can tell.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from analysis.base import AnalysisError
from analysis.timing.angles import early_or_late

Call = Literal["in", "out", "cannot_tell"]


class NotComparable(AnalysisError):
    """Two numbers were made in different ways, or the card does not speak of this one."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """One lobe or cam against its tolerance."""

    call: Call
    error_deg: float
    u95_deg: float
    tolerance_deg: float
    sentence: str

    @property
    def error_cam_deg(self) -> float:
        """The error in cam degrees, positive = late."""
        return self.error_deg / 2


def judge(error_deg: float, u95_deg: float, tolerance_deg: float) -> Verdict:
    """Return the verdict on an error (positive = late) with its expanded uncertainty."""
    call = _call(abs(error_deg), u95_deg, tolerance_deg)
    return Verdict(
        call, error_deg, u95_deg, tolerance_deg, _sentence(call, error_deg, u95_deg, tolerance_deg)
    )


def _call(size_deg: float, u95_deg: float, tolerance_deg: float) -> Call:
    if size_deg + u95_deg <= tolerance_deg:
        return "in"
    return "out" if size_deg - u95_deg > tolerance_deg else "cannot_tell"


def _sentence(call: Call, error_deg: float, u95_deg: float, tolerance_deg: float) -> str:
    found = f"{early_or_late(error_deg)}, give or take {u95_deg:.2f}, tolerance {tolerance_deg:g}"
    if call == "in":
        return f"In: {found}."
    if call == "out":
        return f"Out: {found}."
    if u95_deg > tolerance_deg:
        return f"Cannot tell: {found}. The measurement is coarser than the tolerance: make a better one."
    return f"Cannot tell: {found}. Measure again with more turns."
