"""Is a cam on its number: in, out, or cannot tell, and never one way's number against another's.

The decision rule is that of ISO 14253-1 (from memory): in when the error with its expanded uncertainty lies
inside the tolerance, out when it lies outside, otherwise nobody can tell.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil
from typing import Literal

from analysis.base import AnalysisError
from analysis.timing.angles import early_or_late

Call = Literal["in", "out", "cannot_tell"]

TURNS_A_MEASUREMENT = 4
MOST_TIMES = 9.0
"""More than so many times the usual turns are not asked of anybody; common practice, no source."""


class NotComparable(AnalysisError):
    """Two numbers were made in different ways, or the card does not speak of this one."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """One lobe or cam against its tolerance.

    `turns_needed` is about how many crank turns would tell; `None` where it is told, or where no number of turns in
    reason would.
    """

    call: Call
    error_deg: float
    u95_deg: float
    tolerance_deg: float
    sentence: str
    turns_needed: int | None = None

    @property
    def error_cam_deg(self) -> float:
        """The error in cam degrees, positive = late."""
        return self.error_deg / 2


def judge(error_deg: float, u95_deg: float, tolerance_deg: float) -> Verdict:
    """Return the verdict on an error (positive = late) with its expanded uncertainty.

    Parameters
    ----------
    error_deg, u95_deg : float
        Crank degrees.
    tolerance_deg : float
        Each way.
    """
    call = _call(abs(error_deg), u95_deg, tolerance_deg)
    turns = _turns_needed(abs(error_deg), u95_deg, tolerance_deg) if call == "cannot_tell" else None
    sentence = _sentence(call, error_deg, u95_deg, tolerance_deg, turns)
    return Verdict(call, error_deg, u95_deg, tolerance_deg, sentence, turns)


def _turns_needed(size_deg: float, u95_deg: float, tolerance_deg: float) -> int | None:
    """Scatter falls with the root of the turns, so this is the least that may do; the rest does not average out.

    What is coarser than the tolerance says nothing of the cam yet, and is measured again wherever it seems to stand.
    """
    room = abs(tolerance_deg - size_deg)
    if u95_deg > tolerance_deg:
        times = (u95_deg / max(room, 0.5 * tolerance_deg)) ** 2
        return TURNS_A_MEASUREMENT * ceil(min(times, MOST_TIMES) - 1e-9)
    if room <= 0 or (u95_deg / room) ** 2 > MOST_TIMES:
        return None
    return TURNS_A_MEASUREMENT * ceil((u95_deg / room) ** 2 - 1e-9)


def _call(size_deg: float, u95_deg: float, tolerance_deg: float) -> Call:
    if size_deg + u95_deg <= tolerance_deg:
        return "in"
    return "out" if size_deg - u95_deg > tolerance_deg else "cannot_tell"


def _sentence(call: Call, error_deg: float, u95_deg: float, tolerance_deg: float, turns: int | None) -> str:
    found = f"{early_or_late(error_deg)}, give or take {u95_deg:.2f}, tolerance {tolerance_deg:g}"
    if call == "in":
        return f"In: {found}."
    if call == "out":
        return f"Out: {found}."
    if turns is None:
        return (
            f"Cannot tell: {found}. More turns will not tell: move it again, or accept it, with the reason."
        )
    if u95_deg > tolerance_deg:
        return (
            f"Cannot tell: {found}. The measurement is coarser than the tolerance. Measure again, more slowly and with "
            f"more turns, about {turns}."
        )
    return f"Cannot tell: {found}. Measure again with more turns, about {turns}."
