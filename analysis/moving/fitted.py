"""What is fitted on a cam's adjuster now: what it was entered with, carried on by every move since."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from analysis.timing import Adjuster, Cam, Fact, Lobe, LobeMeasured, Moved, Tightened, cam_deg_of, nearest

_FITTED_BY = {"keys": "key", "dowels": "dowel", "holes": "hole", "teeth": "tooth"}
_IN_THE_SLOTS = ("cam_turned", "crank_turned", "other")


def adjuster_now(cam: Cam, lobes: tuple[Lobe, ...], facts: Iterable[Fact]) -> Adjuster:
    """Return a cam's adjuster with what is fitted after every move among `facts`.

    Parameters
    ----------
    lobes
        The lobes by which the cam is timed: how far a slotted pulley went is told by them where they were measured
        before and after, for a slot has no number to read.
    facts
        In order. What was gone back over is among them: a job that goes back moves no metal.
    """
    kind = cam.adjuster.kind
    if kind == "slots":
        return replace(cam.adjuster, fitted_deg=_in_the_slots(cam, lobes, facts))
    fitted = cam.adjuster.fitted_deg
    for fact in facts:
        what = fact.what
        if isinstance(what, Moved) and what.cam == cam.name and what.way == _FITTED_BY.get(kind):
            fitted = _after(cam.adjuster, fitted, what)
    return replace(cam.adjuster, fitted_deg=fitted)


def _after(adjuster: Adjuster, fitted_deg: float, moved: Moved) -> float:
    """What is fitted after one move; a move kept before that was noted tells it by what was asked."""
    if moved.fitted_deg is not None:
        return moved.fitted_deg
    return fitted_deg + (moved.asked_deg or 0.0) / crank_for_one(adjuster)


def crank_for_one(adjuster: Adjuster) -> float:
    """Return the crank degrees that one degree of what is fitted makes."""
    of_crank = adjuster.kind in {"keys", "dowels"} and adjuster.sizes_act_on == "crank"
    return 1.0 if of_crank else 2.0


@dataclass(slots=True)
class _Slot:
    """Where a cam stands in its slots: as it was measured, and by what was asked since."""

    at_cam_deg: float
    centre_deg: float | None = None
    touched: bool = False
    asked_deg: float = 0.0

    def measured(self, centre_deg: float) -> None:
        """Take a measured centre: whatever was touched before it has moved the part by the difference."""
        if self.touched and self.centre_deg is not None:
            self.at_cam_deg += cam_deg_of(nearest(centre_deg - self.centre_deg))
            self.asked_deg = 0.0
        self.centre_deg, self.touched = centre_deg, False

    def moved(self, asked_deg: float) -> None:
        """Note that it was asked to be moved; where it stands, the next centre tells."""
        self.touched = True
        self.asked_deg += asked_deg


def _in_the_slots(cam: Cam, lobes: tuple[Lobe, ...], facts: Iterable[Fact]) -> float:
    slot = _Slot(cam.adjuster.fitted_deg)
    for fact in facts:
        what = fact.what
        if isinstance(what, LobeMeasured) and Lobe(what.cylinder, what.valve) == lobes[0]:
            slot.measured(what.centre_deg)
        elif isinstance(what, Moved) and what.cam == cam.name and what.way in _IN_THE_SLOTS:
            slot.moved(what.asked_deg or 0.0)
        elif isinstance(what, Tightened) and what.cam == cam.name:
            slot.touched = True
    return slot.at_cam_deg + cam_deg_of(slot.asked_deg)
