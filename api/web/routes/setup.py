"""``/api/setup``: a bench set up from a page: ports listed, the one that moves named, a bench file made."""

from __future__ import annotations

import asyncio
import os
import re
from typing import Annotated

from fastapi import APIRouter, Depends
from fastapi.responses import Response
from pydantic import BaseModel, ConfigDict, Field

from api.base import RESPONSES, MisuseError
from api.service import MOST_PORTS, Service, listen, mover, the_service, verdict
from capture.base import BenchFileError
from capture.bench import load_bench, parse_bench
from capture.port import listed_ports

router = APIRouter(prefix="/api/setup", tags=["setting up a bench"], responses=RESPONSES)
TheService = Annotated[Service, Depends(the_service)]
PortName = Annotated[str, Field(min_length=1, max_length=200)]
_LISTENED_TO = re.compile(r"/\S+|COM\d{1,3}|\\\\\.\\COM\d{1,3}|(socket|rfc2217)://[^\s?]+", re.IGNORECASE)
"""A device or a serial server; other kinds of address that a bench file may name could write to files."""


class PortView(BaseModel):
    """A serial port; `used_by` names the instrument that the running bench reads there."""

    name: str
    description: str
    used_by: str


class PortsView(BaseModel):
    """The serial ports of this machine, each by the name that stays with its device."""

    ports: list[PortView]


class ListenEntry(BaseModel):
    """Which ports to listen to, and for how long."""

    model_config = ConfigDict(extra="forbid")

    ports: Annotated[list[PortName], Field(min_length=1, max_length=MOST_PORTS)]
    seconds: Annotated[float, Field(ge=0.5, le=20)] = 5.0


class HeardView(BaseModel):
    """What one port said: `travel` in counts, or in units of the gauge's last decimal."""

    name: str
    quantity: str
    frame: str
    baud: int
    framing: str
    first: float | None
    last: float | None
    travel: float
    moved: bool
    lines: list[str]
    sentence: str


class ListenView(BaseModel):
    """All that was heard, and the one port that moved, where it can be told."""

    ports: list[HeardView]
    mover: str
    sentence: str


class EncoderEntry(BaseModel):
    """The encoder as it will stand in the bench file."""

    model_config = ConfigDict(extra="forbid")

    port: PortName
    baud: int
    framing: str = "8N1"
    frame: str
    counts_per_turn: int
    crank_teeth: int = 1
    shaft_teeth: int = 1
    direction: int = 1


class GaugeEntry(BaseModel):
    """A gauge as it will stand in the bench file."""

    model_config = ConfigDict(extra="forbid")

    name: Annotated[str, Field(min_length=1, max_length=32)]
    port: PortName
    baud: int
    framing: str = "8N1"
    frame: str
    unit: str = "mm"
    sign: int = 1


class BenchEntry(BaseModel):
    """A bench: one encoder, any number of gauges."""

    model_config = ConfigDict(extra="forbid")

    crank: EncoderEntry | None = None
    gauges: Annotated[list[GaugeEntry], Field(max_length=MOST_PORTS)] = []


@router.get("/ports")
async def list_ports(service: TheService) -> PortsView:
    """List the serial ports of this machine, and which of them the running bench reads."""
    ports, used = await asyncio.to_thread(lambda: (listed_ports(), _used(service)))
    return PortsView(
        ports=[
            PortView(
                name=port.name,
                description=port.description,
                used_by=used.get(os.path.realpath(port.name), ""),
            )
            for port in ports
        ]
    )


@router.post("/listen")
async def listen_to_ports(entry: ListenEntry) -> ListenView:
    """Listen to ports while somebody turns the crank or pushes a plunger, and say which one moved.

    Nothing is sent to them. A port that another program has, the running bench included, says so.
    """
    for name in entry.ports:
        if not _LISTENED_TO.fullmatch(name):
            raise MisuseError(
                "no_port",
                f"{name!r} is not the name of a port; write a device such as /dev/ttyUSB0, COM5, or socket://host:port.",
            )
    heard = await asyncio.to_thread(listen, list(dict.fromkeys(entry.ports)), entry.seconds)
    one = mover(heard)
    return ListenView(
        ports=[HeardView.model_validate(port, from_attributes=True) for port in heard],
        mover="" if one is None else one.name,
        sentence=verdict(heard),
    )


@router.post("/bench_file", response_class=Response)
async def make_bench_file(entry: BenchEntry) -> Response:
    """Make a bench file of instruments that were found, checked as the program checks it when it starts."""
    text = bench_text(entry)
    try:
        parse_bench(text.encode())
    except BenchFileError as error:
        raise MisuseError("bad_bench", " ".join(f"{one.rstrip('.')}." for one in error.problems)) from error
    return Response(
        text,
        media_type="application/toml",
        headers={"Content-Disposition": 'attachment; filename="bench.toml"'},
    )


def bench_text(entry: BenchEntry) -> str:
    """Write a bench file."""
    parts = [
        "# Made from what the ports sent. Check every figure against what is written on the instruments."
    ]
    if entry.crank is not None:
        parts.append("[crank]\n" + _lines(entry.crank.model_dump()))
    parts += ["[[gauge]]\n" + _lines(gauge.model_dump()) for gauge in entry.gauges]
    return "\n\n".join(parts) + "\n"


def _lines(fields: dict[str, str | int]) -> str:
    return "\n".join(
        f"{name} = {_quoted(value) if isinstance(value, str) else value}" for name, value in fields.items()
    )


def _quoted(text: str) -> str:
    """Write a TOML string; what would need escaping beyond these two is refused by the bench's own check."""
    plain = "".join(character for character in text if character.isprintable())
    return '"' + plain.replace("\\", "\\\\").replace('"', '\\"') + '"'


def _used(service: Service) -> dict[str, str]:
    """Give which port each instrument of the running bench is on."""
    if service.config.bench_file is None:
        return {}
    try:
        bench = load_bench(service.config.bench_file)
    except BenchFileError:
        return {}
    return {
        os.path.realpath(instrument.port): getattr(instrument, "name", "crank")
        for instrument in bench.instruments
    }
