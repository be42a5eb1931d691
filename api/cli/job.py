"""``lobewright job``: a job handed from bench to bench by the service that runs here, as on the pages."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from api.host import ask, data_option

ANSWER_S = 600.0
BY = click.option("--by", default="", metavar="NAME", help="Who does it.")


@click.group()
@data_option
@click.pass_context
def job(context: click.Context, data_dir: Path) -> None:
    """Hand a job over to another bench of the archive, take one over, take one back."""
    context.obj = data_dir


@job.command()
@click.pass_obj
def waiting(data_dir: Path) -> None:
    """List the jobs that wait to be taken over: here, and at other benches."""
    shared = ask(data_dir, "GET", "/api/shared")
    for one in shared["coming"]:
        by = f", {one['by']}" if one["by"] else ""
        click.echo(
            f"{one['number']:>6}  {one['reference']}: from the bench {one['bench']}{by}; take it over here."
        )
    for one in shared["offered"]:
        click.echo(f"job {one['job_id']}: waits at the bench {one['bench']}; it can be taken back.")
    if not shared["coming"] and not shared["offered"]:
        others = ", ".join(shared["others"])
        click.echo(f"No job waits. {f'Other benches: {others}.' if others else 'No other bench is known.'}")
    if shared["sentence"]:
        click.echo(shared["sentence"])


@job.command("hand-over")
@click.argument("number", type=click.IntRange(1))
@click.argument("bench")
@BY
@click.pass_obj
def hand_over(data_dir: Path, number: int, bench: str, by: str) -> None:
    """Hand job NUMBER over to the bench BENCH; from then on it is only looked at here."""
    _done(_post(data_dir, f"/api/jobs/{number}/hand_over", {"bench": bench, "by": by}))


@job.command("take-over")
@click.argument("number", type=click.IntRange(1))
@BY
@click.pass_obj
def take_over(data_dir: Path, number: int, by: str) -> None:
    """Take over what another bench has handed to this one; NUMBER as `job waiting` shows it."""
    from urllib.parse import quote

    _done(_post(data_dir, f"/api/shared/jobs/{number}?by={quote(by)}"))


@job.command("take-back")
@click.argument("number", type=click.IntRange(1))
@click.pass_obj
def take_back(data_dir: Path, number: int) -> None:
    """Take back job NUMBER, which the other bench has not taken over yet; it goes on here."""
    _done(_post(data_dir, f"/api/jobs/{number}/take_back"))


def _post(data_dir: Path, path: str, body: Any = None) -> dict[str, Any]:
    return ask(data_dir, "POST", path, body, ANSWER_S)


def _done(told: dict[str, Any]) -> None:
    where = told["held"] or told["came"] or "It goes on here."
    click.echo(f"job {told['id']}, {told['job']['reference']}. {where}")
