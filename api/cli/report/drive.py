"""``lobewright report drive``: slack of a cam's drive from a lobe's way back, against an earlier trace."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from api.base import with_service_errors
from api.cli.gauges_of_trace import streams_of
from api.cli.measure import Number, Stated, Task, finish, found_in
from api.cli.report.parts import json_option
from api.records import Trace

if TYPE_CHECKING:
    from analysis.report import CamSlack, DriveLine, SlackSeen


@click.command("drive")
@click.argument("files", nargs=-1, required=True, metavar="FILE...", type=click.Path(path_type=Path))
@click.option(
    "--before", metavar="FILE", type=click.Path(path_type=Path), help="Trace of the same lobe, last time."
)
@click.option("--teeth", type=int, metavar="N", help="Teeth of the crank's sprocket or pulley.")
@click.option(
    "--pitch", "pitch_mm", type=Number(1.0, 60.0, "mm"), metavar="MM", help="Pitch of chain or belt."
)
@click.option("--links", type=int, metavar="N", help="Pitches of the whole chain or belt.")
@click.option("--gauge", metavar="NAME", help="Which gauge, where a file has several.")
@json_option
def report_drive(
    *,
    files: tuple[Path, ...],
    before: Path | None,
    teeth: int | None,
    pitch_mm: float | None,
    links: int | None,
    gauge: str | None,
    as_json: bool,
) -> None:
    """Tell the slack of a cam's drive from a lobe turned forward and some way back: degrees, mm, since last time.

    Exit code 0: all told, 1: one or more refused, 2: misused, or a file cannot be read.
    """
    if (teeth is None) != (pitch_mm is None) or (links is not None and teeth is None):
        raise click.UsageError("give --teeth and --pitch together, and --links only with them.")
    line = _line(teeth, pitch_mm, links)

    def seen(trace: Trace) -> list[SlackSeen]:
        return _seen(trace, gauge)

    then = {} if before is None else {"this": found_in(before, "drive", seen, as_json=as_json)}

    def find(trace: Trace) -> CamSlack:
        """What this trace and those of before tell of the slack."""
        from analysis.report import drive_slack

        return with_service_errors(drive_slack)({"this": seen(trace)}, then, line)[0]

    def fields(found: CamSlack) -> dict[str, Any]:
        return {name: value for name, value in asdict(found).items() if name != "cam"}

    finish(files, Task("drive", find, fields, _table, as_json))


def _line(teeth: int | None, pitch_mm: float | None, links: int | None) -> DriveLine | None:
    from analysis.report import DriveLine

    return None if teeth is None or pitch_mm is None else DriveLine(teeth, pitch_mm, links)


def _seen(trace: Trace, gauge: str | None) -> list[SlackSeen]:
    from analysis.lobe import find_lobe
    from analysis.report import SlackSeen

    found = find_lobe(streams_of(trace, gauge), Stated().lobe_settings(), Stated().gauge_facts)
    if found.slack_deg is None or found.slack_u_deg is None:
        return []
    return [SlackSeen(found.slack_deg, found.slack_u_deg)]


def _table(found: CamSlack) -> Iterator[str]:
    yield f"  {found.sentence}"
    if found.change_mm is not None:
        yield f"  Along the chain or belt {found.change_mm.value:+.2f} ± {found.change_mm.u95:.2f} mm since"
    if found.longer_percent is not None:
        yield f"  That is {found.longer_percent.value:+.3f} ± {found.longer_percent.u95:.3f} % of its length"
    yield "  The tensioner in the same state both times. The engine maker's limit comes first."
