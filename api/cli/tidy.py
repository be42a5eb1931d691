"""``lobewright tidy``: retention by age or size."""

from __future__ import annotations

import re
import time
from pathlib import Path

import click

from api.host import data_option

DAY_NS = 86_400 * 10**9
DAYS = {"d": 1.0, "w": 7.0, "m": 30.44, "y": 365.25}
BYTES = {"": 1, "k": 10**3, "m": 10**6, "g": 10**9, "t": 10**12}


class Age(click.ParamType[float]):
    """A stretch of time such as 5y, 18m, 6w or 90d, in days."""

    name = "AGE"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Read it."""
        found = re.fullmatch(r"(\d{1,5}(?:\.\d+)?)([dwmy])", str(value).strip().lower())
        if found is None:
            self.fail(f"{value!r} is no age; write it as 5y, 18m, 6w or 90d.", param, ctx)
        return float(found[1]) * DAYS[found[2]]


class Size(click.ParamType[int]):
    """A size such as 20GB or 500M, in bytes."""

    name = "SIZE"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> int:
        """Read it."""
        found = re.fullmatch(r"(\d{1,9}(?:\.\d+)?)\s*([kmgt]?)b?", str(value).strip().lower())
        if found is None:
            self.fail(f"{value!r} is no size; write it as 20GB or 500MB.", param, ctx)
        return round(float(found[1]) * BYTES[found[2]])


@click.command()
@click.option("--older-than", "age_days", type=Age(), help="Only what is older, such as 5y, 18m, 6w or 90d.")
@click.option(
    "--down-to",
    "size",
    type=Size(),
    help="The oldest first, until the readings take no more than this: 20GB.",
)
@click.option(
    "--unsigned",
    is_flag=True,
    help="Also the traces of measurements that no signed job holds; left out: only what lies between them.",
)
@click.option("--dry-run", is_flag=True, help="Only say what would go.")
@data_option
def tidy(age_days: float | None, size: int | None, unsigned: bool, dry_run: bool, data_dir: Path) -> None:
    """Remove old readings, never those of a signed job; the service must be stopped meanwhile.

    Numbers, sentences and jobs all stay; only readings go. Make a backup first.
    """
    if age_days is None and size is None:
        raise click.UsageError("say what is old: --older-than 5y, or --down-to 20GB, or both.")
    from api.archive import TidyRules
    from api.archive import tidy as tidied

    before_ns = time.time_ns() - round((age_days or 0.0) * DAY_NS)
    done = tidied(data_dir, TidyRules(before_ns, size or 0, unsigned), dry_run)
    verb = "would go" if dry_run else "went"
    click.echo(
        f"{done.readings:,} readings in {done.blocks:,} blocks {verb}, {done.freed_bytes / 1e6:,.1f} MB; "
        f"{len(done.files)} imported trace files {verb}. {done.left_bytes / 1e6:,.1f} MB of readings stay."
    )
