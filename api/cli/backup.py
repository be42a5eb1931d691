"""``lobewright backup``, ``restore`` and ``verify``: a shop in one file."""

from __future__ import annotations

from pathlib import Path

import click

from api.host import data_option

_file = click.argument("file", type=click.Path(path_type=Path))


@click.command()
@_file
@data_option
@click.option(
    "--keep",
    default=3,
    show_default=True,
    type=click.IntRange(1, 99),
    help="So many backups of this name stay: FILE, FILE.1 before it, FILE.2 before that.",
)
def backup(file: Path, data_dir: Path, keep: int) -> None:
    """Write everything the shop keeps into FILE, proved; capture and service may go on meanwhile."""
    from api.archive import back_up

    manifest = back_up(data_dir, file, keep)
    click.echo(f"{file}: {manifest.contents}, {file.stat().st_size:,} bytes.")


@click.command()
@_file
def verify(file: Path) -> None:
    """Prove that the backup FILE is whole, to the last reading."""
    from api.archive import verify as proved

    manifest = proved(file)
    click.echo(f"{file}: whole, made {manifest.made_at:%Y-%m-%d %H:%M} UTC: {manifest.contents}.")


@click.command()
@_file
@data_option
@click.option("--replace", is_flag=True, help="Set a shop that is there already aside first.")
def restore(file: Path, data_dir: Path, replace: bool) -> None:
    """Prove the backup FILE and put it into a data folder that nothing uses."""
    from api.archive import restore as restored

    manifest, aside = restored(file, data_dir, replace)
    click.echo(f"{data_dir}: {manifest.contents}.")
    if aside is not None:
        click.echo(f"What was there is in {aside}.")
