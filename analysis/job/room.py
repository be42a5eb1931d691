"""How far a cam may be moved before a valve comes too near its piston: asked before a large move, not after it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

from analysis.job.apart import ASK, can_meet, clear_of_valve
from analysis.job.cam import as_moved_from, error_of, numbers_of, position
from analysis.job.evidence import Evidence
from analysis.job.opening import StepOutcome
from analysis.job.steps import Step
from analysis.timing import Lobe, NotComparable, PistonClearanceFound

LARGE_MOVE_DEG = 4.0
"""A move of more than this, or any of a new cam, is not made before valve to piston is known; common practice,
no source."""


@dataclass(frozen=True, slots=True)
class Room:
    """How far a cam may still go from where it stands, crank degrees, until one valve's least clearance is reached.

    `of` is what the valve comes near to.
    `earlier_ends`, `later_ends` are False where the table ends first: it may go at least so far.
    """

    lobe: Lobe
    earlier_deg: float
    later_deg: float
    earlier_ends: bool
    later_ends: bool
    minimum_mm: float
    of: Literal["piston", "other valve"] = "piston"

    @property
    def sentence(self) -> str:
        """How far, in words."""
        return (
            f"{self.lobe.words.capitalize()}: the cam may go {_far(self.earlier_deg, self.earlier_ends)} earlier and "
            f"{_far(self.later_deg, self.later_ends)} later before the valve is {self.minimum_mm:.2f} mm from the "
            f"{self.of}."
        )


def _far(deg: float, ends: bool) -> str:
    return f"{deg:.1f} deg" if ends else f"{deg:.0f} deg and more"


def room_of(lobe: Lobe, found: PistonClearanceFound, moved_deg: float = 0.0) -> Room:
    """Return how far a cam may go, straight between the lines of the table, the interval taken off.

    Parameters
    ----------
    moved_deg
        How far the cam has been moved since the clearance was found, positive = later.
    """
    earlier, earlier_ends = _until_too_near(found, moved_deg, -1)
    later, later_ends = _until_too_near(found, moved_deg, 1)
    return Room(lobe, earlier, later, earlier_ends, later_ends, found.minimum_mm)


def _until_too_near(found: PistonClearanceFound, moved_deg: float, way: int) -> tuple[float, bool]:
    rows = {row.shift_deg: row.least_mm for row in found.table} | {0.0: found.least_mm}
    wanted = found.minimum_mm + found.u95_mm
    ahead = sorted((way * shift, least) for shift, least in rows.items())
    at = way * moved_deg
    for (near, mm), (far, further_mm) in pairwise(ahead):
        if far <= at or further_mm >= wanted:
            continue
        share = 0.0 if mm <= wanted else (mm - wanted) / (mm - further_mm)
        return max(near + share * (far - near) - at, 0.0), True
    return max(ahead[-1][0] - at, 0.0), False


def rooms(evidence: Evidence, step: Step) -> tuple[Room, ...]:
    """Return the room of every lobe of a step whose clearance is known for where its cam stands."""
    found = position(evidence, step)
    known = ((one, as_moved_from(evidence, step, one, now)) for one, (_, now) in found.items())
    return tuple(room_of(one, *clear) for one, clear in known if clear is not None)


def room_to_valve(evidence: Evidence, step: Step) -> Room | None:
    """Return how far a cam may go before its valve is too near the other of its cylinder, `None` where unknown."""
    clear = clear_of_valve(evidence, step)
    return None if clear is None else replace(room_of(step.lobes[0], *clear), of="other valve")


def room(evidence: Evidence, step: Step) -> StepOutcome:
    """Done when no large move is due, or it is known how near each of its valves comes to what is in its way."""
    decision = evidence.decision(f"verdict.{step.cam}", step.cam)
    if decision is None or decision[1].decision != "correct":
        return StepOutcome(True, "Nothing to correct.")
    if evidence.moved(f"correction.{step.cam}", step.cam) > decision[0]:
        return StepOutcome(True, "Moved.")
    found = position(evidence, step)
    try:
        size = abs(error_of(evidence, step.cam, found).error_deg)
    except NotComparable:
        return StepOutcome(True, "The correction says what is in the way.")  # of it, not of this
    return _looked_at(evidence, step, size, numbers_of(found))


def _looked_at(evidence: Evidence, step: Step, size: float, facts: tuple[int, ...]) -> StepOutcome:
    """Whether all is known that a large move wants, or a cam new to this engine."""
    known = rooms(evidence, step)
    to_valve = room_to_valve(evidence, step)
    said = " ".join(one.sentence for one in (*known, to_valve) if one is not None)
    missing = [lobe.words for lobe in step.lobes if lobe not in {one.lobe for one in known}]
    new = evidence.job.new_cam
    if size <= LARGE_MOVE_DEG and not new:
        return StepOutcome(
            True, said or f"The move is not over {LARGE_MOVE_DEG:g} deg.", facts if said else ()
        )
    cause = "The cam is new to this engine" if new else f"The move is {size:.1f} deg"
    first = f"{cause}: first find how far the cam may go."
    if missing:
        return StepOutcome(False, f"{first} {step.do} Still to do: {'; '.join(missing)}.", facts)
    if can_meet(evidence, step) and to_valve is None:
        return StepOutcome(False, f"{first} {ASK}", facts)
    return StepOutcome(True, said, facts)
