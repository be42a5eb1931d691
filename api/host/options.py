"""The option that says which shop a command is about."""

from __future__ import annotations

from pathlib import Path

import click

DEFAULT_DATA = Path("lobewright-data")

data_option = click.option(
    "--data",
    "data_dir",
    default=DEFAULT_DATA,
    show_default=True,
    type=click.Path(path_type=Path),
    help="Folder of the shop.",
)
