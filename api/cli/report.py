"""``lobewright report``: what kept readings tell of a cam and its fitting, every number with its interval."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from api.base import MisuseError
from api.cli.gauges_of_trace import streams_of
from api.cli.measure import Task, finish, gauge_facts, lobe_options, lobe_settings, supposed_limits
from api.cli.report_tables import report_table
from api.measure import profile_csv, report_view
from api.store import Trace

if TYPE_CHECKING:
    from analysis.report import CamReport

STANDARD_DROP_MM = 1.27


@click.group()
def report() -> None:
    """Tell what kept readings say of a cam and its fitting, every number with its interval."""


json_option = click.option("--json", "as_json", is_flag=True, help="One JSON object a line a file.")


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
    lag_s: float | None,
    error_mm: float | None,
    retrace_mm: float | None,
    found_retrace_mm: float | None,
    encoder_error_deg: float | None,
    inch: bool,
    csv_to: Path | None,
    as_json: bool,
) -> None:
    """Tell lift, duration, area, rates, ramps and symmetry of the lobe that the gauge followed.

    Exit code 0: all told, 1: one or more refused, 2: misused, or a file cannot be read.
    """
    settings = lobe_settings(tdc_deg, STANDARD_DROP_MM, (), encoder_error_deg)
    facts = gauge_facts(lag_s, error_mm, retrace_mm, found_retrace_mm)
    retrace_known = retrace_mm if found_retrace_mm is None else found_retrace_mm
    supposed = supposed_limits(error_mm, retrace_known, encoder_error_deg)
    names = iter(files)

    def find(trace: Trace) -> CamReport:
        from analysis.report import report_lobe

        name = next(names).stem
        found = report_lobe(streams_of(trace, gauge), settings, facts)
        if csv_to is not None:
            _write_tables(found, csv_to, name)
        return found

    def fields(found: CamReport) -> dict[str, Any]:
        return report_view(found).model_dump()

    finish(
        files, Task("cam_report", find, fields, lambda found: report_table(found, inch), as_json, supposed)
    )


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
