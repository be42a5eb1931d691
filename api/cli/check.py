"""``lobewright check``: what is wrong with this bench, in plain words."""

from __future__ import annotations

import json
from pathlib import Path

import click

from api.host import data_option


@click.command()
@click.option("--bench", "bench_file", type=click.Path(path_type=Path), help="The bench file.")
@data_option
@click.option("--thorough", is_flag=True, help="Read the databases to the last byte; may take minutes.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object a line.")
def check(bench_file: Path | None, data_dir: Path, thorough: bool, as_json: bool) -> None:
    """Look at ports, permissions, bench file, disk, clock, databases and service; change nothing.

    Each line begins with ok, mind or wrong. The exit code is 1 where anything is wrong, else 0.
    """
    from api.host import State, self_test

    wrong = 0
    for one in self_test(data_dir, bench_file, thorough):
        wrong += one.state is State.WRONG
        if as_json:
            click.echo(json.dumps(one._asdict(), ensure_ascii=False))
        else:
            click.echo(f"{one.state:<6} {one.topic:<16} {one.sentence}")
    if not as_json:
        click.echo(f"{wrong} wrong." if wrong else "Nothing is wrong.")
    if wrong:
        raise SystemExit(1)
