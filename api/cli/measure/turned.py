"""``lobewright measure turned``: a lobe before and after the encoder was turned round, its error once a turn taken out."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import click

from analysis.base import GaugeFacts, LobeResult, LobeSettings, Refusal, TdcResult, TdcSettings
from analysis.timing import EncoderTurned, FromTdc, encoder_turned, turned_between
from api.base import MisuseError, TraceFileError
from api.cli.gauges_of_trace import streams_of
from api.live import error_fields
from api.records import Trace, read_trace

SAID_BY_BUILDER_U_DEG, SAID_BY_TDC_U_DEG = 10.0, 1.0


@dataclass(frozen=True, slots=True)
class TurnedAsked:
    """What is known of engine, gauge and encoder; `turned_deg` is `None` where true TDC is to tell it."""

    tdc: TdcSettings
    lobe: LobeSettings
    facts: GaugeFacts
    turned_deg: float | None
    supposed: str


@dataclass(frozen=True, slots=True)
class Position:
    """True TDC and the lobe as measured with the encoder in one position."""

    tdc: TdcResult
    lobe: LobeResult

    @property
    def from_tdc(self) -> FromTdc:
        """The lobe's interval taken apart."""
        return FromTdc.of(self.lobe.centre_deg, self.lobe.u95_deg, self.lobe.budget)

    def fields(self) -> dict[str, float]:
        """What is told of it."""
        return {
            "tdc_deg": self.tdc.centre_deg,
            "centre_deg": self.lobe.centre_deg,
            "u95_deg": self.lobe.u95_deg,
            "lag_s": self.lobe.lag_s,
        }


def finish_turned(
    files: tuple[Path, ...], gauges: tuple[str | None, str | None], asked: TurnedAsked, *, as_json: bool
) -> None:
    """Measure, print what came out, and leave with the exit code it asks for."""
    head: dict[str, Any] = {"files": [str(path) for path in files], "kind": "turned"}
    try:
        before, after = (_position(*pair, gauges, asked) for pair in _pairs(files))
        turned_deg, found = _found(before, after, asked)
    except (TraceFileError, MisuseError) as error:
        click.echo(f"lobewright: {error.message}", err=True)
        _echo(head | error_fields(error.code, error.message), as_json)
        raise SystemExit(2) from None
    except Refusal as refusal:
        if not as_json:
            click.echo(f"refused ({refusal.code}). {refusal.message}")
        _echo(head | error_fields(refusal.code, refusal.message), as_json)
        raise SystemExit(1) from None
    if not as_json:
        click.echo("\n".join(_table(before, after, turned_deg, found, asked)))
    _echo(head | _fields(before, after, turned_deg, found, asked), as_json)


def _pairs(files: tuple[Path, ...]) -> tuple[tuple[Path, Path], tuple[Path, Path]]:
    """Piston and lobe of each position; one file may hold both."""
    if len(files) == 2:
        return (files[0], files[0]), (files[1], files[1])
    if len(files) == 4:
        return (files[0], files[1]), (files[2], files[3])
    raise MisuseError(
        "which_files",
        f"{len(files)} files were given; give piston and lobe before and after, four, or one file before and one "
        "after, each with both gauges.",
    )


def _position(
    piston: Path, lobe: Path, gauges: tuple[str | None, str | None], asked: TurnedAsked
) -> Position:
    from analysis.lobe import find_lobe
    from analysis.tdc import find_tdc

    on_piston, on_valve = (read_trace(piston), read_trace(lobe))
    names = (_gauge(on_piston, gauges[0], piston, "--piston"), _gauge(on_valve, gauges[1], lobe, "--valve"))
    if piston == lobe and names[0] == names[1]:
        raise MisuseError(
            "named_twice", f"{piston}: gauge {names[0]} cannot stand in two places; name both gauges."
        )
    facts, same = asked.facts, names[0] == names[1]
    tdc = find_tdc(streams_of(on_piston, names[0]), asked.tdc, facts)
    settings = replace(asked.lobe, tdc_deg=tdc.centre_deg, tdc_u_deg=0.5 * tdc.u95_deg)
    known = _as_found(facts, tdc) if same else facts
    return Position(tdc, find_lobe(streams_of(on_valve, names[1]), settings, known))


def _gauge(trace: Trace, name: str | None, path: Path, option: str) -> str:
    there = sorted(trace.gauges)
    if name is None and len(there) > 1:
        raise MisuseError(
            "which_gauge", f"{path}: the gauges are {', '.join(there)}; choose one with {option}."
        )
    return there[0] if name is None else name


def _as_found(facts: GaugeFacts, tdc: TdcResult) -> GaugeFacts:
    """What true TDC tells of the gauge that then stood on the lobe; a lag that was given goes before."""
    found = replace(
        facts,
        found_retrace_mm=tdc.retrace_mm,
        found_retrace_u_mm=tdc.retrace_u_mm,
        jitter_s=tdc.jitter_s,
        tick_s=tdc.tick_s,
    )
    return found if facts.lag_s is not None else replace(found, lag_s=tdc.lag_s, lag_u_s=tdc.lag_u_s)


def _found(before: Position, after: Position, asked: TurnedAsked) -> tuple[float, EncoderTurned]:
    turned_deg, u_deg = asked.turned_deg, SAID_BY_BUILDER_U_DEG
    if turned_deg is None:
        turned_deg = turned_between(before.tdc.centre_deg, after.tdc.centre_deg)
        u_deg = SAID_BY_TDC_U_DEG
    limit_deg = asked.lobe.encoder_error_deg
    return turned_deg, encoder_turned(
        before.from_tdc, after.from_tdc, limit_deg=limit_deg, turned_deg=turned_deg, turned_u_deg=u_deg
    )


def _fields(
    before: Position, after: Position, turned_deg: float, found: EncoderTurned, asked: TurnedAsked
) -> dict[str, Any]:
    return {
        "centre_deg": found.centre_deg,
        "drop_mm": asked.lobe.drop_mm,
        "u95_deg": found.u95_deg,
        "odd_deg": found.odd_deg,
        "odd_u95_deg": found.odd_u95_deg,
        "turned_deg": turned_deg,
        "before": before.fields(),
        "after": after.fields(),
        "sentence": found.sentence,
    }


def _table(
    before: Position, after: Position, turned_deg: float, found: EncoderTurned, asked: TurnedAsked
) -> Iterator[str]:
    yield (
        f"  Lobe centre       {found.centre_deg:9.3f} deg   ± {found.u95_deg:.3f} deg (k = 2), "
        f"at {asked.lobe.drop_mm:g} mm drop"
    )
    for name, one in (("before", before), ("after", after)):
        yield f"    {name:<7} alone  {one.lobe.centre_deg:9.3f} deg   ± {one.lobe.u95_deg:.3f} deg"
    yield f"  Encoder turned by {turned_deg:9.1f} deg"
    yield f"  {found.sentence}"
    if asked.supposed:
        yield asked.supposed


def _echo(fields: dict[str, Any], as_json: bool) -> None:
    if as_json:
        click.echo(json.dumps(fields, ensure_ascii=False, allow_nan=False))
