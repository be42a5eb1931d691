"""How far a lobe stands from where it was measured before, while nobody moved its cam on purpose.

A pulley that is nipped up and torqued may take its cam along; one that was not touched may have play. Pure, out of
a job's facts.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

from analysis.timing import SAME_LIFT_MM, Difference, Fact, Job, Lobe, LobeMeasured, Moved, Tightened, compare

Between = Literal["", "nipped", "torqued"]


@dataclass(frozen=True, slots=True)
class ToldFrom:
    """The true TDC that a lobe was told from, and its standard uncertainty."""

    tdc_deg: float
    tdc_u_deg: float
    turn_u_deg: float = field(default=0.0, compare=False)

    @property
    def shared_u_deg(self) -> float:
        """What two lobes told from here have alike: TDC's own error, and the encoder's over the turn to them."""
        return math.hypot(self.tdc_u_deg, self.turn_u_deg)


@dataclass(frozen=True, slots=True)
class LobeChange:
    """A lobe measured again.

    Attributes
    ----------
    before, after : int
        Numbers of the two facts.
    between : str
        What was done to its cam meanwhile: ``nipped`` or ``torqued``, whichever was last; "" for nothing.
    drop_mm : float
        Where both centres were taken, below full lift.
    """

    lobe: Lobe
    before: int
    after: int
    between: Between
    drop_mm: float
    difference: Difference


@dataclass(frozen=True, slots=True)
class _Earlier:
    number: int
    what: LobeMeasured
    between: Between = ""


def lobe_changes(
    job: Job, facts: Sequence[Fact], told_from: Mapping[int, ToldFrom] | None = None
) -> tuple[LobeChange, ...]:
    """Compare every measurement of a lobe with the one before, in order.

    Parameters
    ----------
    facts : sequence of Fact
        Those that stand; where the cam was moved on purpose in between, nothing is compared.
    told_from : mapping of int to ToldFrom, optional
        By number of the fact. Two lobes told from one true TDC share its error, which drops out of what lies
        between them; all else, the lag too, is taken as independent, so that the interval is rather too wide.
    """
    earlier: dict[Lobe, _Earlier] = {}
    found = []
    for fact in facts:
        what = fact.what
        if isinstance(what, Moved):
            earlier = {lobe: one for lobe, one in earlier.items() if job.engine.cam_of(lobe).name != what.cam}
        elif isinstance(what, Tightened):
            earlier = {
                lobe: _Earlier(one.number, one.what, what.to)
                if job.engine.cam_of(lobe).name == what.cam
                else one
                for lobe, one in earlier.items()
            }
        elif isinstance(what, LobeMeasured) and what.u95_deg > 0.0:
            lobe = Lobe(what.cylinder, what.valve)
            if lobe in earlier:
                found.append(_change(lobe, earlier[lobe], fact.number, what, told_from or {}))
            earlier[lobe] = _Earlier(fact.number, what)
    return tuple(one for one in found if one is not None)


def _change(
    lobe: Lobe, before: _Earlier, number: int, after: LobeMeasured, told_from: Mapping[int, ToldFrom]
) -> LobeChange | None:
    then = _at_drop(before.what, after.drop_mm)
    if then is None:
        return None
    first, second = told_from.get(before.number), told_from.get(number)
    shared_u_deg = first.shared_u_deg if first is not None and first == second else 0.0
    difference = compare(*then, after.centre_deg, after.u95_deg, shared_u_deg=shared_u_deg)
    return LobeChange(lobe, before.number, number, before.between, after.drop_mm, difference)


def _at_drop(what: LobeMeasured, drop_mm: float) -> tuple[float, float] | None:
    """Centre and expanded uncertainty at a drop; `None` where that lobe was not told there."""
    if abs(what.drop_mm - drop_mm) <= SAME_LIFT_MM:
        return what.centre_deg, what.u95_deg
    for one in what.centres:
        if abs(one.drop_mm - drop_mm) <= SAME_LIFT_MM and one.u_deg > 0.0:
            return one.centre_deg, 2.0 * one.u_deg
    return None
