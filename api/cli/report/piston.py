"""``lobewright report piston``: valve to piston by the phase of both cams, from traces, a push and the geometry."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from api.base import MisuseError
from api.cli.gauges_of_trace import streams_of
from api.cli.measure import ANGLE, INTERVAL, PIN_OFFSET, ROD, STROKE, Number, Stated, found_in
from api.cli.report.parts import json_option
from api.live import error_fields
from api.records import Trace

if TYPE_CHECKING:
    from analysis.base import LobeSettings, Streams
    from analysis.clearance import CylinderMap, DropMeasured, MapEdge
    from analysis.timing import Engine, StoredLift, Valve

_PUSH = re.compile(r"(\d+(?:[.,]\d+)?)(?:@([+-]?\d+(?:[.,]\d+)?))?")


def _valve_options(valve: str) -> Callable[[Any], Any]:
    """The same four options for either valve."""

    def add(command: Any) -> Any:
        """The command with the options of this valve."""
        for option in (
            click.option(
                f"--{valve}",
                metavar="FILE",
                type=click.Path(path_type=Path),
                help="Trace of its lobe, two turns.",
            ),
            click.option(
                f"--{valve}-push",
                metavar="MM@DEG",
                help="Pushed on by so much until it touched the piston, so far after overlap TDC (0 if left out).",
            ),
            click.option(
                f"--{valve}-least",
                type=Number(0.0, 20.0, "mm"),
                metavar="MM",
                help="The engine maker's least.",
            ),
            click.option(
                f"--{valve}-angle",
                type=Number(0.0, 60.0, "deg"),
                default=0.0,
                show_default=True,
                metavar="DEG",
                help="Between its stem and the bore.",
            ),
        ):
            command = option(command)
        return command

    return add


@click.command("piston")
@_valve_options("inlet")
@_valve_options("exhaust")
@click.option("--stroke", "stroke_mm", type=STROKE, metavar="MM", help="Stroke.")
@click.option("--rod", "rod_mm", type=ROD, metavar="MM", help="Rod, centre to centre.")
@click.option(
    "--pin-offset", "pin_offset_mm", type=PIN_OFFSET, metavar="MM", help="Positive to the thrust side."
)
@click.option("--tdc", "tdc_deg", type=ANGLE, default=0.0, metavar="DEG", help="Overlap TDC in the traces.")
@click.option(
    "--tdc-error", "tdc_u95_deg", type=INTERVAL, default=0.2, metavar="DEG", help="Interval of true TDC."
)
@click.option("--gauge", metavar="NAME", help="Which gauge, where a file has several.")
@json_option
def report_piston(
    *, as_json: bool, gauge: str | None, tdc_deg: float, tdc_u95_deg: float, **asked: Any
) -> None:
    """Map the least clearance of a cylinder's valves to the piston against the phase of both cams.

    Exit code 0: told, 1: refused, 2: misused, or a file cannot be read.
    """
    from analysis.base import Refusal
    from analysis.clearance import Pushed, piston_map

    head = {"kind": "piston"}
    if asked["inlet"] is None and asked["exhaust"] is None:
        raise click.UsageError("no valve to map: give --inlet, --exhaust or both, each with its push.")
    settings = replace(Stated().lobe_settings(tdc_deg), tdc_u_deg=tdc_u95_deg / 2)

    def lift(trace: Trace) -> StoredLift:
        return _lift(streams_of(trace, gauge), settings)

    try:
        valves: tuple[Valve, ...] = ("inlet", "exhaust")
        given = [valve for valve in valves if asked[valve] is not None]
        drops = [_drop(valve, asked) for valve in given]
        lifts = [found_in(asked[valve], "piston", lift, as_json=as_json) for valve in given]
        known = {drop.lobe: Pushed(drop, own, own) for drop, own in zip(drops, lifts, strict=True)}
        (found,) = piston_map(_engine(asked), known, tdc_u_deg=tdc_u95_deg / 2)
        for lobe, why in found.why_not.items():
            if lobe in known:
                raise why
    except MisuseError as error:
        raise click.UsageError(error.message) from None
    except Refusal as refusal:
        fields = head | error_fields(refusal.code, refusal.message)
        told = (
            json.dumps(fields, ensure_ascii=False)
            if as_json
            else f"refused ({refusal.code}). {refusal.message}"
        )
        click.echo(told)
        raise SystemExit(1) from None
    if as_json:
        click.echo(json.dumps(head | _fields(found), ensure_ascii=False, allow_nan=False))
    else:
        click.echo("\n".join(_table(found)))


def _engine(asked: dict[str, Any]) -> Engine:
    from analysis.timing import Cam, Engine

    offset = asked["pin_offset_mm"]
    return Engine(
        "this engine",
        ("1",),
        ("1",),
        (Cam("inlet", ("inlet",)), Cam("exhaust", ("exhaust",))),
        stroke_mm=asked["stroke_mm"],
        rod_mm=asked["rod_mm"],
        pin_offset_mm=offset,
        pin_side_known=offset is not None,
        inlet_to_piston_mm=asked["inlet_least"],
        exhaust_to_piston_mm=asked["exhaust_least"],
    )


def _lift(streams: Streams, settings: LobeSettings) -> StoredLift:
    from analysis.lobe import find_lobe
    from analysis.timing import StoredLift

    found = find_lobe(streams, settings, Stated().gauge_facts)
    assert found.curve is not None
    return StoredLift.of(found.curve)


def _drop(valve: Valve, asked: dict[str, Any]) -> DropMeasured:
    from analysis.clearance import DropMeasured
    from analysis.timing import Lobe

    push_mm, at_deg = _push(valve, asked[f"{valve}_push"])
    return DropMeasured(Lobe("1", valve), at_deg % 720.0, push_mm, valve_angle_deg=asked[f"{valve}_angle"])


def _push(valve: str, text: str | None) -> tuple[float, float]:
    if text is None:
        raise MisuseError(
            "not_pushed",
            f"--{valve}-push is missing: push the valve onto its piston and give the travel, such as 4.2@0.",
        )
    found = _PUSH.fullmatch(text.replace(" ", "").replace("−", "-"))
    if found is None:
        raise MisuseError("not_pushed", f"--{valve}-push {text} is no travel; write 4.2 or 4.2@-10.")
    travel, at = (float((part or "0").replace(",", ".")) for part in found.groups())
    return travel, at


def _edges(found: CylinderMap) -> Iterator[MapEdge]:
    for edge in (found.inlet, found.exhaust):
        if edge is not None:
            yield edge


def _fields(found: CylinderMap) -> dict[str, Any]:
    """Give the map for programs."""

    def wall(edge: MapEdge, side: str) -> dict[str, float | None] | None:
        """Where one side of the map's edge stands, if it does."""
        stands = getattr(edge, side)
        return None if stands is None else {"shift_deg": stands.shift_deg, "sure_deg": stands.sure_deg}

    edges = {
        edge.lobe.valve: {
            "least_mm": edge.now.least_mm,
            "u95_mm": edge.now.u95_mm,
            "at_deg": edge.now.at_deg,
            "minimum_mm": edge.minimum_mm,
            "minimum_from": edge.minimum_from,
            "call": edge.call,
            "earlier": wall(edge, "earlier"),
            "later": wall(edge, "later"),
            "shifts": [
                {"shift_deg": shift, "least_mm": least, "u95_mm": u95, "at_deg": at}
                for shift, least, u95, at in zip(
                    edge.shifts_deg.tolist(),
                    edge.least_mm.tolist(),
                    edge.u95_mm.tolist(),
                    edge.at_deg.tolist(),
                    strict=True,
                )
            ],
            "sentence": edge.sentence,
        }
        for edge in _edges(found)
    }
    return edges | {"spare_mm": found.spare_mm.tolist(), "spare_u95_mm": found.u95_mm.tolist()}


def _table(found: CylinderMap) -> Iterator[str]:
    for edge in _edges(found):
        yield f"  {edge.sentence}"
        rows = zip(edge.shifts_deg, edge.least_mm, edge.u95_mm, strict=True)
        for shift, least, u95 in list(rows)[::5]:
            yield f"    cam {shift:+5.0f} deg  least {least:6.2f} mm ± {u95:.2f}"
    if found.spare_mm.size:
        yield "  Left over the least, mm: down, the inlet cam; across, the exhaust cam (later is positive)"
        shifts = found.inlet.shifts_deg[::5] if found.inlet is not None else ()
        yield "         " + "".join(f"{shift:+7.0f}" for shift in shifts)
        for shift, row in zip(shifts, found.spare_mm[::5], strict=True):
            yield f"    {shift:+5.0f}" + "".join(f"{left:7.2f}" for left in row[::5])
    yield "  Reckoned, not felt: turn it through twice by hand before it runs, and stop at any resistance."
