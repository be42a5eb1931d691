"""``lobewright report``: runout of a turned part, a timing mark, a strip of degrees, compression."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from api.base import ServiceError, with_service_errors
from api.cli.gauges_of_trace import streams_of
from api.cli.measure import ANGLE, GAUGE_LIMIT, INTERVAL, LAG, Number, Stated, Task, finish
from api.cli.report.tables import compression_table, runout_fields, runout_table
from api.records import Trace

if TYPE_CHECKING:
    from analysis.report import Runout, Typed

_TYPED = re.compile(r"([+-]?\d+(?:[.,]\d+)?)(?:(?:±|\+-)(\d+(?:[.,]\d+)?))?")

T = TypeVar("T")

json_option = click.option("--json", "as_json", is_flag=True, help="One JSON object.")


@click.command("runout")
@click.argument("files", nargs=-1, required=True, metavar="FILE...", type=click.Path(path_type=Path))
@click.option("--gauge", metavar="NAME", help="Which gauge, where a file has several.")
@click.option("--tdc", "tdc_deg", metavar="DEG", type=ANGLE, default=0.0, help="Angles count from there.")
@click.option("--lag", "lag_s", metavar="S", type=LAG, help="Known lag of the gauge behind the encoder, s.")
@click.option("--retrace", "retrace_mm", metavar="MM", type=GAUGE_LIMIT, help="The maker's limit of retrace.")
@click.option("--falls-inward", is_flag=True, help="The reading falls as the plunger goes in.")
@click.option(
    "--most",
    "most_mm",
    metavar="MM",
    type=Number(0.0, 10.0, "mm"),
    help="The maker's limit for the whole swing.",
)
@click.option(
    "--face-diameter-mm",
    "face_diameter_mm",
    metavar="MM",
    type=Number(10.0, 1000.0, "mm"),
    help="The gauge is on a face: diameter of the circle it runs on; tells swash and tilt.",
)
@json_option
def report_runout(
    *,
    files: tuple[Path, ...],
    gauge: str | None,
    tdc_deg: float,
    lag_s: float | None,
    retrace_mm: float | None,
    falls_inward: bool,
    most_mm: float | None,
    face_diameter_mm: float | None,
    as_json: bool,
) -> None:
    """Tell how a journal, flange or face runs out: off its axis, oval, lobed; the crank turned round twice.

    Exit code 0: all told, 1: one or more refused, 2: misused, or a file cannot be read.
    """
    facts, on_face = Stated(lag_s=lag_s, retrace_mm=retrace_mm).gauge_facts, face_diameter_mm is not None

    def find(trace: Trace) -> Runout:
        """How far what was turned runs out."""
        from analysis.report import find_runout

        inward = -1 if falls_inward else 1
        return find_runout(streams_of(trace, gauge), facts, zero_deg=tdc_deg, inward=inward, on_face=on_face)

    task = Task(
        "runout",
        find,
        lambda found: runout_fields(found, face_diameter_mm),
        lambda found: runout_table(found, most_mm, face_diameter_mm),
        as_json,
    )
    finish(files, task)


@click.command("mark")
@click.option(
    "--mark", "mark_deg", type=ANGLE, required=True, metavar="DEG", help="Encoder, mark at pointer."
)
@click.option("--tdc", "tdc_deg", type=ANGLE, required=True, metavar="DEG", help="True TDC, same degrees.")
@click.option(
    "--rim",
    "rim_mm",
    type=Number(20.0, 3000.0, "mm"),
    required=True,
    metavar="MM",
    help="Diameter at the mark.",
)
@click.option(
    "--tdc-error", "tdc_u95_deg", type=INTERVAL, default=0.0, metavar="DEG", help="Interval of true TDC."
)
@json_option
def report_mark(mark_deg: float, tdc_deg: float, rim_mm: float, tdc_u95_deg: float, as_json: bool) -> None:
    """Hold a damper's or flywheel's mark against true TDC: in degrees, and in mm along the rim."""
    from analysis.report import mark_error

    found = _told(lambda: mark_error(mark_deg, tdc_deg, rim_mm, tdc_u95_deg=tdc_u95_deg))
    fields = {"kind": "mark"} | asdict(found) | {"words": found.words}
    click.echo(json.dumps(fields, ensure_ascii=False) if as_json else found.words)


@click.command("strip")
@click.option(
    "--rim",
    "rim_mm",
    type=Number(40.0, 1200.0, "mm"),
    required=True,
    metavar="MM",
    help="Diameter of the bare rim.",
)
@click.option("--anticlockwise", is_flag=True, help="The rim turns anticlockwise as it is read.")
@click.option(
    "--to", "target", required=True, metavar="FILE", type=click.Path(path_type=Path), help="The PDF to write."
)
def report_strip(rim_mm: float, anticlockwise: bool, target: Path) -> None:
    """Write a strip of degrees to print, cut out and stick on a rim, true to scale, as PDF."""
    from api.sheet import degree_strip_pdf

    drawn = _told(lambda: degree_strip_pdf(rim_mm, not anticlockwise))
    try:
        target.write_bytes(drawn)
    except OSError as error:
        raise click.ClickException(f"{target} cannot be written: {error.strerror}.") from None
    click.echo(f"{target}: print at 100 %, and measure its 100 mm rule before it is cut.")


def _typed_option(name: str, text: str, required: bool = False) -> Callable[[Any], Any]:
    return click.option(
        f"--{name}",
        name.replace("-", "_"),
        metavar="N±N",
        required=required,
        help=f"{text}, with ± its limit.",
    )


@click.command("compression")
@_typed_option("bore", "Bore, mm", True)
@_typed_option("stroke", "Stroke, mm", True)
@_typed_option("chamber", "Chamber in the head, cm³", True)
@_typed_option("gasket", "Gasket's thickness when pressed, mm")
@_typed_option("gasket-bore", "Hole of the gasket, mm")
@_typed_option("deck", "Piston below the block's face at TDC, mm; negative: proud of it")
@_typed_option("dish", "Dish in the piston, cm³; negative: a dome")
@_typed_option("crevice", "Room above the first ring, cm³")
@json_option
def report_compression(*, as_json: bool, **typed: str | None) -> None:
    """Reckon the compression ratio from volumes that were measured or stated, with its uncertainty."""
    from analysis.report import Cylinder, compression

    given = {_FIELDS[name]: _read(name, text) for name, text in typed.items() if text is not None}
    found = _told(lambda: compression(Cylinder(**given)))
    if as_json:
        told = {name: asdict(getattr(found, name)) for name in ("ratio", "swept_cm3", "left_cm3")}
        fields = {"kind": "compression"} | told
        lines = [{"source": part.source, "u": part.u} for part in found.budget]
        click.echo(
            json.dumps(fields | {"budget": lines, "without_limit": found.without_limit}, ensure_ascii=False)
        )
    else:
        click.echo("\n".join(compression_table(found)))


_FIELDS = {
    "bore": "bore_mm",
    "stroke": "stroke_mm",
    "chamber": "chamber_cm3",
    "gasket": "gasket_mm",
    "gasket_bore": "gasket_bore_mm",
    "deck": "deck_mm",
    "dish": "dish_cm3",
    "crevice": "crevice_cm3",
}


def _read(name: str, text: str) -> Typed:
    from analysis.report import Typed

    found = _TYPED.fullmatch(text.replace(" ", "").replace("−", "-"))
    if found is None:
        option = name.replace("_", "-")
        raise click.UsageError(f"--{option} {text} is no number; write 86 or 86±0.02.")
    value, limit = (float((part or "0").replace(",", ".")) for part in found.groups())
    return Typed(value, limit)


def _told(call: Callable[[], T]) -> T:
    """Tell what cannot be in one line, exit code 2."""
    try:
        return with_service_errors(call)()
    except ServiceError as error:
        raise click.UsageError(error.message) from None
