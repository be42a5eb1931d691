"""``lobewright ports``: what serial ports there are, what each seems to send, a bench file to start from."""

from __future__ import annotations

import itertools
import time
from dataclasses import dataclass

import click
from serial.tools import list_ports

from capture.bench import GaugeInstrument
from capture.errors import PortBusy, PortError
from capture.frames import CRANK_KINDS, GAUGE_KINDS, Decoder, Frame, make_decoder
from capture.port import Port

BAUDS = (115200, 9600, 57600, 38400, 19200, 4800, 2400)
LISTEN_S = 0.6
ENOUGH_LINES = 4
KINDS = ("count_index", "count_micros", "count", "decimal", "tagged")
assert set(KINDS) <= {*CRANK_KINDS, *GAUGE_KINDS}


@dataclass(frozen=True, slots=True)
class Heard:
    """What was heard on a port: at which speed, which frame kind fits, some lines."""

    port: str
    baud: int
    kind: str
    lines: int
    rate_hz: float
    example: str

    @property
    def is_crank(self) -> bool:
        """A count is the crank's, a decimal a gauge's."""
        return self.kind in CRANK_KINDS


@click.command()
@click.argument("names", nargs=-1, metavar="[PORT]...")
@click.option(
    "--listen",
    "listen_s",
    default=LISTEN_S,
    show_default=True,
    type=click.FloatRange(0.1, 30),
    help="Seconds at each speed.",
)
def ports(names: tuple[str, ...], listen_s: float) -> None:
    """List serial ports and listen on each; PORTs named are listened on in their place.

    Move the crank and the plungers meanwhile. The bench file printed at the end is a start: correct
    counts_per_turn, direction, names, steps.
    """
    found = names or tuple(sorted(port.device for port in list_ports.comports()))
    if not found:
        click.echo(
            "No serial port is there. Plug the instruments in, or name a port: lobewright ports /dev/ttyUSB0"
        )
        return
    heard = [one for name in found if (one := _listen_and_tell(name, listen_s)) is not None]
    if heard:
        click.echo("\nA bench file to start from:\n")
        click.echo("\n".join(bench_lines(heard)))


def _listen_and_tell(name: str, listen_s: float) -> Heard | None:
    try:
        heard = listen(name, listen_s)
    except PortBusy as error:
        click.echo(f"{name}: {error}")
        return None
    except PortError as error:
        click.echo(f"{name}: {error}")
        return None
    if heard is None:
        click.echo(
            f"{name}: silent, or nothing that can be read; a gauge may answer only when asked (`request`)"
        )
        return None
    what = "a counter, " if heard.is_crank else "a gauge, "
    click.echo(
        f"{name}: {what}frame {heard.kind}, {heard.baud} baud, about {heard.rate_hz:.0f} lines/s, "
        f"such as {heard.example!r}"
    )
    return heard


def listen(name: str, listen_s: float) -> Heard | None:
    """Try the usual speeds until lines of a known kind come; raises `PortError`."""
    for baud in BAUDS:
        instrument = GaugeInstrument(port=name, name="heard", baud=baud, frame="decimal")
        with Port(instrument) as port:
            heard = best_kind(name, baud, *_bytes_from(port, listen_s))
        if heard is not None:
            return heard
    return None


def _bytes_from(port: Port, listen_s: float) -> tuple[bytes, float]:
    began = time.monotonic()
    heard = b""
    while (spent := time.monotonic() - began) < listen_s:
        heard += port.read(min(0.1, listen_s - spent))
    return heard, listen_s


def best_kind(name: str, baud: int, heard: bytes, seconds: float) -> Heard | None:
    """Choose the frame kind that reads every line, or nearly."""
    for kind in KINDS:
        decoder = make_decoder(kind)
        frames = decoder.feed(heard)
        if (
            len(frames) >= ENOUGH_LINES
            and len(frames) > 20 * decoder.rejects.rejected
            and _plausible(decoder, frames)
        ):
            text = frames[-1].text.decode("ascii", "replace")
            return Heard(name, baud, kind, len(frames), len(frames) / seconds, text)
    return None


def _plausible(decoder: Decoder, frames: list[Frame]) -> bool:
    """Tell microseconds from an index mark by their growing."""
    micros = [frame.micros for frame in frames if frame.micros is not None]
    return not micros or all(later > earlier for earlier, later in itertools.pairwise(micros))


def bench_lines(heard: list[Heard]) -> list[str]:
    """Write a bench file out of what was heard."""
    lines: list[str] = []
    cranks = [one for one in heard if one.is_crank]
    for one in cranks[:1]:
        lines += [
            "[crank]",
            *_common(one),
            "counts_per_turn = 3600  # check: counts of one whole turn",
            "direction = 1",
            "",
        ]
    for number, one in enumerate([one for one in heard if not one.is_crank], start=1):
        lines += ["[[gauge]]", f'name = "gauge_{number}"', *_common(one), 'unit = "mm"', "sign = 1"]
        lines += ["step_mm = 0.01", ""]
    return lines


def _common(one: Heard) -> list[str]:
    return [f'port = "{one.port}"', f"baud = {one.baud}", 'framing = "8N1"', f'frame = "{one.kind}"']
