"""Runout and end float of what a gauge is on, from what it has said since it was set there."""

from __future__ import annotations

import asyncio
from typing import TypeVar

from analysis.base import Streams
from api.base import BlockedError, ConflictError
from api.hands.hands_free import HandsFree
from api.hands.looking import since_set
from api.jobs import Jobs, part_measured, part_source
from api.measure import (
    EndFloatView,
    KeptPart,
    MeasurementAsked,
    PartEntry,
    Parts,
    PartView,
    RunoutView,
    TurnedEntry,
    end_float_of,
    planned,
    runout_of,
)
from api.store import Measurement

Told = TypeVar("Told", bound=PartView)
NO_JOB = "No job is open at the bench, so it is told and not kept: open the engine's job, then press again."


class TurnedParts:
    """Called from the event loop; nothing is begun, for all that is said at the bench is heard anyway."""

    def __init__(self, parts: Parts, jobs: Jobs, hands_free: HandsFree) -> None:
        self._parts = parts
        self._jobs = jobs
        self._hands_free = hands_free

    async def runout(self, entry: TurnedEntry) -> RunoutView:
        """Tell the runout of what was turned under a gauge since it was set."""
        as_now = self._as_now(entry)
        tdc_deg = as_now.settings["tdc_deg"] if as_now.settings["tdc_from"] is not None else None
        streams = _heard(self._hands_free.lately(as_now.gauge))

        def found() -> RunoutView:  # with the looking back, of which there may be minutes
            return runout_of(entry, as_now.gauge, since_set(streams), as_now.gauge_facts(), tdc_deg)

        return await asyncio.to_thread(found)

    async def end_float(self, entry: PartEntry) -> EndFloatView:
        """Tell how far the shaft was pushed and pulled since the crank stands."""
        as_now = self._as_now(entry)
        streams = _heard(self._hands_free.since_standing(as_now.gauge))
        return await asyncio.to_thread(end_float_of, entry, as_now.gauge, streams, as_now.gauge_facts())

    async def kept(self, part: str, told: Told) -> Told:
        """Keep what was told in the open job, where the part was named; what cannot be kept is told all the same."""
        if not part:
            return told
        job_id = self._jobs.read.active()
        if job_id is None:
            return told.model_copy(update={"kept": KeptPart(sentence=NO_JOB)})
        try:
            fact = await self._jobs.add(job_id, part_measured(part, told), source=part_source(told))
        except BlockedError as why:
            return told.model_copy(update={"kept": KeptPart(sentence=f"Told, not kept. {why.message}")})
        words = f"Kept in job {self._jobs.read.job(job_id).job.reference} as {part}."
        return told.model_copy(update={"kept": KeptPart(job_id=job_id, fact=fact.number, sentence=words)})

    def _as_now(self, entry: PartEntry) -> Measurement:
        """Give gauge, what is known of it, and true TDC as a lobe that was begun now would have them."""
        asked = MeasurementAsked(touches="valve_1", gauge=entry.gauge)
        return planned(asked, self._parts.bench, self._parts.measurements, self._parts.stored)


def _heard(streams: Streams | None) -> Streams:
    if streams is None:
        raise ConflictError(
            "nothing_heard",
            "Crank and gauge have not both been read yet: see to their cables, then turn again.",
        )
    return streams
