"""Runout and end float of what a gauge is on, from what it has said since it was set there; all that is told is kept."""

from __future__ import annotations

import asyncio
from collections.abc import Iterable
from dataclasses import replace
from typing import TypeVar

from analysis.timing import Withdrawn
from api.base import BlockedError, Body, ConflictError, NotFoundError
from api.hands.hands_free import HandsFree
from api.hands.looking import Heard, since_set
from api.jobs import Jobs, PartLine, PartRecord, part_line, part_measured, part_record, part_source
from api.live import PROGRAM
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
from api.store import (
    Fields,
    Measurement,
    PartReader,
    StoredInterval,
    ToldPart,
    keeping_part,
    now_text,
    throwing_away,
)

View = TypeVar("View", bound=PartView)


class TurnedParts:
    """Called from the event loop; nothing is begun, for all that is said at the bench is heard anyway."""

    def __init__(self, parts: Parts, jobs: Jobs, hands_free: HandsFree) -> None:
        self._parts = parts
        self._jobs = jobs
        self._hands_free = hands_free
        self._read = PartReader(parts.shop.read)

    async def runout(self, entry: TurnedEntry, part: str) -> RunoutView:
        """Tell the runout of what was turned under a gauge since it was set, and keep it."""
        as_now = self._as_now(entry)
        tdc_deg = as_now.settings["tdc_deg"] if as_now.settings["tdc_from"] is not None else None
        heard = _heard(self._hands_free.lately(as_now.gauge))

        def found() -> tuple[RunoutView, Heard]:  # with the looking back, of which there may be minutes
            own = replace(heard, streams=since_set(heard.streams))
            return runout_of(entry, as_now.gauge, own.streams, as_now.gauge_facts(), tdc_deg), own

        view, own = await asyncio.to_thread(found)
        return await self.kept(part, entry, view, own, as_now.facts | {"tdc_deg": tdc_deg})

    async def end_float(self, entry: PartEntry, part: str) -> EndFloatView:
        """Tell how far the shaft was pushed and pulled since the crank stands, and keep it."""
        as_now = self._as_now(entry)
        heard = _heard(self._hands_free.since_standing(as_now.gauge))
        facts = as_now.gauge_facts()
        view = await asyncio.to_thread(end_float_of, entry, as_now.gauge, heard.streams, facts)
        return await self.kept(part, entry, view, heard, as_now.facts)

    # -- kept

    async def kept(
        self, part: str, entry: Body, view: View, heard: Heard | None = None, facts: Fields | None = None
    ) -> View:
        """Keep what was told: in the list of parts, and where it was named in the open job, too."""
        part = part.strip()
        row = ToldPart(
            id=0,
            at=now_text(),
            measured=part_measured(part, view, entry),
            entry=entry.model_dump(mode="json", exclude_none=True),
            told=view.model_dump(mode="json", exclude={"kept"}),
            job_id=self._jobs.read.active(),
            facts=facts or {},
            program=PROGRAM,
        )
        if heard is not None:
            row = replace(row, run_id=heard.run_id, start_ns=heard.start_ns, end_ns=heard.end_ns)
        return view.model_copy(update={"kept": await self._keep(row, view)})

    async def _keep(self, row: ToldPart, view: PartView) -> KeptPart:
        part, job_id, why = row.measured.part, row.job_id, ""
        if part and job_id is not None:
            numbers: list[int] = []
            try:
                fact = await self._jobs.add(
                    job_id,
                    row.measured,
                    source=part_source(view),
                    beside=lambda db, fact: numbers.append(keeping_part(replace(row, fact=fact.number))(db)),
                )
            except BlockedError as blocked:
                why = blocked.message
            else:
                words = f"Kept in job {self._reference(job_id)} as {part}."
                return KeptPart(number=numbers[0], job_id=job_id, fact=fact.number, sentence=words)
        number = await self._parts.shop.change(keeping_part(row))
        return KeptPart(number=number, job_id=job_id, sentence=self._words(row, why))

    def _words(self, row: ToldPart, why: str) -> str:
        named = f"as {row.measured.part}" if row.measured.part else "without a name"
        if row.job_id is None:
            return f"Kept {named}. No job is open at the bench, so it is on no job's sheet."
        why = why or "Named, it stands on the job's sheet, too."
        return f"Kept {named}, not on the sheet of job {self._reference(row.job_id)}. {why}"

    def lines(self, job_id: int | None, limit: int, before: int | None) -> list[PartLine]:
        """List what was told of parts, the newest first."""
        return self._lines(self._read.listed(job_id=job_id, limit=limit, before=before))

    def record(self, number: int) -> PartRecord:
        """Give all that is kept of one."""
        part = self._read.get(number)
        return part_record(part, self._reference(part.job_id))

    def readings(self, number: int) -> StoredInterval:
        """Give the stored readings that a result was told from; raises `NotFoundError` where it was typed."""
        part = self._read.get(number)
        if part.run_id is None or part.start_ns is None:
            raise NotFoundError("no_readings", "This was reckoned from what was typed: no gauge was read.")
        return self._parts.stored.of_run(part.run_id, part.measured.gauge, part.start_ns, part.end_ns)

    async def throw_away(self, number: int) -> PartRecord:
        """Take a result off the list, and off its job's sheet; it stays in the shop's file."""
        part = self._read.get(number)
        throwing = throwing_away(number, now_text())
        if self._stands_in_job(part):
            assert part.job_id is not None and part.fact is not None
            why = Withdrawn(part.fact, "Thrown away.")
            await self._jobs.add(part.job_id, why, beside=lambda db, _: throwing(db))
        else:
            await self._parts.shop.change(throwing)
        return self.record(number)

    def _stands_in_job(self, part: ToldPart) -> bool:
        if part.job_id is None or part.fact is None or part.thrown_at:
            return False
        facts = self._jobs.facts(part.job_id)
        withdrawn = {one.what.number for one in facts if isinstance(one.what, Withdrawn)}
        return part.fact not in withdrawn

    def _lines(self, parts: Iterable[ToldPart]) -> list[PartLine]:
        return [part_line(part, self._reference(part.job_id)) for part in parts]

    def _reference(self, job_id: int | None) -> str:
        try:
            return "" if job_id is None else self._jobs.read.job(job_id).job.reference
        except NotFoundError:  # put away since
            return ""

    def _as_now(self, entry: PartEntry) -> Measurement:
        """Give gauge, what is known of it, and true TDC as a lobe that was begun now would have them."""
        asked = MeasurementAsked(touches="valve_1", gauge=entry.gauge)
        return planned(asked, self._parts.bench, self._parts.measurements, self._parts.stored)


def _heard(heard: Heard | None) -> Heard:
    if heard is None:
        raise ConflictError(
            "nothing_heard",
            "Crank and gauge have not both been read yet: see to their cables, then turn again.",
        )
    return heard
