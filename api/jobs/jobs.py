"""Engines, cam cards and jobs of the shop: kept, begun, added to, signed, put away.

What a job is at any moment follows from its facts alone (`analysis.procedure`); this module keeps the list
and lets nothing into it that the procedure blocks.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from sqlite_utils import Database

from analysis.job import JobState, fact_added, job_state
from analysis.timing import CamCard, Engine, Fact, Job, Payload, SignedOff
from api.base import ConflictError, when, with_service_errors
from api.records import (
    Adoption,
    Fields,
    GuideStage,
    JobReader,
    JobRow,
    JobStanding,
    add_fact,
    adopt,
    came_from,
    change,
    delete_job,
    hand_overs,
    held_elsewhere,
    held_sentence,
    job_just_begun,
    keep,
    keep_job,
    make_active,
    make_none_active,
    now_text,
    put_away,
    refuse_held_elsewhere,
    set_stage,
    settle,
    tell_standing,
)
from api.store import ShopStore, WithinChange

SCREEN = "a screen of the shop"
Changed = Callable[[int], None]


class Jobs:
    """The shop's jobs; called from the event loop."""

    def __init__(self, shop: ShopStore) -> None:
        self.read = JobReader(shop.read)
        self._shop = shop
        self._states: dict[int, tuple[int, JobState, list[Fact]]] = {}
        self._heard: list[Changed] = []

    def on_change(self, heard: Changed) -> None:
        """Call `heard` with a job's number whenever something of it changed."""
        self._heard.append(heard)

    # -- engines and cards

    async def keep(self, body: Engine | CamCard, by: str) -> int:
        """Keep an engine or a card and give its number."""
        return await self._shop.change(lambda db: keep(db, body, by or SCREEN))

    async def change(self, number: int, body: Engine | CamCard, by: str, seen: str) -> None:
        """Keep another version of an engine or a card."""
        await self._shop.change(lambda db: change(db, number, body, by or SCREEN, seen))

    async def settle(self, table: str, number: int, version: str, by: str) -> None:
        """Say which of several versions of an engine or a card is right."""
        await self._shop.change(lambda db: settle(db, table, number, version, by or SCREEN))

    async def put_away(self, table: str, number: int) -> None:
        """Take an engine or a card off the list; raises `NotFoundError`."""
        self.read.engine(number) if table == "engines" else self.read.card(number)
        await self._shop.change(lambda db: put_away(db, table, number))

    # -- jobs

    async def begin(self, job: Job, engine_id: int | None, card_id: int | None, by: str) -> int:
        """Begin a job and give its number; one begun just so, with nothing done in it yet, is that job."""
        with_service_errors(job_state)(job, [])

        def beginning(db: Database) -> int:
            """Keep the job, unless it was begun a moment ago: a second press begins no second job."""
            number = job_just_begun(db, job, engine_id, card_id)
            if number is None:
                number = keep_job(db, job, engine_id, card_id, by or SCREEN)
                tell_where(db, number, job, [])
            return number

        return await self._shop.change(beginning)

    async def open(self, number: int, by: str) -> None:
        """Let the bench serve a job; the one it served before waits."""
        self.read.job(number)
        before = self.read.active()

        def opening(db: Database) -> None:
            """Make it the one at the bench, unless another bench holds it."""
            refuse_held_elsewhere(WithinChange(db), number)
            make_active(db, number, by)

        await self._shop.change(opening)
        self._tell(number, *(() if before in {None, number} else (before,)))

    async def close(self, number: int) -> None:
        """Let the bench serve no job."""
        if self.read.active() == number:
            await self._shop.change(make_none_active)
            self._tell(number)

    async def delete(self, number: int, by: str, measured: Callable[[int], str]) -> None:
        """Take a job off the list; refused while it is measured and once it is signed.

        Parameters
        ----------
        measured
            Gives a sentence if something of the job is being measured.
        """
        row = self.read.job(number)
        signed = self.state(number).signed_by
        if signed:
            raise ConflictError(
                "job_signed", f"Job {row.job.reference} is signed by {signed}; a signed job is kept."
            )
        why = measured(number)
        if why:
            raise ConflictError("job_being_measured", why)

        def deleting(db: Database) -> None:
            """Take it away, unless another bench holds it."""
            refuse_held_elsewhere(WithinChange(db), number)
            delete_job(db, number, by or SCREEN)

        await self._shop.change(deleting)
        self._states.pop(number, None)
        self._tell(number)

    def refuse_held_elsewhere(self, number: int) -> None:
        """Refuse to change a job that was handed over to another bench; raises `ConflictError`."""
        refuse_held_elsewhere(self._shop.read, number)

    def held(self, number: int) -> str:
        """Say where a job is that was handed over to another bench; nothing for one that is here."""
        one = held_elsewhere(self._shop.read, number)
        return "" if one is None else held_sentence(one)

    def all_held(self) -> dict[int, str]:
        """Say it of all jobs of which there is something to say, by number."""
        return {one.job_id: held_sentence(one) for one in hand_overs(self._shop.read, "asked", "given")}

    def came(self, number: int) -> str:
        """Say from where a job came; nothing for one that was begun here."""
        one = came_from(self._shop.read, number)
        return "" if one is None else f"Taken over from the bench {one.bench}, {when(one.at)}."

    # -- facts

    def facts(self, number: int) -> list[Fact]:
        """Give a job's facts in order."""
        return self._known(number)[2]

    def state(self, number: int) -> JobState:
        """Give where a job stands."""
        return self._known(number)[1]

    def forget(self, number: int) -> None:
        """Read a job anew when it is asked for next: its rows were changed from outside, as those of a copy are."""
        self._states.pop(number, None)
        self._tell(number)

    def _known(self, number: int) -> tuple[int, JobState, list[Fact]]:
        known = self._states.get(number)
        if known is None:
            row = self.read.job(number)
            facts = self.read.facts(number)
            known = (len(facts), with_service_errors(job_state)(row.job, facts), facts)
            self._states[number] = known
        return known

    async def add(
        self,
        number: int,
        payload: Payload,
        by: str = "",
        source: Fields | None = None,
        adopting: Adoption | None = None,
        beside: Callable[[Database, Fact], object] | None = None,
    ) -> Fact:
        """Add a fact to a job's list; the check and the adding are one.

        Parameters
        ----------
        source
            What the payload was computed from, where it was; kept beside it.
        adopting
            The finished measurement that this fact holds.
        beside
            What else is changed with it: both or neither.

        Raises
        ------
        BlockedError
            The procedure does not allow it; nothing was added.
        """
        row = self.read.job(number)
        who = by or row.job.builder or SCREEN

        def adding(db: Database) -> Fact:
            """Add the fact, and what hangs on it, in one change."""
            refuse_held_elsewhere(WithinChange(db), number)
            fact = _add(db, row, payload, who)
            add_fact(db, row.id, fact, source)
            if adopting is not None:
                adopt(db, row.id, replace(adopting, fact=fact.number))
            if beside is not None:
                beside(db, fact)
            return fact

        try:
            fact = await self._shop.change(with_service_errors(adding))
        finally:
            self._states.pop(number, None)
        self._tell(number)
        return fact

    async def not_taken(self, number: int, adoption: Adoption) -> None:
        """Write down that a finished measurement could not be taken into a job, and why."""
        await self._shop.change(lambda db: adopt(db, number, adoption))
        self._tell(number)

    async def sign(self, number: int, by: str, statement: str) -> Fact:
        """Sign a job."""
        return await self.add(number, SignedOff(statement), by)

    async def set_stage(self, number: int, stage: GuideStage | None, by: str = "") -> None:
        """Remember how far the guide is inside a step."""

        def setting(db: Database) -> None:
            """Write down the stage, unless another bench holds the job."""
            refuse_held_elsewhere(WithinChange(db), number)
            set_stage(db, number, stage, by)

        await self._shop.change(setting)
        self._tell(number)

    def _tell(self, *numbers: int | None) -> None:
        for number in numbers:
            if number is not None:
                for heard in self._heard:
                    heard(number)


def _add(db: Database, row: JobRow, payload: Payload, by: str) -> Fact:
    """Check a fact against all that is in the list at this moment, and say where the job then stands."""
    facts = JobReader(WithinChange(db)).facts(row.id)
    fact = fact_added(row.job, facts, payload, at=now_text(), by=by)
    tell_where(db, row.id, row.job, [*facts, fact])
    return fact


def tell_where(db: Database, number: int, job: Job, facts: list[Fact]) -> None:
    """Write beside a job where its facts leave it, for lists."""
    state = job_state(job, facts)
    title = state.step(state.now).title if state.now else ""
    standing = JobStanding(state.now or "", title, state.signed_at, state.signed_by)
    tell_standing(db, number, standing)
