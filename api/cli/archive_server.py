"""``lobewright archive prepare``: a database made the archive of a shop of several benches."""

from __future__ import annotations

import click

ARCHIVE = click.option(
    "--archive", "archive_url", metavar="URL", help="An archive's address: postgresql://role@host/database."
)


@click.group()
def archive() -> None:
    """One archive on a database server, for a shop of several benches."""


@archive.command("prepare")
@click.option(
    "--archive",
    "archive_url",
    metavar="URL",
    required=True,
    help="Address of an empty database, for the role that owns it: postgresql://owner@host/database.",
)
@click.option(
    "--bench", "benches", multiple=True, metavar="NAME", help="Let a bench in; may be given several times."
)
def prepare_archive(archive_url: str, benches: tuple[str, ...]) -> None:
    """Make a database an archive, bring one up to date, let benches in; again and again does no harm."""
    from api.forwarding import prepare

    done = prepare(archive_url, benches)
    click.echo(f"The archive has version {done.version}.")
    for role in done.new_roles:
        click.echo(f"New role {role}, without a password; give it one: psql, then \\password {role}")
