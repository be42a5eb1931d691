"""Inlet to exhaust valve of a twin-cam cylinder: what a move of one cam leaves, and how far it may go."""

from __future__ import annotations

from analysis.base import Warn
from analysis.job.evidence import Evidence
from analysis.job.steps import Step
from analysis.timing import Lobe, PistonClearanceFound, Valve, ValvesApartFound, nearest

ASK = (
    "Valve to valve: with both curves measured, push each valve in turn until it stops, the crank at overlap TDC, and "
    "enter both travels."
)


def can_meet(evidence: Evidence, step: Step) -> bool:
    """Tell whether a move of this step's cam can bring its valve to the other of its cylinder."""
    return len(step.lobes) > 0 and evidence.job.engine.valves_can_meet(step.lobes[0].cylinder)


def as_moved(evidence: Evidence, cylinder: str) -> tuple[ValvesApartFound, float] | None:
    """Return a cylinder's finding, and how far the inlet cam has moved against the exhaust cam since, later positive.

    `None` where nothing was found, or a cam was touched and not measured since.
    """
    known = evidence.valves_apart(cylinder)
    if known is None:
        return None
    moved = [_moved_since(evidence, Lobe(cylinder, valve), known[0]) for valve in ("inlet", "exhaust")]
    inlet, exhaust = moved
    return None if inlet is None or exhaust is None else (known[1], inlet - exhaust)


def _moved_since(evidence: Evidence, lobe: Lobe, number: int) -> float | None:
    touches = evidence.touches(evidence.job.engine.cam_of(lobe).name)
    last = max(touches, default=0)
    if last < number:
        return 0.0
    then = evidence.measured_between(lobe, max((n for n in touches if n < number), default=0), number)
    now = evidence.measured_between(lobe, last, evidence.facts[-1].number + 1)
    return None if then is None or now is None else nearest(now.centre_deg - then.centre_deg)


def as_of(valve: Valve, found: ValvesApartFound) -> PistonClearanceFound:
    """Return a finding as one valve's cam sees it: shifts of this cam, the other held."""
    way = 1 if valve == "inlet" else -1
    rows = tuple(type(row)(way * row.shift_deg, row.least_mm, row.at_deg) for row in found.table)
    least, at, u95 = found.least_mm, found.at_deg, found.u95_mm
    return PistonClearanceFound(
        found.cylinder, valve, least, at, u95, found.minimum_mm, found.minimum_from, rows
    )


def clear_of_valve(evidence: Evidence, step: Step) -> tuple[PistonClearanceFound, float] | None:
    """Return valve to valve as this step's cam sees it, and how far that cam has moved since, later positive."""
    if not can_meet(evidence, step):
        return None
    lobe = step.lobes[0]
    known = as_moved(evidence, lobe.cylinder)
    if known is None:
        return None
    return as_of(lobe.valve, known[0]), known[1] if lobe.valve == "inlet" else -known[1]


def too_near(found: PistonClearanceFound, least_mm: float | None, shift_deg: float) -> Warn | None:
    """Return a warning where a shift of the cam would bring the valves too near one another."""
    if least_mm is None:
        return Warn(
            "valves_apart_unknown",
            f"The table of valve to valve does not reach {shift_deg:+.1f} deg. Work it out that far before the cam is "
            "moved.",
        )
    if least_mm - found.u95_mm >= found.minimum_mm:
        return None
    return Warn(
        "valves_apart",
        f"That would leave the {found.valve} valve {least_mm:.2f} mm from the other valve, give or take "
        f"{found.u95_mm:.2f}; the least allowed is {found.minimum_mm:.2f} mm ({found.minimum_from}). Do not make this "
        "correction.",
    )
