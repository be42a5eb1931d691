"""Engines and cards on file: kept, changed with every version staying, and what is asked where two benches differ."""

from __future__ import annotations

from typing import Any

from analysis.timing import CamCard, Engine
from api.base import (
    CardEntry,
    CardKept,
    Difference,
    EngineEntry,
    EngineKept,
    VersionAsked,
    VersionsOfCard,
    VersionsOfEngine,
)
from api.entry import card_of, engine_of
from api.jobs import Jobs
from api.records import Kept, all_versions, versions_of
from api.store import ShopStore, Version, Versions, differences

UNITS = (("_mm", " mm"), ("_cam_deg", " cam degrees"), ("_deg", " degrees"))


class ThingsOnFile:
    """The engines and cards of the shop; called from the event loop."""

    def __init__(self, jobs: Jobs, shop: ShopStore) -> None:
        self._jobs, self._ask = jobs, shop.read

    def engines(self) -> list[EngineKept]:
        """Give the engines of the shop."""
        there = all_versions(self._ask, "engines")
        return [_engine_kept(kept, there[kept.id]) for kept in self._jobs.read.engines() if kept.id in there]

    def engine(self, number: int) -> EngineKept:
        """Give one engine."""
        kept = self._jobs.read.kept("engines", number)
        return _engine_kept(kept, versions_of(self._ask, "engines", number))

    async def keep_engine(self, entry: EngineEntry) -> EngineKept:
        """Keep an engine; raises what is impossible, or asks about what can hardly be."""
        return self.engine(await self._jobs.keep(engine_of(entry), entry.by))

    async def change_engine(self, number: int, entry: EngineEntry, seen: str) -> EngineKept:
        """Keep another version of an engine, checked as a new one is."""
        await self._jobs.change(number, engine_of(entry), entry.by, seen)
        return self.engine(number)

    def engine_versions(self, number: int) -> VersionsOfEngine:
        """Give every version of an engine."""
        there = versions_of(self._ask, "engines", number)
        return VersionsOfEngine(
            shown=self.engine(number),
            versions=[
                EngineKept(id=number, engine=_engine(one), **_about(one)) for one in reversed(there.every)
            ],
        )

    def cards(self) -> list[CardKept]:
        """Give the cards of the shop."""
        there = all_versions(self._ask, "cards")
        return [_card_kept(kept, there[kept.id]) for kept in self._jobs.read.cards() if kept.id in there]

    def card(self, number: int) -> CardKept:
        """Give one card."""
        kept = self._jobs.read.kept("cards", number)
        return _card_kept(kept, versions_of(self._ask, "cards", number))

    async def keep_card(self, entry: CardEntry) -> CardKept:
        """Keep a card; raises what is impossible, or asks about what can hardly be."""
        return self.card(await self._jobs.keep(card_of(entry), entry.by))

    async def change_card(self, number: int, entry: CardEntry, seen: str) -> CardKept:
        """Keep another version of a card, checked as a new one is."""
        await self._jobs.change(number, card_of(entry), entry.by, seen)
        return self.card(number)

    def card_versions(self, number: int) -> VersionsOfCard:
        """Give every version of a card."""
        there = versions_of(self._ask, "cards", number)
        return VersionsOfCard(
            shown=self.card(number),
            versions=[CardKept(id=number, card=_card(one), **_about(one)) for one in reversed(there.every)],
        )

    async def settle(self, table: str, number: int, version: str, by: str) -> None:
        """Say which of several versions is right."""
        await self._jobs.settle(table, number, version, by)

    async def put_away(self, table: str, number: int) -> None:
        """Take an engine or a card off the list."""
        await self._jobs.put_away(table, number)


def _engine(one: Version) -> Engine:
    content = one.content
    assert isinstance(content, Engine)
    return content


def _card(one: Version) -> CamCard:
    content = one.content
    assert isinstance(content, CamCard)
    return content


def _engine_kept(kept: Kept, there: Versions) -> EngineKept:
    assert isinstance(kept.body, Engine)
    return EngineKept(id=kept.id, engine=kept.body, **_standing(kept, there))


def _card_kept(kept: Kept, there: Versions) -> CardKept:
    assert isinstance(kept.body, CamCard)
    return CardKept(id=kept.id, card=kept.body, **_standing(kept, there))


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
