"""Runout and end float of what a gauge is on, from what it has said since it was set there; all that is told is kept."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable
from dataclasses import replace
from typing import TypeVar

from sqlite_utils import Database

from analysis.timing import Fact, PartMeasured, Withdrawn
from api.base import BlockedError, Body, ConflictError, NotFoundError, ServiceError
from api.hands.awaited_part import (
    ENOUGH_EACH_WAY,
    PUSHED_AND_RESTED_S,
    REST_S,
    TWICE_ROUND_DEG,
    Awaited,
    AwaitedView,
    Kind,
)
from api.hands.hands_free import HandsFree
from api.hands.looking import Heard, rests_since, since_set
from api.jobs import (
    Jobs,
    PartLine,
    PartRecord,
    kept_source,
    part_line,
    part_measured,
    part_record,
    part_source,
)
from api.live import PROGRAM
from api.measure import (
    CrownPlaceEntry,
    CrownReadView,
    EndFloatView,
    FaceReadView,
    KeptPart,
    MarkReadView,
    MeasurementAsked,
    PartEntry,
    Parts,
    PartView,
    PlaceEntry,
    RunoutView,
    TurnedEntry,
    crown_read,
    end_float_of,
    face_read,
    planned,
    runout_of,
)
from api.records import (
    Fields,
    Measurement,
    PartReader,
    StoredInterval,
    ToldPart,
    keeping_part,
    naming_part,
    now_text,
    throwing_away,
)
from capture.base import wire_now_ns

FACE_WAITS, FACE_WAIT_S = 5, 0.5
"""So often and so long a gauge that does not rest yet is waited for."""

MARK_RESTS_S = 0.5

View = TypeVar("View", bound=PartView)


class TurnedParts:
    """Called from the event loop; nothing is begun, for all that is said at the bench is heard anyway."""

    def __init__(self, parts: Parts, jobs: Jobs, hands_free: HandsFree) -> None:
        self._parts = parts
        self._jobs = jobs
        self._hands_free = hands_free
        self._read = PartReader(parts.shop.read)
        self._awaited: Awaited | None = None

    async def runout(self, entry: TurnedEntry, part: str, since_ns: int = 0) -> RunoutView:
        """Tell the runout of what was turned under a gauge since it was set, and keep it."""
        as_now = self._as_now(entry.gauge)
        tdc_deg = as_now.settings["tdc_deg"] if as_now.settings["tdc_from"] is not None else None
        inward = self._inward(as_now.gauge)
        heard = _heard(self._hands_free.lately(as_now.gauge, since_ns))

        def found() -> tuple[RunoutView, Heard]:  # with the looking back, of which there may be minutes
            """The runout since the gauge was set, and what it was found from."""
            own = replace(heard, streams=since_set(heard.streams))
            return runout_of(entry, as_now.gauge, own.streams, as_now.gauge_facts(), tdc_deg, inward), own

        view, own = await asyncio.to_thread(found)
        return await self.kept(part, entry, view, own, as_now.facts | {"tdc_deg": tdc_deg, "inward": inward})

    async def end_float(self, entry: PartEntry, part: str) -> EndFloatView:
        """Tell how far the shaft was pushed and pulled since the crank stands, and keep it."""
        view, heard, as_now = await self._end_float(entry)
        return await self.kept(part, entry, view, heard, as_now.facts)

    async def _end_float(
        self, entry: PartEntry, since_ns: int = 0
    ) -> tuple[EndFloatView, Heard, Measurement]:
        as_now = self._as_now(entry.gauge)
        heard = _heard(self._hands_free.since_standing(as_now.gauge, since_ns))
        facts = as_now.gauge_facts()
        view = await asyncio.to_thread(end_float_of, entry, as_now.gauge, heard.streams, facts)
        return view, heard, as_now

    # -- told by itself

    def await_part(self, kind: Kind, entry: PartEntry, part: str) -> AwaitedView:
        """Wait for a part to be turned or pushed from now on; raises `ConflictError` while its gauge measures."""
        gauge = self._as_now(entry.gauge).gauge
        if any(one.gauge == gauge for one in self._parts.measurements.running()):
            raise ConflictError(
                "measuring", "This gauge is being measured with: end that on the bench page first."
            )
        self._awaited = Awaited(kind, entry, part.strip(), gauge, wire_now_ns())
        self._hands_free.stand_aside(True)
        return self._awaited.view

    def awaited(self) -> AwaitedView | None:
        """Give what is waited for, or what came of it."""
        return None if self._awaited is None else self._awaited.view

    def give_up(self) -> AwaitedView | None:
        """Wait no longer."""
        if self._awaited is not None:
            self._awaited.give_up("Given up.")
        self._hands_free.stand_aside(False)
        return self.awaited()

    async def follow(self) -> bool:
        """Tell what is waited for where there is enough; whether one is waited for."""
        awaited = self._awaited
        if awaited is None or not awaited.waits:
            return False
        if awaited.due():
            tells = self._turned_enough if awaited.kind == "runout" else self._pushed_enough
            await awaited.try_to_tell(lambda: tells(awaited))
        if not awaited.waits and awaited is self._awaited:
            self._hands_free.stand_aside(False)
            self._hands_free.say(awaited.gauge, f"part_{awaited.view.state}", awaited.view.sentence)
        return awaited.waits

    async def _turned_enough(self, awaited: Awaited) -> RunoutView | None:
        heard = _heard(self._hands_free.lately(awaited.gauge, awaited.since_ns))
        turned = (await asyncio.to_thread(since_set, heard.streams)).crank_deg
        awaited.becomes(turned_deg=float(turned.max() - turned.min()) if turned.size else 0.0)
        if awaited.view.turned_deg < TWICE_ROUND_DEG or self._hands_free.rested_s() < REST_S:
            return None
        assert isinstance(awaited.entry, TurnedEntry)
        return await self.runout(awaited.entry, awaited.part, awaited.since_ns)

    async def _pushed_enough(self, awaited: Awaited) -> EndFloatView | None:
        view, heard, as_now = await self._end_float(awaited.entry, awaited.since_ns)
        enough = min(view.pushes, view.pulls) >= ENOUGH_EACH_WAY
        if not rests_since(heard.streams, REST_S if enough else PUSHED_AND_RESTED_S):
            return None
        return await self.kept(awaited.part, awaited.entry, view, heard, as_now.facts)

    # -- the two readings of a deck height

    async def face_reading(self, entry: PlaceEntry) -> FaceReadView:
        """Read the gauge where it rests on the block's face; one that was set there just now is waited for."""
        as_now = self._as_now(entry.gauge)
        facts, still_to_wait = as_now.gauge_facts(), FACE_WAITS
        while True:
            heard = _heard(self._hands_free.lately(as_now.gauge))
            try:
                return await asyncio.to_thread(face_read, as_now.gauge, heard.streams, facts)
            except ServiceError as error:
                if error.code != "gauge_not_at_rest" or not still_to_wait:
                    raise
            still_to_wait -= 1
            await asyncio.sleep(FACE_WAIT_S)

    async def crown_reading(self, entry: CrownPlaceEntry) -> CrownReadView:
        """Read a crown's highest point, from what was turned since the gauge was set on it."""
        as_now = self._as_now(entry.gauge)
        heard = _heard(self._hands_free.lately(as_now.gauge))
        facts = as_now.gauge_facts()

        def found() -> CrownReadView:
            return crown_read(entry, as_now.gauge, since_set(heard.streams), facts)

        return await asyncio.to_thread(found)

    def mark_reading(self) -> MarkReadView:
        """Read the crank where it rests, a mark at its pointer, and true TDC beside it; no gauge is asked."""
        bench = self._parts.bench
        as_now = self._as_now(next(iter(bench.gauges()), None))
        crank = bench.crank()
        if as_now.settings["tdc_from"] is None:
            raise ConflictError(
                "no_tdc", "True TDC is not known yet: measure it on the bench page, piston 1, then read here."
            )
        if crank is None or crank not in bench.latest or self._hands_free.rested_s() < MARK_RESTS_S:
            raise ConflictError(
                "crank_turns", "The crank turns, or is not read: let it rest with the mark at its pointer."
            )
        found = self._parts.measurements.get(as_now.settings["tdc_from"])
        return MarkReadView(
            mark_deg=bench.latest[crank].value % 360.0,
            tdc_deg=as_now.settings["tdc_deg"] % 360.0,
            tdc_u95_deg=2.0 * as_now.settings["tdc_u_deg"],
            tdc_of=found.touches,
        )

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
        """Keep it in the open job where it is named and the job allows it, else in the shop."""
        job_id, why = row.job_id, ""
        if row.measured.part and job_id is not None:
            numbers: list[int] = []
            entered, why = await self._entered(
                job_id,
                row.measured,
                part_source(view),
                lambda db, fact: numbers.append(keeping_part(replace(row, fact=fact.number))(db)),
            )
            if entered is not None:
                return KeptPart(number=numbers[0], job_id=job_id, fact=entered, sentence=why)
        number = await self._parts.shop.change(keeping_part(row))
        return KeptPart(number=number, job_id=job_id, sentence=self._words(row, why))

    async def _entered(
        self,
        job_id: int,
        measured: PartMeasured,
        source: Fields | None,
        beside: Callable[[Database, Fact], object],
    ) -> tuple[int | None, str]:
        """Make it an entry of a job; gives the entry's number and what to say, or `None` and what is in the way."""
        try:
            fact = await self._jobs.add(job_id, measured, source=source, beside=beside)
        except BlockedError as blocked:
            return None, blocked.message
        return fact.number, f"Kept in job {self._reference(job_id)} as {measured.part}."

    def _words(self, row: ToldPart, why: str) -> str:
        named = f"as {row.measured.part}" if row.measured.part else "without a name"
        if row.job_id is None:
            return f"Kept {named}. No job is open at the bench, so it is on no job's sheet."
        why = why or "Named, it stands on the job's sheet, too."
        return f"Kept {named}, not on the sheet of job {self._reference(row.job_id)}. {why}"

    async def name(self, number: int, part: str) -> KeptPart:
        """Give a kept result its name; where a job was open when it was told, it becomes its entry.

        Raises
        ------
        ConflictError
            It was thrown away, or stands in a job under a name already.
        """
        row, part = self._read.get(number), part.strip()
        if row.thrown_at or row.fact is not None:
            why = "was thrown away" if row.thrown_at else f"stands in its job as {row.measured.part} already"
            raise ConflictError("not_to_be_named", f"Result {number} {why}: tell it anew under another name.")
        named = replace(row, measured=replace(row.measured, part=part))
        job_id, why = row.job_id, ""
        if job_id is not None:
            entered, why = await self._entered(
                job_id,
                named.measured,
                kept_source(row.told),
                lambda db, fact: naming_part(number, named.measured, fact.number)(db),
            )
            if entered is not None:
                return KeptPart(number=number, job_id=job_id, fact=entered, sentence=why)
        await self._parts.shop.change(naming_part(number, named.measured))
        words = f"Kept as {part}. No job was open when it was told, so it is on no job's sheet."
        return KeptPart(number=number, job_id=job_id, sentence=self._words(named, why) if job_id else words)

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

    def _inward(self, gauge: str) -> int | None:
        """Give +1 where the gauge's reading grows as its plunger goes in, as a piston has shown; `None` if none has."""
        last = self._parts.measurements.last_tdc(gauge=gauge)
        return None if last is None else (last.detail or {}).get("polarity")

    def _as_now(self, gauge: str | None) -> Measurement:
        """Give gauge, what is known of it, and true TDC as a lobe that was begun now would have them."""
        asked = MeasurementAsked(touches="valve_1", gauge=gauge)
        return planned(asked, self._parts.bench, self._parts.measurements, self._parts.stored)


def _heard(heard: Heard | None) -> Heard:
    if heard is None:
        raise ConflictError(
            "nothing_heard",
            "Crank and gauge have not both been read yet: see to their cables, then turn again.",
        )
    return heard
