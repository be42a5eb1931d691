"""Engines and cards on file: kept, changed with every version staying, and what is asked where two benches differ."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Generic, TypeVar

from analysis.timing import CamCard, Engine
from api.base import (
    CardEntry,
    CardKept,
    Difference,
    EngineEntry,
    EngineKept,
    RightEntry,
    VersionAsked,
    VersionsOfCard,
    VersionsOfEngine,
)
from api.entry import card_of, engine_of
from api.jobs import Jobs
from api.records import Kept, all_versions, versions_of
from api.store import ShopStore, Version, Versions, differences

E = TypeVar("E", bound=EngineEntry | CardEntry)
K = TypeVar("K")
V = TypeVar("V")
UNITS = (("_mm", " mm"), ("_cam_deg", " cam degrees"), ("_deg", " degrees"))


class Shelf(Generic[E, K, V]):
    """The engines of the shop, or its cards; called from the event loop.

    Parameters
    ----------
    table : str
        ``engines`` or ``cards``.
    read : callable
        Checks what was typed; raises what is impossible, or asks about what can hardly be.
    kept, every : callable
        Make what is told of one, and of all its versions.
    """

    def __init__(
        self,
        jobs: Jobs,
        shop: ShopStore,
        table: str,
        *,
        read: Callable[[E], Engine | CamCard],
        kept: Callable[..., K],
        every: Callable[..., V],
    ) -> None:
        self._jobs, self._ask, self._table = jobs, shop.read, table
        self._read, self._kept, self._every = read, kept, every

    def listed(self) -> list[K]:
        """Give those that are not put away, newest first."""
        there = all_versions(self._ask, self._table)
        on_file = self._jobs.read.on_file(self._table)
        return [self._shown(kept, there[kept.id]) for kept in on_file if kept.id in there]

    def one(self, number: int) -> K:
        """Give one."""
        return self._shown(self._jobs.read.kept(self._table, number), self._versions(number))

    async def keep(self, entry: E) -> K:
        """Keep a new one."""
        return self.one(await self._jobs.keep(self._read(entry), entry.by))

    async def change(self, number: int, entry: E, seen: str) -> K:
        """Keep another version, checked as a new one is."""
        await self._jobs.change(number, self._read(entry), entry.by, seen)
        return self.one(number)

    def versions(self, number: int) -> V:
        """Give every version, newest first."""
        every = reversed(self._versions(number).every)
        told = [self._told(number, one.content, _about(one)) for one in every]
        return self._every(shown=self.one(number), versions=told)

    async def settle(self, number: int, entry: RightEntry) -> K:
        """Say which of several versions is right."""
        await self._jobs.settle(self._table, number, entry.version, entry.by)
        return self.one(number)

    async def put_away(self, number: int) -> None:
        """Take it off the list."""
        await self._jobs.put_away(self._table, number)

    def _versions(self, number: int) -> Versions:
        return versions_of(self._ask, self._table, number)

    def _shown(self, kept: Kept, there: Versions) -> K:
        return self._told(kept.id, kept.body, _standing(kept, there))

    def _told(self, number: int, content: Any, about: dict[str, Any]) -> K:
        return self._kept(**{"id": number, self._table.removesuffix("s"): content} | about)


class ThingsOnFile:
    """The engines and cards of the shop."""

    def __init__(self, jobs: Jobs, shop: ShopStore) -> None:
        self.engines: Shelf[EngineEntry, EngineKept, VersionsOfEngine] = Shelf(
            jobs, shop, "engines", read=engine_of, kept=EngineKept, every=VersionsOfEngine
        )
        self.cards: Shelf[CardEntry, CardKept, VersionsOfCard] = Shelf(
            jobs, shop, "cards", read=card_of, kept=CardKept, every=VersionsOfCard
        )


def _standing(kept: Kept, there: Versions) -> dict[str, Any]:
    """Say of what is shown who made it, and what is asked about it."""
    shown = there.shown
    about = {"at": kept.at, "by": kept.by} if shown is None else _about(shown)
    asked = there.asked
    ours = asked[0] if asked else shown
    return about | {
        "asked": [
            VersionAsked(
                version=one.sha256,
                from_bench=one.bench,
                by=one.by,
                at=one.at,
                differs=[_difference(*found) for found in differences(ours, one)] if ours else [],
            )
            for one in asked
        ]
    }


def _about(one: Version) -> dict[str, Any]:
    return {"at": one.at, "by": one.by, "from_bench": one.bench, "version": one.sha256}


def _difference(place: str, here: Any, there: Any) -> Difference:
    what, unit = next(
        ((place.removesuffix(end), unit) for end, unit in UNITS if place.endswith(end)), (place, "")
    )
    return Difference(what=what.replace("_", " "), here=_said(here, unit), there=_said(there, unit))


def _said(value: Any, unit: str) -> str:
    if value is None or value == "":
        return "not said"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list):
        return ", ".join(map(str, value)) or "not said"
    return f"{value}{unit}"
