"""What valves, their heads and the clearances of a job can hardly be: asked about at entry. Common practice, no source."""

from __future__ import annotations

from collections.abc import Iterator
from math import cos, radians

from analysis.timing import Engine, Job, LobeCard, Valve, events_to_timing
from api.base import Question
from api.entry.usual import outside

VALVES: tuple[Valve, ...] = ("inlet", "exhaust")
TIGHTEST_MM = 0.5


def valve_questions(engine: Engine) -> Iterator[Question]:
    """Ask about lean and heads that can hardly be, and heads that would overlap when shut."""
    heads = {"inlet": engine.inlet_head_mm, "exhaust": engine.exhaust_head_mm}
    asked = [
        *(
            outside(
                f"{valve}_valve_angle",
                f"engine.{valve}_valve_angle_deg",
                f"An angle of the {valve} valve to the bore of",
                engine.valve_angle_deg(valve),
                (0, 40),
            )
            for valve in VALVES
        ),
        *(
            outside(
                f"{valve}_head",
                f"engine.{valve}_head_mm",
                f"A head of the {valve} valve of",
                heads[valve],
                (15, 60),
            )
            for valve in VALVES
        ),
        outside(
            "heads_apart",
            "engine.heads_apart_mm",
            "A distance of the heads of",
            engine.heads_apart_mm,
            (15, 75),
        ),
    ]
    yield from (one for one in asked if one is not None)
    yield from _heads_overlap(engine)


def _heads_overlap(engine: Engine) -> Iterator[Question]:
    if engine.inlet_head_mm is None or engine.exhaust_head_mm is None or engine.heads_apart_mm is None:
        return
    inlet, exhaust = (cos(radians(engine.valve_angle_deg(valve) or 0.0)) for valve in VALVES)
    left = engine.heads_apart_mm - (engine.inlet_head_mm * inlet + engine.exhaust_head_mm * exhaust) / 2
    if left < TIGHTEST_MM:
        yield Question(
            code="heads_overlap",
            place="engine.heads_apart_mm",
            message=f"Shut, these heads would be {max(left, 0.0):.1f} mm from one another: check their diameters, and that "
            "the distance is taken from middle to middle.",
        )


def events_middle_questions(valve: Valve, half: LobeCard) -> Iterator[Question]:
    """Ask about opening and closing whose middle is no lobe's centre: the two may have changed places."""
    if half.opens_deg is None or half.closes_deg is None:
        return
    centre = events_to_timing(valve, half.opens_deg, half.closes_deg).full_lift_deg
    if 85 <= centre <= 135:
        return
    swapped = events_to_timing(valve, half.closes_deg, half.opens_deg).full_lift_deg
    guess = " Have opening and closing changed places?" if 85 <= swapped <= 135 else ""
    yield Question(
        code=f"{valve}_events_middle",
        place=f"card.{valve}.opens_deg",
        message=f"The middle of the {valve}'s events would be {centre:g} degrees {'ATDC' if valve == 'inlet' else 'BTDC'}; "
        f"85 to 135 is usual.{guess}",
    )


def together_questions(job: Job) -> Iterator[Question]:
    """Ask about what engine, card and job can hardly be together."""
    found = [
        outside("job_tolerance", "job.tolerance_deg", "A tolerance of", job.tolerance_deg, (0.2, 4)),
        *(
            outside(
                f"shop_{valve}_to_piston",
                f"job.shop_{valve}_to_piston_mm",
                f"A least clearance {valve} valve to piston of",
                job.shop_least_mm(valve),
                (0.5, 6),
            )
            for valve in VALVES
        ),
        outside(
            "shop_valve_to_valve",
            "job.shop_valve_to_valve_mm",
            "A least valve to valve of",
            job.shop_valve_to_valve_mm,
            (0.5, 6),
        ),
    ]
    yield from (one for one in found if one is not None)
    yield from _clearance_of_hydraulics(job)


def _clearance_of_hydraulics(job: Job) -> Iterator[Question]:
    halves = [half for half in (job.card.inlet, job.card.exhaust) if half is not None]
    if job.engine.followers == "hydraulic" and any((half.running_clearance_mm or 0) > 0 for half in halves):
        yield Question(
            code="clearance_of_hydraulics",
            place="card",
            message=f"{job.engine.name} has hydraulic followers, which run without clearance; card {job.card.name} gives a "
            "running clearance. Is it the card of this cam, and are the followers said right?",
        )
