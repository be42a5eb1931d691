"""Valve to valve of a job: entered by touch or told by the engine's heads, and how far it lets either cam go."""

from __future__ import annotations

import asyncio
from dataclasses import asdict

from analysis.clearance import ValvesTouched, find_valves_apart
from analysis.job import Evidence, room_to_valve
from analysis.timing import Job, Lobe, Valve, ValvesApartFound
from api.base import (
    ConflictError,
    LobeName,
    RoomView,
    ValveRoomView,
    ValvesApartView,
    ValvesEntry,
    with_service_errors,
)
from api.guide import NO_VALVE_CURVE, GuideContexts, KnownLobe, less_clearance_mm
from api.jobs import Jobs

VALVES: tuple[Valve, Valve] = ("inlet", "exhaust")


class ValveToValve:
    """Enters and shows valve to valve; called from the event loop."""

    def __init__(self, jobs: Jobs, contexts: GuideContexts) -> None:
        self._jobs = jobs
        self._contexts = contexts

    async def enter(self, job_id: int, entry: ValvesEntry) -> None:
        """Keep how near inlet and exhaust valve come, by touch or by the engine's heads."""
        await self._contexts.read(job_id)
        job = self._jobs.read.job(job_id).job
        cylinder = entry.cylinder or job.engine.reference
        inlet, exhaust = (self._contexts.lobes(job_id).get(Lobe(cylinder, valve).touches) for valve in VALVES)
        if inlet is None or exhaust is None:
            raise ConflictError(
                "no_curve",
                f"Valve to valve of cylinder {cylinder} takes the lift curves of both, each measured since its cam was "
                "last touched. Measure them over four full turns first.",
            )
        if job.lifted == "follower":
            raise ConflictError("gauge_on_follower", NO_VALVE_CURVE)
        touched = None
        if entry.inlet_travel_mm is not None and entry.exhaust_travel_mm is not None:
            touched = ValvesTouched(entry.at_deg, entry.inlet_travel_mm, entry.exhaust_travel_mm)
        found = await asyncio.to_thread(_valves_apart, job, cylinder, inlet, exhaust, touched)
        await self._jobs.add(job_id, found, entry.by, None if touched is None else asdict(touched))

    def found(self, job_id: int) -> list[ValvesApartView]:
        """Give valve to valve of each cylinder where it was found, and how far its cams may go."""
        job = self._jobs.read.job(job_id).job
        evidence = Evidence.of(job, self._jobs.facts(job_id))
        known = [evidence.valves_apart(name) for name in job.engine.cylinders]
        return [_apart_view(job, evidence, *one) for one in known if one is not None]


@with_service_errors
def _valves_apart(
    job: Job, cylinder: str, inlet: KnownLobe, exhaust: KnownLobe, touched: ValvesTouched | None
) -> ValvesApartFound:
    less = (less_clearance_mm(job, "inlet"), less_clearance_mm(job, "exhaust"))
    return find_valves_apart(
        job.engine,
        cylinder,
        inlet.lift,
        exhaust.lift,
        touched,
        less_clearance_mm=less,
        shop_minimum_mm=job.shop_valve_to_valve_mm,
    )


def _apart_view(job: Job, evidence: Evidence, number: int, what: ValvesApartFound) -> ValvesApartView:
    """What was found, whether it still holds, and how far either cam may go."""
    cams = [job.engine.cam_of(Lobe(what.cylinder, valve)).name for valve in VALVES]
    steps = [evidence.step(f"room.{cam}") for cam in cams]
    rooms_to = [room_to_valve(evidence, step) for step in steps if step is not None]
    return ValvesApartView(
        cylinder=what.cylinder,
        fact=number,
        still_holds=number > max((n for cam in cams for n in evidence.touches(cam)), default=0),
        least_mm=what.least_mm,
        at_deg=what.at_deg,
        u95_mm=what.u95_mm,
        minimum_mm=what.minimum_mm,
        minimum_from=what.minimum_from,
        how=what.how,
        enough=what.least_mm - what.u95_mm >= what.minimum_mm,
        rooms=[
            ValveRoomView(lobe=LobeName.model_validate(one.lobe), room=RoomView.model_validate(one))
            for one in rooms_to
            if one is not None
        ],
    )
