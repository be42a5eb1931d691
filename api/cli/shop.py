"""``lobewright shop``: jobs, traces and sheets of all benches of an archive on one page, to look at from any screen."""

from __future__ import annotations

from pathlib import Path

import click

from api.base import DEFAULT_PORT, ServiceConfig
from api.host import THIS_MACHINE

DEFAULT_CACHE = Path("lobewright-shop")


@click.command()
@click.option(
    "--archive",
    "archive_url",
    metavar="URL",
    required=True,
    help="The archive's address, for the role that reads: postgresql://lobewright_reader@host/database.",
)
@click.option(
    "--data",
    "data_dir",
    default=DEFAULT_CACHE,
    show_default=True,
    type=click.Path(path_type=Path),
    help="Folder for the copies of what is looked at; it can be thrown away, they are made again.",
)
@click.option("--host", default=THIS_MACHINE, show_default=True, help="Address to listen on.")
@click.option(
    "--viewing",
    type=click.Choice(["open", "code"]),
    default="code",
    show_default=True,
    help="Whether screens of the network need a code before they may look, or not.",
)
@click.option(
    "--port",
    default=DEFAULT_PORT + 2,
    show_default=True,
    type=click.IntRange(0, 65535),
    help="Port of the pages; 0: any free one.",
)
def shop(archive_url: str, data_dir: Path, host: str, viewing: str, port: int) -> None:
    """Serve what the benches of an archive have measured, to look at only; each bench is written to at the bench."""
    from api.host import serve_pages
    from api.shop import Benches, create_shop_app

    config = ServiceConfig(data_dir, host=host, port=port, viewing_open=viewing == "open", several=True)
    with serve_pages(config) as pages:
        benches = Benches.open(archive_url, data_dir)
        pages.run(create_shop_app(config, benches))
