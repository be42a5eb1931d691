"""``lobewright export`` and ``lobewright import``: traces and jobs out of the shop and into it, no digit lost."""

from __future__ import annotations

import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import click

from api.base import MisuseError, ServiceError, StoreError
from api.host import data_option, running_address


@click.command()
@click.argument("numbers", nargs=-1, type=click.IntRange(1), metavar="[NUMBER]...")
@click.option(
    "--job",
    "jobs",
    multiple=True,
    type=click.IntRange(1),
    metavar="NUMBER",
    help="A whole job with its traces, as one job file; may be given several times.",
)
@click.option("--to", "folder", default=Path(), type=click.Path(path_type=Path), help="Folder to write to.")
@data_option
def export(numbers: tuple[int, ...], jobs: tuple[int, ...], folder: Path, data_dir: Path) -> None:
    """Write traces of the shop as trace files: those of the measurements NUMBER, or all; or whole jobs."""
    if jobs:
        if numbers:
            raise MisuseError("two_things", "name measurements or --job, not both; a job holds its traces.")
        _export_jobs(jobs, folder, data_dir)
        return
    from api.records import MeasurementReader, StoredStreams
    from api.store import ShopReader

    reader = MeasurementReader(ShopReader(data_dir))
    stored = StoredStreams(data_dir)
    chosen = [reader.get(number) for number in numbers] or _all_of(reader)
    if not chosen:
        raise MisuseError("nothing_to_export", f"there are no traces in {data_dir} yet.")
    with _writing_into(folder):
        for measurement in chosen:
            click.echo(str(_write(measurement, stored, folder)))


@contextmanager
def _writing_into(folder: Path) -> Iterator[None]:
    """Make a folder, and say so where nothing can be written there."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        yield
    except urllib.error.URLError:
        raise  # the service's, not the folder's
    except OSError as error:
        raise MisuseError(
            "cannot_write", f"{folder} cannot be written ({error.strerror}); choose another --to."
        ) from None


def _export_jobs(jobs: tuple[int, ...], folder: Path, data_dir: Path) -> None:
    from api.cli.jobs import fetch_job, write_jobs

    with _writing_into(folder):
        address = _running_service(data_dir)
        if address is None:
            for path in write_jobs(jobs, folder, data_dir):
                click.echo(str(path))
            return
        for number in jobs:
            click.echo(str(fetch_job(address, number, folder)))


def _all_of(reader: Any) -> list[Any]:
    found: list[Any] = []
    while some := reader.listed(limit=500, before=found[-1].id if found else None):
        found += some
    return [measurement for measurement in reversed(found) if measurement.state in {"finished", "refused"}]


def _write(measurement: Any, stored: Any, folder: Path) -> Path:
    from api.records import trace_comments, trace_lines, trace_name

    interval = stored.of(measurement)
    path = folder / trace_name(measurement)
    new = path.with_suffix(".new")
    with new.open("w", encoding="utf-8", newline="\n") as file:
        file.writelines(trace_lines(interval.channels(), interval.start_ns, trace_comments(measurement)))
    new.replace(path)
    return path


@click.command("import")
@click.argument("files", nargs=-1, required=True, metavar="FILE...", type=click.Path(path_type=Path))
@click.option(
    "--touches",
    metavar="PART_N",
    help="What the gauge touched, such as piston_1 or inlet_2; left out: as the file says.",
)
@click.option("--gauge", metavar="NAME", help="Which gauge, where a file has several.")
@data_option
def import_(files: tuple[Path, ...], touches: str | None, gauge: str | None, data_dir: Path) -> None:
    """Take trace files into the shop and measure them, and job files whole; a running service takes them."""
    address = _running_service(data_dir)
    failed = False
    for path in files:
        try:
            click.echo(f"{path}: {_take_any(path, touches, gauge, address, data_dir)}")
        except StoreError:
            raise
        except ServiceError as error:
            click.echo(f"lobewright: {path}: {error.message}", err=True)
            failed = True
    if failed:
        raise SystemExit(2)


def _running_service(data_dir: Path) -> str | None:
    """Give the address of the service that uses this folder, if it answers."""
    address = running_address(data_dir)
    if address is None:
        return None
    try:
        with urllib.request.urlopen(f"{address}/api/latest", timeout=5):
            return address
    except (OSError, ValueError):
        return None


def _take_any(path: Path, touches: str | None, gauge: str | None, address: str | None, data_dir: Path) -> str:
    """Take a trace file or a job file, and say as what."""
    from api.archive import looks_like_job_file

    if looks_like_job_file(path):
        from api.cli.jobs import send_job, take_job

        return send_job(address, path) if address else take_job(path, data_dir)
    told = _send(address, path, touches, gauge) if address else _take(path, touches, gauge, data_dir)
    return f"number {told['id']}. {told['sentence']}"


def _take(path: Path, touches: str | None, gauge: str | None, data_dir: Path) -> dict[str, Any]:
    """Import without a service: this process is the shop's one writer meanwhile."""
    from api.archive import import_told
    from api.store import ShopStore

    shop = ShopStore(data_dir)
    try:
        return import_told(path, touches, gauge, shop, data_dir).view().model_dump()
    finally:
        shop.close()


def _send(address: str, path: Path, touches: str | None, gauge: str | None) -> dict[str, Any]:
    """Hand a trace file to the service that runs."""
    from api.host import send_file

    fields = {name: value for name, value in (("touches", touches), ("gauge", gauge)) if value is not None}
    return send_file(f"{address}/api/traces", path, fields)
