"""Bodies and answers about what benches share: versions of engines and cards, jobs handed over."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from api.base.job_messages import Body, CardKept, EngineKept, Entry, Name, Person

VersionName = Annotated[
    str, Field(pattern="^[0-9a-f]{64}$", description="A version, as its `sha256` has it.")
]


class VersionsOfEngine(Body):
    """All versions there are of an engine, newest first."""

    shown: EngineKept
    versions: list[EngineKept]


class VersionsOfCard(Body):
    """All versions there are of a card, newest first."""

    shown: CardKept
    versions: list[CardKept]


class RightEntry(Entry):
    """Which of several versions is right."""

    version: VersionName
    by: Person = ""


class HandOverEntry(Entry):
    """The bench that a job is handed over to."""

    bench: Name
    by: Person = ""
