"""Bodies and answers about engines and cards on file, and about what benches share."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from analysis.timing import CamCard, Engine
from api.base.job_messages import Body, Entry, Name, Person

VersionName = Annotated[
    str, Field(pattern="^[0-9a-f]{64}$", description="A version, as its `sha256` has it.")
]


class Difference(Body):
    """Something that is not the same in two versions: what, here, and in the other."""

    what: str
    here: str
    there: str


class VersionAsked(Body):
    """A version of which somebody has to say whether it is right; `differs` tells what is otherwise than shown here."""

    version: str
    from_bench: str
    by: str
    at: str
    differs: list[Difference]


class OnFile(Body):
    """What is kept of an engine or a card beside what is in it.

    Attributes
    ----------
    at, by
        When and by whom the version was made that is shown.
    from_bench
        The bench of the archive where that was; nothing for here.
    version
        What it is known by, at every bench.
    asked
        Where it was changed at two benches, each time otherwise: the versions of which one has to be said to be right,
        the one that is shown first.
    """

    id: int
    at: str
    by: str
    from_bench: str = ""
    version: str = ""
    asked: Annotated[list[VersionAsked], Field(default_factory=list)]


class EngineKept(OnFile):
    """An engine as the shop keeps it."""

    engine: Engine


class CardKept(OnFile):
    """A cam card as the shop keeps it."""

    card: CamCard


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
