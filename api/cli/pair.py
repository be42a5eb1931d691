"""``lobewright pair``: show a code at the bench, list the paired screens, revoke them."""

from __future__ import annotations

from pathlib import Path

import click

from api.base import BenchError
from api.host import ask, data_option, running_address


@click.group(invoke_without_command=True)
@data_option
@click.pass_context
def pair(context: click.Context, data_dir: Path) -> None:
    """Show a code with which one more screen may change things at the bench."""
    context.obj = data_dir
    if context.invoked_subcommand is None:
        told = ask(data_dir, "POST", "/api/pairing/code")
        code = told["code"]
        click.echo(f"{code[:4]} {code[4:]}")
        click.echo(
            f"Open /pair on the screen and type this within {told['lives_s'] / 60:.0f} minutes; it works once."
        )


@pair.command()
@click.pass_obj
def link(data_dir: Path) -> None:
    """Print a link that lets a browser of this machine in, once; for a bench run with --own-screen secret."""
    told = ask(data_dir, "POST", "/api/pairing/own_screen")
    click.echo(
        f"Open this on the bench's own machine; it works once:\n{running_address(data_dir)}{told['path']}"
    )


@pair.command("list")
@click.pass_obj
def list_(data_dir: Path) -> None:
    """List the paired screens: number, name, when paired, day last used."""
    from api.web.access import PairedScreens

    screens = PairedScreens(data_dir).listed()
    for one in screens:
        click.echo(f"{one.number:>4}  {one.name:<40}  {one.paired_at:%Y-%m-%d %H:%M}  {one.seen_on}")
    if not screens:
        click.echo(f"No screen is paired in {data_dir}.")


@pair.command()
@click.argument("number", type=click.IntRange(1), required=False)
@click.option("--all", "every", is_flag=True, help="Revoke every screen.")
@click.pass_obj
def revoke(data_dir: Path, number: int | None, every: bool) -> None:
    """Forget screen NUMBER, or all: from then on it may not change anything."""
    from api.web.access import PairedScreens

    if every == (number is not None):
        raise click.UsageError("give the number of one screen (lobewright pair list shows it), or --all.")
    place = "" if number is None else f"/{number}"
    try:
        revoked = ask(data_dir, "DELETE", f"/api/pairing/screens{place}")["revoked"]
    except BenchError:  # no service runs: the list is ours to write
        revoked = PairedScreens(data_dir).revoke(number)
    click.echo(f"{revoked} revoked.")
