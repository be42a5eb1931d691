"""``lobewright report``: what kept readings tell of a cam and its fitting, every number with its interval."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from api.base import MisuseError, ServiceError, with_service_errors
from api.cli.gauges_of_trace import streams_of
from api.cli.measure import Stated, Task, finish, found_in, lobe_options
from api.cli.report.deck import report_deck
from api.cli.report.drive import report_drive
from api.cli.report.parts import (
    json_option,
    report_compression,
    report_mark,
    report_runout,
    report_strip,
)
from api.cli.report.piston import report_piston
from api.cli.report.tables import report_table, wear_table
from api.measure import AgainstView, CamReportView, lift_table_of, profile_csv
from api.records import Trace

if TYPE_CHECKING:
    from analysis.report import Against, CamReport, KeptProfile


@click.group()
def report() -> None:
    """Tell what kept readings say of a cam and its fitting, every number with its interval."""


for _part in (
    report_runout,
    report_mark,
    report_strip,
    report_compression,
    report_deck,
    report_drive,
    report_piston,
):
    report.add_command(_part)


@report.command("lobe")
@lobe_options
@click.option("--inch", is_flag=True, help="Lengths in inches, check lifts in inch steps.")
@click.option(
    "--csv-to",
    metavar="FOLDER",
    type=click.Path(path_type=Path, file_okay=False),
    help="Write lift, rate and acceleration by crank and by cam degree there, in mm and in inches.",
)
@json_option
def report_lobe_of(
    *,
    files: tuple[Path, ...],
    gauge: str | None,
    tdc_deg: float,
    stated: Stated,
    inch: bool,
    csv_to: Path | None,
    as_json: bool,
) -> None:
    """Tell lift, duration, area, rates, ramps and symmetry of the lobe that the gauge followed.

    Exit code 0: all told, 1: one or more refused, 2: misused, or a file cannot be read.
    """
    settings, facts = stated.lobe_settings(tdc_deg), stated.gauge_facts
    if csv_to is not None and len({path.stem for path in files}) < len(files):
        raise click.UsageError("two files of one name would write the same tables; report them one by one.")

    def find(trace: Trace) -> CamReport:
        """The cam report of a trace."""
        from analysis.report import report_lobe

        return report_lobe(streams_of(trace, gauge), settings, facts)

    def keep(path: Path, found: CamReport) -> None:
        """Write its tables where a folder was named."""
        if csv_to is not None:
            _write_tables(found, csv_to, path.stem)

    def fields(found: CamReport) -> dict[str, Any]:
        return CamReportView.model_validate(found).model_dump()

    def table(found: CamReport) -> Iterator[str]:
        return report_table(found, inch)

    finish(files, Task("cam_report", find, fields, table, as_json, stated.supposed, keep))


def _write_tables(found: CamReport, folder: Path, name: str) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for by in ("crank", "cam"):
            for unit in ("mm", "in"):
                text = profile_csv(found.profile, by, unit)
                (folder / f"{name}-by-{by}-degree-{unit}.csv").write_text(text, encoding="utf-8", newline="")
    except OSError as error:
        raise MisuseError(
            "cannot_write", f"{folder} cannot be written: {error.strerror}; choose another folder."
        ) from None


@report.command("wear")
@lobe_options
@click.option(
    "--than",
    "others",
    metavar="FILE",
    multiple=True,
    type=click.Path(path_type=Path),
    help="Trace of another lobe, or of the same one earlier. May be given again: the best fit is told first.",
)
@click.option(
    "--than-table",
    "tables",
    metavar="FILE",
    multiple=True,
    type=click.Path(path_type=Path),
    help="A card's lift table: a degree and a lift a line. May be given again.",
)
@click.option(
    "--table-in", type=click.Choice(["mm", "in"]), default="mm", show_default=True, help="Its lifts."
)
@click.option("--table-crank", is_flag=True, help="Its degrees are of the crank, not of the cam.")
@json_option
def report_wear(
    *,
    files: tuple[Path, ...],
    gauge: str | None,
    tdc_deg: float,
    stated: Stated,
    others: tuple[Path, ...],
    tables: tuple[Path, ...],
    table_in: str,
    table_crank: bool,
    as_json: bool,
) -> None:
    """Tell where a lobe's profile differs from another's, or from its card's, by more than chance.

    Exit code 0: all told, 1: one or more refused, 2: misused, or a file cannot be read.
    """
    if not others and not tables:
        raise click.UsageError("nothing to hold it against: give --than or --than-table.")
    settings, facts = stated.lobe_settings(tdc_deg), stated.gauge_facts

    def kept(trace: Trace) -> KeptProfile:
        """The profile of a trace, as it would be kept."""
        from analysis.report import report_lobe

        return report_lobe(streams_of(trace, gauge), settings, facts).kept

    profiles = [(str(path), found_in(path, "wear", kept, as_json=as_json)) for path in others]
    profiles += [(str(path), _table_of(path, table_in, cam_degrees=not table_crank)) for path in tables]

    def find(trace: Trace) -> list[tuple[str, Against]]:
        """How the trace's lobe differs from each of the profiles, the likest first."""
        from analysis.report import against

        own = kept(trace)
        found = [(name, against(own, other)) for name, other in profiles]
        return sorted(found, key=lambda one: one[1].rms_mm)

    def fields(found: list[tuple[str, Against]]) -> dict[str, Any]:
        """The same for programs."""
        told = [{"than": name} | AgainstView.model_validate(one).model_dump() for name, one in found]
        return {"against": told}

    finish(files, Task("wear", find, fields, wear_table, as_json))


def _table_of(path: Path, lifts_in: str, *, cam_degrees: bool) -> KeptProfile:
    from analysis.report import profile_of_table

    try:
        rows = lift_table_of(_text_of(path), lifts_in)
        return with_service_errors(profile_of_table)(rows, cam_degrees=cam_degrees)
    except ServiceError as error:
        raise click.UsageError(f"{path}: {error.message}") from None


def _text_of(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        why = error.strerror if isinstance(error, OSError) else "it is no text in UTF-8"
        raise MisuseError("cannot_read", f"it cannot be read: {why}.") from None
