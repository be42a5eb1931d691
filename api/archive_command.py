"""``lobewright export`` and ``lobewright import``: traces out of the shop and into it, no digit lost."""

from __future__ import annotations

import json
import urllib.error
import urllib.request
import uuid
from pathlib import Path
from typing import Any

import click

from api.errors import MisuseError, ServiceError, StoreError
from api.run import DEFAULT_DATA, WEB_FILE

ANSWER_S = 600.0
_data = click.option(
    "--data",
    "data_dir",
    default=DEFAULT_DATA,
    show_default=True,
    type=click.Path(path_type=Path),
    help="Folder of the shop.",
)


@click.command()
@click.argument("numbers", nargs=-1, type=click.IntRange(1), metavar="[NUMBER]...")
@click.option("--to", "folder", default=Path(), type=click.Path(path_type=Path), help="Folder to write to.")
@_data
def export(numbers: tuple[int, ...], folder: Path, data_dir: Path) -> None:
    """Write traces of the shop as trace files: those of the measurements NUMBER, or all."""
    from api.measurement_store import MeasurementReader
    from api.shop_store import ShopReader
    from api.streams import StoredStreams

    reader = MeasurementReader(ShopReader(data_dir))
    stored = StoredStreams(data_dir)
    chosen = [reader.get(number) for number in numbers] or _all_of(reader)
    if not chosen:
        raise MisuseError("nothing_to_export", f"there are no traces in {data_dir} yet.")
    folder.mkdir(parents=True, exist_ok=True)
    for measurement in chosen:
        click.echo(str(_write(measurement, stored, folder)))


def _all_of(reader: Any) -> list[Any]:
    found: list[Any] = []
    while some := reader.listed(limit=500, before=found[-1].id if found else None):
        found += some
    return [measurement for measurement in reversed(found) if measurement.state in {"finished", "refused"}]


def _write(measurement: Any, stored: Any, folder: Path) -> Path:
    from api.routes_measurements import trace_comments, trace_name
    from api.trace_file import trace_lines

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
@_data
def import_(files: tuple[Path, ...], touches: str | None, gauge: str | None, data_dir: Path) -> None:
    """Take trace files into the shop and measure them; a service that is running takes them itself."""
    address = _running_service(data_dir)
    failed = False
    for path in files:
        try:
            told = _send(address, path, touches, gauge) if address else _take(path, touches, gauge, data_dir)
            click.echo(f"{path}: number {told['id']}. {told['sentence']}")
        except StoreError:
            raise
        except ServiceError as error:
            click.echo(f"lobewright: {path}: {error.message}", err=True)
            failed = True
    if failed:
        raise SystemExit(2)


def _running_service(data_dir: Path) -> str | None:
    """Give the address of the service that uses this folder, if it answers."""
    try:
        address = str(json.loads((data_dir / WEB_FILE).read_text(encoding="utf-8"))["url"])
        with urllib.request.urlopen(f"{address}/api/latest", timeout=5):
            return address
    except (OSError, ValueError, KeyError):
        return None


def _take(path: Path, touches: str | None, gauge: str | None, data_dir: Path) -> dict[str, Any]:
    """Import without a service: this process is the shop's one writer meanwhile."""
    from api.importing import import_told
    from api.shop_store import ShopStore

    shop = ShopStore(data_dir)
    try:
        return import_told(path, touches, gauge, shop, data_dir).view().model_dump()
    finally:
        shop.close()


def _send(address: str, path: Path, touches: str | None, gauge: str | None) -> dict[str, Any]:
    """Hand the file to the service that runs."""
    try:
        content = path.read_bytes()
    except OSError as error:
        raise MisuseError("unreadable_file", f"the file cannot be opened ({error.strerror}).") from None
    boundary = uuid.uuid4().hex
    fields = [(name, value) for name, value in (("touches", touches), ("gauge", gauge)) if value is not None]
    head = "".join(
        f'--{boundary}\r\nContent-Disposition: form-data; name="{name}"\r\n\r\n{value}\r\n'
        for name, value in fields
    )
    head += f'--{boundary}\r\nContent-Disposition: form-data; name="file"; filename="trace.csv"\r\n\r\n'
    request = urllib.request.Request(
        f"{address}/api/traces",
        head.encode() + content + f"\r\n--{boundary}--\r\n".encode(),
        {"Content-Type": f"multipart/form-data; boundary={boundary}"},
    )
    try:
        with urllib.request.urlopen(request, timeout=ANSWER_S) as answer:
            told: dict[str, Any] = json.loads(answer.read())
            return told
    except urllib.error.HTTPError as error:
        told = json.loads(error.read())
        raise MisuseError(told["code"], told["message"]) from None
