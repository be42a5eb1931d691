"""Which serial ports there are, what each seems to send, and a bench file to start from.

Only listens: nothing is ever sent to a device that nobody has named yet.
"""

from __future__ import annotations

import os
import time
from dataclasses import dataclass
from pathlib import Path

from serial.tools import list_ports

from capture.base import PortError
from capture.bench import CRANK_KINDS, FRAME_KINDS, GaugeInstrument, make_decoder
from capture.port.health import as_text
from capture.port.serial_port import Port

BAUDS = (115200, 9600, 57600, 38400, 19200, 4800, 2400, 1200)
FRAMINGS = ("8N1", "7E1")
LISTEN_S = 0.6
ENOUGH_LINES = 3
_KINDS = ("decimal", "count_index", "count_micros", "count", "tagged")


@dataclass(frozen=True, slots=True)
class ListedPort:
    """A serial port of this machine: its lasting name and what the system says of it."""

    name: str
    description: str


@dataclass(frozen=True, slots=True)
class Sniffed:
    """What a port seems to send.

    Attributes
    ----------
    port : ListedPort
    frame : str
        A frame kind, or empty when nothing could be recognised.
    baud : int
    framing : str
    lines_per_s : float
    sample : str
        The last line, as harmless text.
    sentence : str
        All of this for people.
    """

    port: ListedPort
    frame: str
    baud: int
    framing: str
    lines_per_s: float
    sample: str
    sentence: str


def listed_ports() -> list[ListedPort]:
    """All serial ports, each by the name that stays with the device where there is one."""
    lasting = _lasting_names()
    return [
        ListedPort(lasting.get(os.path.realpath(port.device), port.device), port.description or "")
        for port in sorted(list_ports.comports(), key=lambda port: str(port.device))
    ]


def sniff(port: ListedPort, listen_s: float = LISTEN_S) -> Sniffed:
    """Listen to a port at the usual speeds until something can be read.

    Parameters
    ----------
    port : ListedPort
    listen_s : float
        How long to listen at each speed; a slow gauge needs a second or more.
    """
    heard_any = b""
    for framing in FRAMINGS:
        for baud in BAUDS:
            try:
                heard, seconds = _listen(port.name, baud, framing, listen_s)
            except PortError as error:
                return Sniffed(port, "", 0, "", 0.0, "", f"{port.name}: {error}")
            heard_any = heard_any or heard
            found = recognise(heard)
            if found:
                kind, lines, sample = found
                sentence = f"{port.name}: {FRAME_KINDS[kind]} at {baud} {framing}, last {sample!r}"
                return Sniffed(port, kind, baud, framing, lines / seconds, sample, sentence)
            if not heard and not heard_any:
                sentence = (
                    f"{port.name}: silent; it may answer only when asked (see `request` in the bench file)"
                )
                return Sniffed(port, "", 0, "", 0.0, "", sentence)
    sentence = f"{port.name}: sends something that no frame kind and no usual speed makes sense of"
    return Sniffed(port, "", 0, "", 0.0, as_text(heard_any[-40:]), sentence)


def recognise(heard: bytes) -> tuple[str, int, str] | None:
    """The frame kind that nearly every line of these bytes has: kind, lines, last line."""
    for kind in _KINDS:
        decoder = make_decoder(kind)
        frames = decoder.feed(heard)
        if len(frames) >= ENOUGH_LINES and decoder.rejects.rejected <= len(frames) // 20:
            return kind, len(frames), as_text(frames[-1].text)
    return None


def suggested_bench(found: list[Sniffed]) -> str:
    """A bench file to start from; what has to be filled in by a person stands in comments."""
    parts = ["# A bench file to start from. Check every figure, above all counts_per_turn and direction.\n"]
    gauges = 0
    for one in found:
        if one.frame in CRANK_KINDS and "[crank]" not in "".join(parts):
            parts.append(
                f'[crank]\nport = "{one.port.name}"\nbaud = {one.baud}\nframing = "{one.framing}"\n'
                f'frame = "{one.frame}"\ncounts_per_turn = 3600   # as the encoder says\n'
                "direction = 1            # -1 when the number falls as the crank turns forward\n"
            )
        elif one.frame and one.frame not in CRANK_KINDS:
            gauges += 1
            parts.append(
                f'[[gauge]]\nname = "gauge_{gauges}"\nport = "{one.port.name}"\nbaud = {one.baud}\n'
                f'framing = "{one.framing}"\nframe = "{one.frame}"\nunit = "mm"              # or "in"\n'
            )
        else:
            parts.append(f"# {one.sentence}\n")
    return "\n".join(parts)


def _listen(name: str, baud: int, framing: str, listen_s: float) -> tuple[bytes, float]:
    instrument = GaugeInstrument(name="sniffed", port=name, baud=baud, framing=framing, frame="decimal")
    heard = b""
    started_s = time.monotonic()
    with Port(instrument) as port:
        while time.monotonic() - started_s < listen_s and len(heard) < 65536:
            heard += port.read(0.1)
    return heard, time.monotonic() - started_s


def _lasting_names() -> dict[str, str]:
    names: dict[str, str] = {}
    for folder in ("/dev/serial/by-path", "/dev/serial/by-id"):  # by-id is the better name: it comes last
        if Path(folder).is_dir():
            for link in sorted(Path(folder).iterdir()):
                names[os.path.realpath(link)] = str(link)
    return names
