"""Deck height of every cylinder: how far the piston stands below the block's face at TDC, and how the face lies.

The gauge is zeroed on the face beside each bore and read on the crown at two places, equally far from the middle. On a
line across the pin the piston rocks, by as much up on one side as down on the other: the mean of both places knows
nothing of it. Over the pin it does not rock. Positive is below the face, negative proud of it. Lengths mm.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from analysis.base import Component, EntryError, Floats, expand, limit_u
from analysis.report.compression_ratio import Typed
from analysis.report.reading_off import Figure

USUAL_REPEAT_MM = 0.01
"""How well a zero on the face and a reading on the crown repeat where nobody says: common practice, no source."""

_MOST_MM = 25.0
_MOST_APART_MM = 1.0
"""More than a piston rocks: one place was on a dish, a valve pocket or the bore's edge."""


@dataclass(frozen=True, slots=True)
class CrownReadings:
    """What was read on one crown at TDC, the gauge zeroed on the face beside it.

    Attributes
    ----------
    first_mm, second_mm
        Readings at either place, positive below the face: the thrust side and the other, or both ends of the pin.
    along_mm
        Where the bore stands along the block, from the first one.
    """

    cylinder: str
    first_mm: tuple[float, ...]
    second_mm: tuple[float, ...]
    along_mm: float | None = None


@dataclass(frozen=True, slots=True)
class DeckSettings:
    """How the crowns were read.

    Attributes
    ----------
    across
        Places on a line across the pin, where the piston rocks; else over the pin.
    rocked_both_ways
        At each place once with the piston rocked one way and once the other: then the face's tilt can be told from the
        rock.
    apart_mm
        From one place to the other.
    gauge_limit_mm, repeat_mm
        Limits of error: of the gauge over the travel from face to crown, and of every zero and reading.
    """

    across: bool = True
    rocked_both_ways: bool = False
    apart_mm: float | None = None
    gauge_limit_mm: float = 0.01
    repeat_mm: float = USUAL_REPEAT_MM


@dataclass(frozen=True, slots=True)
class CylinderDeck:
    """One cylinder: deck height, and half of what its two places differ by."""

    cylinder: str
    deck_mm: Figure
    leans_mm: Figure

    @property
    def typed(self) -> Typed:
        """As the compression ratio takes it: a limit of error that has the same standard uncertainty."""
        return Typed(self.deck_mm.value, 0.5 * self.deck_mm.u95 * math.sqrt(3.0))


@dataclass(frozen=True, slots=True)
class DeckFound:
    """All cylinders of a block.

    Attributes
    ----------
    spread_mm
        Highest less lowest.
    tilt_along, tilt_across
        Of the face against the crowns, mm in 100 mm, growing from the first bore on, and from the first place (the
        thrust side) to the second; `None` where it cannot be told.
    off_straight_mm
        By how much the crowns leave a straight line along the block at most; `None` below three.
    """

    cylinders: tuple[CylinderDeck, ...]
    spread_mm: Figure
    tilt_along: Figure | None
    tilt_across: Figure | None
    off_straight_mm: float | None
    settings: DeckSettings


def deck_heights(crowns: Sequence[CrownReadings], settings: DeckSettings) -> DeckFound:
    """Tell deck heights, their spread and the face's tilt.

    Raises
    ------
    EntryError
        ``bad_deck`` for numbers that cannot be, ``places_differ`` where both places cannot be on one crown.

    Examples
    --------
    >>> found = deck_heights([CrownReadings("1", (0.30,), (0.20,))], DeckSettings())
    >>> found.cylinders[0].deck_mm.value, found.cylinders[0].leans_mm.value
    (0.25, 0.05)
    """
    _refuse_what_cannot_be(crowns, settings)
    single_u = _single_u_mm(crowns, settings)
    decks = np.array([_middle(crown) for crown in crowns])
    own_u = np.array([_own_u_mm(crown, single_u) for crown in crowns])
    shared_u = limit_u(settings.gauge_limit_mm)
    cylinders = tuple(
        CylinderDeck(
            crown.cylinder,
            _figure(deck, [("gauge", shared_u), ("zero and readings", u)]),
            _figure(_lean(crown), [("readings", _lean_u_mm(crown, single_u))]),
        )
        for crown, deck, u in zip(crowns, decks.tolist(), own_u.tolist(), strict=True)
    )
    high, low = int(np.argmax(decks)), int(np.argmin(decks))
    between = [] if high == low else [("high", float(own_u[high])), ("low", float(own_u[low]))]
    spread = _figure(float(decks[high] - decks[low]), between)
    along, off = _along(crowns, decks, own_u)
    return DeckFound(cylinders, spread, along, _across(crowns, settings, single_u), off, settings)


def _figure(value: float, parts: list[tuple[str, float]]) -> Figure:
    lines = [Component(name, u) for name, u in parts if u > 0]
    return Figure(round(value, 12), expand(lines).expanded if lines else 0.0)


def _middle(crown: CrownReadings) -> float:
    return 0.5 * (float(np.mean(crown.first_mm)) + float(np.mean(crown.second_mm)))


def _lean(crown: CrownReadings) -> float:
    return 0.5 * (float(np.mean(crown.first_mm)) - float(np.mean(crown.second_mm)))


def _lean_u_mm(crown: CrownReadings, single_u: float) -> float:
    return 0.5 * single_u * math.sqrt(1.0 / len(crown.first_mm) + 1.0 / len(crown.second_mm))


def _own_u_mm(crown: CrownReadings, single_u: float) -> float:
    """Of one cylinder alone: its zero on the face, which all its readings share, and the readings."""
    return math.hypot(single_u, _lean_u_mm(crown, single_u))


def _single_u_mm(crowns: Sequence[CrownReadings], settings: DeckSettings) -> float:
    """Of one reading: as stated, or as repeated readings scatter where that is more."""
    stated = limit_u(settings.repeat_mm)
    if settings.rocked_both_ways:
        return stated  # what they scatter by is the rock
    places = [place for crown in crowns for place in (crown.first_mm, crown.second_mm) if len(place) > 1]
    freedom = sum(len(place) - 1 for place in places)
    if not freedom:
        return stated
    squares = sum(float(np.var(place)) * len(place) for place in places)
    return max(stated, math.sqrt(squares / freedom))


def _along(
    crowns: Sequence[CrownReadings], decks: Floats, own_u: Floats
) -> tuple[Figure | None, float | None]:
    """Slope of the straight line through the crowns, mm in 100 mm, and how far they leave it."""
    if len(crowns) < 2 or any(crown.along_mm is None for crown in crowns):
        return None, None
    places = np.array([crown.along_mm for crown in crowns], float)
    away = places - places.mean()
    by = away / float(away @ away)
    slope = float(by @ decks)
    tilt = _figure(100.0 * slope, [("readings", 100.0 * float(np.sqrt(np.sum((by * own_u) ** 2))))])
    off = decks - decks.mean() - slope * away
    return tilt, float(np.max(np.abs(off))) if len(crowns) > 2 else None


def _across(crowns: Sequence[CrownReadings], settings: DeckSettings, single_u: float) -> Figure | None:
    """Both places differ by the tilt alone where the piston was rocked as far one way as the other."""
    if not (settings.across and settings.rocked_both_ways and settings.apart_mm):
        return None
    leans = [-2.0 * _lean(crown) / settings.apart_mm for crown in crowns]
    each = [2.0 * _lean_u_mm(crown, single_u) / settings.apart_mm for crown in crowns]
    u = math.sqrt(math.fsum(one**2 for one in each)) / len(each)
    return _figure(100.0 * math.fsum(leans) / len(leans), [("readings", 100.0 * u)])


def _refuse_what_cannot_be(crowns: Sequence[CrownReadings], settings: DeckSettings) -> None:
    names = [crown.cylinder for crown in crowns]
    if not names or len(set(names)) < len(names):
        raise EntryError("bad_deck", "Give every cylinder once, each with readings at two places.")
    for limit, what in ((settings.gauge_limit_mm, "the gauge"), (settings.repeat_mm, "a reading")):
        if not (math.isfinite(limit) and 0.0 <= limit <= 1.0):
            raise EntryError("bad_deck", f"A limit of {limit:g} mm for {what} cannot be; give 0 to 1 mm.")
    apart = settings.apart_mm
    if apart is not None and not (math.isfinite(apart) and 5.0 <= apart <= 1000.0):
        raise EntryError("bad_deck", f"Places {apart:g} mm apart cannot be; give 5 to 1000 mm.")
    for crown in crowns:
        _refuse_crown(crown, settings)
    _refuse_places([crown.along_mm for crown in crowns if crown.along_mm is not None])


def _refuse_crown(crown: CrownReadings, settings: DeckSettings) -> None:
    least = 2 if settings.rocked_both_ways else 1
    if min(len(crown.first_mm), len(crown.second_mm)) < least:
        each = "two readings, rocked one way and the other," if least == 2 else "a reading"
        raise EntryError("bad_deck", f"Cylinder {crown.cylinder}: give {each} at each of two places.")
    for reading in (*crown.first_mm, *crown.second_mm):
        if not (math.isfinite(reading) and abs(reading) <= _MOST_MM):
            raise EntryError(
                "bad_deck",
                f"Cylinder {crown.cylinder}: {reading:g} mm below the face cannot be; give −25 to 25 mm.",
            )
    if abs(_lean(crown)) * 2.0 > _MOST_APART_MM:
        raise EntryError(
            "places_differ",
            f"Cylinder {crown.cylinder}: its two places differ by {abs(_lean(crown)) * 2.0:.2f} mm, more than a piston "
            "rocks. Read both on the flat of the crown, as far from its middle, and zero the gauge again.",
        )


def _refuse_places(along: Sequence[float]) -> None:
    if not all(math.isfinite(one) and abs(one) <= 10_000.0 for one in along) or any(
        abs(other - one) < 1.0 for one, other in pairwise(sorted(along))
    ):
        raise EntryError(
            "bad_deck", "Two bores cannot stand at one place along the block; give their spacing."
        )
