"""``lobewright backup``, ``restore`` and ``verify``: a shop in one file, or in an archive."""

from __future__ import annotations

from pathlib import Path

import click

from api.base import MisuseError, StoreError
from api.cli.archive_server import ARCHIVE
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


_file_or_archive = click.argument("file", type=click.Path(path_type=Path), required=False)
TOLD = 20


@click.command()
@_file_or_archive
@ARCHIVE
def verify(file: Path | None, archive_url: str | None) -> None:
    """Prove that the backup FILE, or the archive at URL, is whole, to the last reading."""
    if archive_url is not None:
        _refuse_both(file)
        _verify_archive(archive_url)
        return
    from api.archive import verify as proved

    file = _wanted(file)
    manifest = proved(file)
    click.echo(f"{file}: whole, made {manifest.made_at:%Y-%m-%d %H:%M} UTC: {manifest.contents}.")


def _verify_archive(url: str) -> None:
    from api.forwarding import prove

    proof = prove(url)
    for one in proof.benches:
        click.echo(
            f"{one.bench}: {one.documents:,} documents, {one.blocks:,} blocks with {one.readings:,} readings, "
            f"{one.signoffs:,} sign-offs"
            + (f", the last sealed {one.last_seal[:16]}." if one.signoffs else ".")
        )
    for line in proof.trouble[:TOLD]:
        click.echo(line)
    if proof.trouble:
        raise StoreError(
            "spoilt_archive", f"the archive is not whole: {len(proof.trouble):,} things do not fit."
        )
    click.echo("The archive is whole.")


@click.command()
@_file_or_archive
@ARCHIVE
@click.option("--bench", metavar="NAME", help="Which bench of the archive.")
@data_option
@click.option("--replace", is_flag=True, help="Set a shop that is there already aside first.")
def restore(
    file: Path | None, archive_url: str | None, bench: str | None, data_dir: Path, replace: bool
) -> None:
    """Prove the backup FILE, or what the archive at URL has of a bench, and put it into a folder that nothing uses."""
    if archive_url is not None:
        _refuse_both(file)
        if bench is None or replace:
            raise MisuseError(
                "which_bench", "with --archive say which bench by --bench, and give a new folder by --data."
            )
        from api.forwarding import restore_from_archive

        click.echo(f"{data_dir}: {restore_from_archive(archive_url, bench, data_dir)}.")
        return
    from api.archive import restore as restored

    manifest, aside = restored(_wanted(file), data_dir, replace)
    click.echo(f"{data_dir}: {manifest.contents}.")
    if aside is not None:
        click.echo(f"What was there is in {aside}.")


def _wanted(file: Path | None) -> Path:
    if file is None:
        raise MisuseError("no_backup_named", "name the backup's file, or an archive by --archive.")
    return file


def _refuse_both(file: Path | None) -> None:
    if file is not None:
        raise MisuseError("two_things", "name a backup's file or --archive, not both.")
