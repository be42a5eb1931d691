"""``lobewright service install``: the files that make the bench a service of the machine, for review."""

from __future__ import annotations

import getpass
from pathlib import Path

import click

from api.base import DEFAULT_PORT


@click.group()
def service() -> None:
    """Make the bench a service that starts with the machine and that people forget is there."""


@service.command()
@click.option("--bench", "bench_file", required=True, type=click.Path(path_type=Path), help="The bench file.")
@click.option(
    "--data",
    "data_dir",
    default=Path("/var/lib/lobewright"),
    show_default=True,
    type=click.Path(path_type=Path),
    help="Folder for everything kept.",
)
@click.option(
    "--to",
    "folder",
    default=Path("lobewright-service"),
    show_default=True,
    type=click.Path(path_type=Path),
    help="Folder to write the two files to.",
)
@click.option("--user", help="Account to run under; left out: this one.")
@click.option("--group", default="dialout", show_default=True, help="Group that serial devices belong to.")
@click.option("--shop", is_flag=True, help="Serve the shop's network.")
@click.option("--viewing", type=click.Choice(["open", "code"]), default="open", show_default=True)
@click.option(
    "--own-screen",
    type=click.Choice(["open", "secret"]),
    default="secret",
    show_default=True,
    help="Whether every browser of this machine may do everything, or one let in by a link.",
)
@click.option("--port", default=DEFAULT_PORT, show_default=True, type=click.IntRange(1, 65535))
def install(
    bench_file: Path,
    data_dir: Path,
    folder: Path,
    user: str | None,
    group: str,
    shop: bool,
    viewing: str,
    own_screen: str,
    port: int,
) -> None:
    """Write a systemd unit and a udev rule for you to read, and say what to do with them.

    Needs no root, and installs nothing.
    """
    from api.host import Installation, check_bench, write_for_review

    if bench_file.exists():
        check_bench(bench_file)
    wanted = Installation(
        bench_file,
        data_dir,
        user or getpass.getuser(),
        group,
        shop=shop,
        viewing=viewing,
        port=port,
        own_screen=own_screen,
    )
    for line in write_for_review(wanted, folder):
        click.echo(line)
