"""``lobewright report deck``: deck height of every cylinder, spread and tilt, from readings at two places."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import asdict
from typing import TYPE_CHECKING

import click

from api.base import ServiceError, with_service_errors
from api.cli.measure import Number
from api.cli.report.parts import json_option

if TYPE_CHECKING:
    from analysis.report import CrownReadings, DeckFound, Figure

_CYLINDER = re.compile(r"\s*(\w{1,12})\s*=([^/]+)/([^/]+)")


@click.command("deck")
@click.argument("crowns", nargs=-1, required=True, metavar="CYLINDER=MM/MM...")
@click.option(
    "--spacing",
    "spacing_mm",
    type=Number(5.0, 1000.0, "mm"),
    metavar="MM",
    help="From bore to bore along the block.",
)
@click.option(
    "--apart",
    "apart_mm",
    type=Number(5.0, 1000.0, "mm"),
    metavar="MM",
    help="From one place on the crown to the other.",
)
@click.option("--over-pin", is_flag=True, help="Both places over the pin, where the piston does not rock.")
@click.option(
    "--rocked",
    is_flag=True,
    help="Each place read with the piston rocked one way and the other: MM+MM/MM+MM.",
)
@click.option(
    "--gauge-error", "gauge_mm", type=Number(0.0, 1.0, "mm"), default=0.01, show_default=True, metavar="MM"
)
@click.option(
    "--repeat",
    "repeat_mm",
    type=Number(0.0, 1.0, "mm"),
    default=0.01,
    show_default=True,
    metavar="MM",
    help="Limit of a zero or a reading.",
)
@json_option
def report_deck(
    *,
    crowns: tuple[str, ...],
    spacing_mm: float | None,
    apart_mm: float | None,
    over_pin: bool,
    rocked: bool,
    gauge_mm: float,
    repeat_mm: float,
    as_json: bool,
) -> None:
    """Tell how far each piston stands below the block's face at TDC, the spread, and how the face lies.

    Zero the gauge on the face beside the bore, read the crown at two places as far from its middle: 1=0.31/0.25 is
    cylinder 1, thrust side and other side. Below the face is positive, proud of it negative; several readings at one
    place are joined by +, or by blanks.
    """
    from analysis.report import DeckSettings, deck_heights

    settings = DeckSettings(not over_pin, rocked, apart_mm, gauge_mm, repeat_mm)
    read = [_crown(text, at, spacing_mm) for at, text in enumerate(crowns)]
    try:
        found = with_service_errors(deck_heights)(read, settings)
    except ServiceError as error:
        raise click.UsageError(error.message) from None
    if as_json:
        fields = asdict(found) | {"kind": "deck"}
        for one, cylinder in zip(fields["cylinders"], found.cylinders, strict=True):
            one["for_compression"] = asdict(cylinder.typed)
        click.echo(json.dumps(fields, ensure_ascii=False, allow_nan=False))
    else:
        click.echo("\n".join(_table(found)))


def _crown(text: str, at: int, spacing_mm: float | None) -> CrownReadings:
    from analysis.report import CrownReadings

    found = _CYLINDER.fullmatch(text.replace("−", "-").replace(",", "."))
    if found is None:
        raise click.UsageError(f"{text} is no cylinder with readings at two places; write 1=0.31/0.25.")
    try:
        first, second = (tuple(_numbers(part)) for part in found.groups()[1:])
    except ValueError:
        raise click.UsageError(f"{text} has readings that are no numbers; write 1=0.31/0.25.") from None
    return CrownReadings(found[1], first, second, None if spacing_mm is None else at * spacing_mm)


def _numbers(text: str) -> Iterator[float]:
    for part in text.replace("+", " ").split():
        yield float(part)


def _table(found: DeckFound) -> Iterator[str]:
    for one in found.cylinders:
        stands = "below the face" if one.deck_mm.value >= 0 else "proud of the face"
        yield f"  Cylinder {one.cylinder:<4} {abs(one.deck_mm.value):.3f} ± {one.deck_mm.u95:.3f} mm {stands}"
        if found.settings.across and not found.settings.rocked_both_ways:
            yield f"    leans by {_told(one.leans_mm)} mm, thrust side lower is positive"
        yield f"    for the compression ratio: --deck {one.deck_mm.value:.3f}±{one.typed.limit:.3f}"
    yield f"  Spread {_told(found.spread_mm)} mm, highest to lowest"
    for name, tilt in (("along the block", found.tilt_along), ("across it", found.tilt_across)):
        if tilt is not None:
            seen = "" if tilt.told else ", not told apart from none"
            yield f"  Tilt {name} {_told(tilt)} mm in 100 mm{seen}"
    if found.off_straight_mm is not None:
        yield f"  Off a straight line along the block by {found.off_straight_mm:.3f} mm at most"
    if found.tilt_across is None and found.settings.across:
        yield "  Tilt across: read each place with the piston rocked both ways (--rocked, --apart) to tell it."
    yield "  The engine maker's deck height and piston-to-head clearance come first."


def _told(figure: Figure) -> str:
    return f"{figure.value:.3f} ± {figure.u95:.3f}"
