"""``lobewright measure``: true TDC, a lobe, or both together out of trace files, as JSON or as a table for people."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from analysis.base import (
    USUAL_ENCODER_ERROR_DEG,
    USUAL_GAUGE_ERROR_MM,
    USUAL_RETRACE_MM,
    LobeResult,
    Refusal,
    TdcResult,
)
from api.base import MisuseError, TraceFileError
from api.cli.gauges_of_trace import gauges_of, streams_of
from api.cli.measure.asked import STANDARD_DROP_MM, Command, Stated, stating
from api.cli.measure.numbers import ANGLE, GAUGE_LIMIT, INTERVAL, LAG, PIN_OFFSET, ROD, STROKE, Number
from api.cli.measure.tables import result_table, together_table
from api.live import error_fields, result_fields, together_fields
from api.records import CRANK, Trace, read_trace

if TYPE_CHECKING:
    from analysis.together import TogetherResult

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Task:
    """What is asked of every file of one call, and how its answer is told: to programs, to people, and into files."""

    kind: str
    find: Callable[[Trace], Any]
    fields: Callable[[Any], dict[str, Any]]
    table: Callable[[Any], Iterator[str]]
    as_json: bool
    supposed: str = ""
    keep: Callable[[Path, Any], None] | None = None


@click.group()
def measure() -> None:
    """Find true TDC, a lobe's centre, or both together in trace files."""


_files = click.argument("files", nargs=-1, required=True, metavar="FILE...", type=click.Path(path_type=Path))
_gauge = click.option("--gauge", metavar="NAME", help="Which gauge, where a file has several.")
_lag = click.option(
    "--lag", "lag_s", metavar="S", type=LAG, help="Known lag of the gauge behind the encoder, s."
)
_gauge_error = click.option(
    "--gauge-error",
    "error_mm",
    metavar="MM",
    type=GAUGE_LIMIT,
    help=f"The maker's limit of error over the gauge's travel; left out: {USUAL_GAUGE_ERROR_MM:g}, as JIS B 7503 has "
    "it for 30 mm.",
)
_retrace = click.option(
    "--retrace",
    "retrace_mm",
    metavar="MM",
    type=GAUGE_LIMIT,
    help=f"The maker's limit of retrace; left out: {USUAL_RETRACE_MM:g}, as JIS B 7503 has it for 30 mm.",
)
_found_retrace = click.option(
    "--found-retrace",
    "found_retrace_mm",
    metavar="MM",
    type=GAUGE_LIMIT,
    help="Retrace found with this gauge, as `measure tdc` tells it: it is taken out.",
)
_encoder_error = click.option(
    "--encoder-error",
    "encoder_error_deg",
    metavar="DEG",
    type=INTERVAL,
    help=f"The encoder's limit of error over its turn; left out: {USUAL_ENCODER_ERROR_DEG:g} is supposed.",
)
_stroke = click.option("--stroke", "stroke_mm", metavar="MM", type=STROKE, help="Stroke.")
_rod = click.option("--rod", "rod_mm", metavar="MM", type=ROD, help="Rod length between centres.")
_pin_offset = click.option(
    "--pin-offset",
    "pin_offset_mm",
    metavar="MM",
    type=PIN_OFFSET,
    help="Pin offset; positive is towards the (major) thrust side, the left of an engine seen turning clockwise: "
    "the highest point then comes before the throw stands upright. A crank offset counts the other way round.",
)
_drop = click.option(
    "--drop",
    "drop_mm",
    metavar="MM",
    type=Number(0.01, 50.0, "mm"),
    default=STANDARD_DROP_MM,
    show_default=True,
    help="Drop below full lift.",
)
_check_lift = click.option(
    "--check-lift",
    "check_lifts_mm",
    metavar="MM",
    type=Number(0.005, 50.0, "mm"),
    multiple=True,
    help="May be given again.",
)
_tdc = click.option(
    "--tdc", "tdc_deg", metavar="DEG", type=ANGLE, default=0.0, help="True TDC in the file's degrees."
)
_json = click.option("--json", "as_json", is_flag=True, help="One JSON object a line a file.")
_of_both = stating(_stroke, _rod, _pin_offset, _lag, _gauge_error, _retrace, _encoder_error)
_of_a_lobe = stating(_lag, _gauge_error, _retrace, _found_retrace, _encoder_error)


@measure.command()
@_files
@_gauge
@_of_both
@_json
def tdc(
    *,
    files: tuple[Path, ...],
    gauge: str | None,
    stated: Stated,
    as_json: bool,
) -> None:
    """Find true TDC of the piston that the gauge stands on.

    Stroke, rod and pin offset help but are not needed. Exit code 0: all measured, 1: one or more refused,
    2: misused, or a file cannot be read.
    """
    settings, facts = stated.tdc_settings, stated.gauge_facts

    def find(trace: Trace) -> TdcResult:
        """True TDC of a trace, with what was stated of gauge and engine."""
        from analysis.tdc import find_tdc

        return find_tdc(streams_of(trace, gauge), settings, facts)

    finish(files, Task("tdc", find, result_fields, result_table, as_json, stated.supposed))


def lobe_options(command: Command) -> Command:
    """Add the options of everything that is read off a lobe: which gauge, true TDC, and the makers' limits."""
    return _files(_gauge(_tdc(_of_a_lobe(command))))


@measure.command()
@lobe_options
@_drop
@_check_lift
@_json
def lobe(
    *,
    files: tuple[Path, ...],
    gauge: str | None,
    tdc_deg: float,
    stated: Stated,
    drop_mm: float,
    check_lifts_mm: tuple[float, ...],
    as_json: bool,
) -> None:
    """Find the centre, lift, opening and closing of the lobe that the gauge follows.

    Exit code 0: all measured, 1: one or more refused, 2: misused, or a file cannot be read.
    """
    settings, facts = stated.lobe_settings(tdc_deg, drop_mm, check_lifts_mm), stated.gauge_facts

    def find(trace: Trace) -> LobeResult:
        """A lobe of a trace, from the TDC that was given."""
        from analysis.lobe import find_lobe

        return find_lobe(streams_of(trace, gauge), settings, facts)

    finish(files, Task("lobe", find, result_fields, result_table, as_json, stated.supposed))


@measure.command()
@_files
@click.option("--piston", metavar="NAME", default="piston", show_default=True, help="Gauge on the piston.")
@click.option("--inlet", metavar="NAME", multiple=True, help="Gauge on an inlet valve; may be given again.")
@click.option(
    "--exhaust", metavar="NAME", multiple=True, help="Gauge on an exhaust valve; may be given again."
)
@click.option(
    "--alike", is_flag=True, help="The gauges are of one kind and read in one way: they share a lag."
)
@_of_both
@_drop
@_check_lift
@_json
def together(
    *,
    files: tuple[Path, ...],
    piston: str,
    inlet: tuple[str, ...],
    exhaust: tuple[str, ...],
    alike: bool,
    stated: Stated,
    drop_mm: float,
    check_lifts_mm: tuple[float, ...],
    as_json: bool,
) -> None:
    """Find true TDC and lobes from gauges that were read in the same turns.

    One gauge stands on the piston, the others on valves of the same cylinder; gauges named piston, inlet and
    exhaust need not be told. Lobes are told from overlap TDC, with the separation between them.

    Exit code 0: all measured, 1: one or more refused, 2: misused, or a file cannot be read.
    """
    engine, asked = stated.tdc_settings, stated.lobe_settings(0.0, drop_mm, check_lifts_mm)
    facts = stated.gauge_facts

    def find(trace: Trace) -> TogetherResult:
        """True TDC and both lobes of one trace."""
        from analysis.together import USUAL_UNLIKE_S, TogetherSettings, find_together

        crank = trace.channels[CRANK]
        settings = TogetherSettings(engine, asked, USUAL_UNLIKE_S if alike else None)
        gauges = gauges_of(trace, piston, inlet, exhaust, facts)
        return find_together(crank.time_s, crank.value, gauges, settings)

    finish(files, Task("together", find, together_fields, together_table, as_json, stated.supposed))


@measure.command()
@_files
@click.option("--piston", metavar="NAME", help="Gauge on the piston, where a file has several.")
@click.option("--valve", metavar="NAME", help="Gauge on the valve, where a file has several.")
@click.option(
    "--turned",
    "turned_deg",
    metavar="DEG",
    type=Number(-720.0, 720.0, "deg"),
    help="By how much the encoder was turned on the crank; left out: as true TDC before and after tells.",
)
@_of_both
@_drop
@_json
def turned(
    *,
    files: tuple[Path, ...],
    piston: str | None,
    valve: str | None,
    turned_deg: float | None,
    stated: Stated,
    drop_mm: float,
    as_json: bool,
) -> None:
    """Take an encoder's error once a turn out of a lobe, measured before and after the encoder was turned round.

    Turn the encoder's body, or its coupling, on the crank by about half a turn, and measure true TDC and the same lobe
    again. FILES are piston and lobe before, piston and lobe after; or one file before and one after, each with a gauge
    on the piston and one on the valve.

    Exit code 0: measured, 1: refused, 2: misused, or a file cannot be read.
    """
    from api.cli.measure.turned import TurnedAsked, finish_turned

    asked = TurnedAsked(
        tdc=stated.tdc_settings,
        lobe=stated.lobe_settings(0.0, drop_mm),
        facts=stated.gauge_facts,
        turned_deg=turned_deg,
        supposed=stated.supposed,
    )
    finish_turned(files, (piston, valve), asked, as_json=as_json)


def finish(files: tuple[Path, ...], task: Task) -> None:
    """Measure every file, print what came out, and leave with the exit code it asks for."""
    worst = max(_measure_file(path, task) for path in files)
    if worst:
        raise SystemExit(worst)


def _measure_file(path: Path, task: Task) -> int:
    """Measure one file, print what came out, and return the exit code it asks for."""

    def find_and_keep(trace: Trace) -> Any:
        """Find it, and write down beside the trace what is to be kept."""
        result = task.find(trace)
        if task.keep is not None:
            task.keep(path, result)
        return result

    try:
        result = found_in(path, task.kind, find_and_keep, as_json=task.as_json)
    except SystemExit as left:
        return int(left.code or 0)
    if task.as_json:
        _echo_json({"file": str(path), "kind": task.kind} | task.fields(result))
    else:
        click.echo("\n".join((str(path), *task.table(result), *filter(None, [task.supposed]), "")))
    return 0


def found_in(path: Path, kind: str, find: Callable[[Trace], T], *, as_json: bool) -> T:
    """Return what is found in one file; where that cannot be, say so by the file's name and leave: 1 refused, 2 misused."""
    head = {"file": str(path), "kind": kind}
    try:
        return find(read_trace(path))
    except (TraceFileError, MisuseError) as error:
        click.echo(f"lobewright: {path}: {error.message}", err=True)
        if as_json:
            _echo_json(head | error_fields(error.code, error.message))
        raise SystemExit(2) from None
    except Refusal as refusal:
        if as_json:
            _echo_json(head | error_fields(refusal.code, refusal.message))
        else:
            click.echo(f"{path}: refused ({refusal.code}). {refusal.message}")
        raise SystemExit(1) from None


def _echo_json(fields: dict[str, Any]) -> None:
    click.echo(json.dumps(fields, ensure_ascii=False, allow_nan=False))
