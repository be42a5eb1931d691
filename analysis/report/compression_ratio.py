"""Compression ratio from volumes that were measured or stated, with its uncertainty.

The ratio is the swept volume and what is left at TDC over what is left at TDC. Left over is the chamber in the head,
the gasket's hole, the room between piston crown and block face (deck), and the piston's dish, less its dome; a crevice
above the first ring where it is known. Volumes cm³, lengths mm.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from analysis.base import Component, EntryError, expand
from analysis.report.reading_off import Figure

CM3_PER_MM3 = 1e-3
_LEAST_RATIO, _MOST_RATIO = 2.0, 40.0
_GASKET_MAY_STAND_IN_MM = 1.0
"""By rounding, or where a bore was opened and its gasket was not; common practice, no source."""


@dataclass(frozen=True, slots=True)
class Typed:
    """A number as typed, and its limit of error (half width): believed evenly within it (GUM 4.3.7)."""

    value: float
    limit: float = 0.0


@dataclass(frozen=True, slots=True)
class Cylinder:
    """What the ratio is made of.

    Attributes
    ----------
    deck_mm
        From the piston's crown at TDC up to the block's face; negative where it stands proud.
    dish_cm3
        Of the piston's crown below its edge; negative for a dome.
    gasket_bore_mm, gasket_mm
        Hole of the gasket, and how thick it is when pressed.
    """

    bore_mm: Typed
    stroke_mm: Typed
    chamber_cm3: Typed
    gasket_mm: Typed = Typed(0.0)
    gasket_bore_mm: Typed | None = None
    deck_mm: Typed = Typed(0.0)
    dish_cm3: Typed = Typed(0.0)
    crevice_cm3: Typed = Typed(0.0)


@dataclass(frozen=True, slots=True)
class Compression:
    """The ratio, its volumes in cm³, and what each line adds to its uncertainty (standard, of the ratio).

    Attributes
    ----------
    without_limit
        What was given without a limit of error: what it is off by is not in the intervals.
    """

    ratio: Figure
    swept_cm3: Figure
    left_cm3: Figure
    budget: tuple[Component, ...]
    without_limit: tuple[str, ...]


def compression(cylinder: Cylinder) -> Compression:
    """Reckon the compression ratio.

    Raises
    ------
    EntryError
        Where a number cannot be, named.

    Examples
    --------
    >>> one = Cylinder(Typed(86.0), Typed(86.0), Typed(50.0), Typed(1.0), Typed(87.0))
    >>> round(compression(one).ratio.value, 3)
    9.929
    """
    _refuse_what_cannot_be(cylinder)
    hole = cylinder.gasket_bore_mm or cylinder.bore_mm
    disc = math.pi / 4.0 * CM3_PER_MM3
    bore, stroke = cylinder.bore_mm.value, cylinder.stroke_mm.value
    swept = disc * bore**2 * stroke
    left = (
        cylinder.chamber_cm3.value
        + disc * hole.value**2 * cylinder.gasket_mm.value
        + disc * bore**2 * cylinder.deck_mm.value
        + cylinder.dish_cm3.value
        + cylinder.crevice_cm3.value
    )
    if left <= 0.0:
        raise EntryError(
            "no_room_at_tdc", f"By these volumes {left:.2f} cm³ are left at TDC; look through their signs."
        )
    ratio = 1.0 + swept / left
    if not _LEAST_RATIO <= ratio <= _MOST_RATIO:
        raise EntryError(
            "hardly_a_ratio",
            f"By these volumes the ratio is {ratio:.1f} to 1; look through them and their units.",
        )
    moves = _moves(cylinder, hole, disc)
    budget = tuple(
        Component(name, abs(by_swept / left - swept / left**2 * by_left) * limit / math.sqrt(3.0))
        for name, limit, by_swept, by_left in moves
        if limit
    )
    return Compression(
        Figure(ratio, expand(budget).expanded if budget else 0.0),
        _sum(swept, [(limit, by_swept) for _, limit, by_swept, _ in moves]),
        _sum(left, [(limit, by_left) for _, limit, _, by_left in moves]),
        budget,
        tuple(name for name, typed, *_ in _limits_of(cylinder) if typed.value and not typed.limit),
    )


def _moves(cylinder: Cylinder, hole: Typed, disc: float) -> list[tuple[str, float, float, float]]:
    """Name, limit, and what one unit more does to the swept volume and to what is left, cm³."""
    bore, stroke = cylinder.bore_mm, cylinder.stroke_mm
    own_hole = cylinder.gasket_bore_mm is None
    round_gasket = 2.0 * disc * hole.value * cylinder.gasket_mm.value
    of_bore = 2.0 * disc * bore.value * cylinder.deck_mm.value + (round_gasket if own_hole else 0.0)
    return [
        ("bore", bore.limit, 2.0 * disc * bore.value * stroke.value, of_bore),
        ("stroke", stroke.limit, disc * bore.value**2, 0.0),
        ("chamber", cylinder.chamber_cm3.limit, 0.0, 1.0),
        ("gasket", cylinder.gasket_mm.limit, 0.0, disc * hole.value**2),
        ("gasket's hole", 0.0 if own_hole else hole.limit, 0.0, round_gasket),
        ("deck", cylinder.deck_mm.limit, 0.0, disc * bore.value**2),
        ("dish", cylinder.dish_cm3.limit, 0.0, 1.0),
        ("crevice", cylinder.crevice_cm3.limit, 0.0, 1.0),
    ]


def _sum(value: float, parts: list[tuple[float, float]]) -> Figure:
    lines = [Component("typed", abs(limit * by) / math.sqrt(3.0)) for limit, by in parts if limit * by]
    return Figure(value, expand(lines).expanded if lines else 0.0)


def _limits_of(cylinder: Cylinder) -> list[tuple[str, Typed, float, float, str]]:
    """Name, what was typed, and between what it may be."""
    hole = cylinder.gasket_bore_mm
    return [
        ("bore", cylinder.bore_mm, 10.0, 1000.0, "mm"),
        ("stroke", cylinder.stroke_mm, 10.0, 3000.0, "mm"),
        ("chamber", cylinder.chamber_cm3, 0.0, 100_000.0, "cm³"),
        ("gasket", cylinder.gasket_mm, 0.0, 20.0, "mm"),
        *([] if hole is None else [("gasket's hole", hole, 10.0, 1100.0, "mm")]),
        ("deck", cylinder.deck_mm, -20.0, 50.0, "mm"),
        ("dish", cylinder.dish_cm3, -10_000.0, 10_000.0, "cm³"),
        ("crevice", cylinder.crevice_cm3, 0.0, 100.0, "cm³"),
    ]


def _refuse_what_cannot_be(cylinder: Cylinder) -> None:
    for name, typed, low, high, unit in _limits_of(cylinder):
        if not (math.isfinite(typed.value) and low <= typed.value <= high):
            raise EntryError(
                "bad_volume",
                f"A {name} of {typed.value:g} {unit} cannot be; give {low:g} to {high:g} {unit}.",
            )
        if not (math.isfinite(typed.limit) and 0.0 <= typed.limit <= max(abs(typed.value), 10.0)):
            raise EntryError(
                "bad_volume",
                f"A limit of error of {typed.limit:g} {unit} for the {name} cannot be; look again.",
            )
    hole, bore = cylinder.gasket_bore_mm, cylinder.bore_mm
    if hole is not None and hole.value < bore.value - _GASKET_MAY_STAND_IN_MM:
        raise EntryError(
            "gasket_in_the_bore",
            f"A gasket's hole of {hole.value:g} mm would stand into a bore of {bore.value:g} mm; measure both across.",
        )
