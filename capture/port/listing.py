"""Which serial ports there are, what each seems to send, and a bench file to start from.

Only listens: nothing is ever sent to a device that nobody has named yet.
"""

from __future__ import annotations

import os
import time
from dataclasses import dataclass, replace
from pathlib import Path

from serial.tools import list_ports

from capture.base import PortError
from capture.bench import BOARD_TAGS, CRANK_KINDS, FRAME_KINDS, GaugeInstrument, make_decoder
from capture.port.health import as_text
from capture.port.serial_port import Port

BAUDS = (115200, 9600, 57600, 38400, 19200, 4800, 2400, 1200, 250000)
FRAMINGS = ("8N1", "7E1")
LISTEN_S = 0.6
ENOUGH_LINES = 3
RAISED = ((True, True), (True, False))
"""DTR and RTS as a mute instrument may want them; usually they are lowered and raised."""
RESTART_LISTEN_S = 3.0
_KINDS = ("board", "decimal", "count_index", "count_micros", "count", "tagged")


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
    frame : str
        A frame kind, or empty when nothing could be recognised.
    sample : str
        The last line, as harmless text.
    sentence : str
        All of this for people.
    dtr, rts : bool
        How the control lines stood.
    could_open : bool
    inputs : tuple of str
        Of a counter board: tag and unit of each gauge that was heard, such as ``A mm``.
    """

    port: ListedPort
    frame: str
    baud: int
    framing: str
    sample: str
    sentence: str
    dtr: bool = False
    rts: bool = True
    could_open: bool = True
    inputs: tuple[str, ...] = ()


def listed_ports() -> list[ListedPort]:
    """All serial ports, each by the name that stays with the device where there is one."""
    lasting = _lasting_names()
    return [
        ListedPort(lasting.get(os.path.realpath(port.device), port.device), port.description or "")
        for port in sorted(list_ports.comports(), key=lambda port: str(port.device))
    ]


def sniff(port: ListedPort, listen_s: float = LISTEN_S, *, raise_lines: bool = False) -> Sniffed:
    """Listen to a port at the usual speeds until something can be read.

    Parameters
    ----------
    listen_s : float
        How long to listen at each speed; a slow gauge needs a second or more.
    raise_lines : bool
        Where nothing comes, try again with the control lines raised. That restarts many a board, which is
        then waited for.
    """
    found = _sniff_at_speeds(port, listen_s, dtr=False, rts=True)
    if not raise_lines or not _is_mute(found):
        return found
    for dtr, rts in RAISED:
        raised = _sniff_at_speeds(port, max(listen_s, RESTART_LISTEN_S), dtr=dtr, rts=rts)
        if not _is_mute(raised):
            return raised
    asked = "it may answer only when asked (see `request` in the bench file)"
    return replace(found, sentence=f"{port.name}: silent, also with DTR and RTS raised; {asked}")


def _is_mute(found: Sniffed) -> bool:
    return not found.frame and not found.sample and found.could_open


def _sniff_at_speeds(port: ListedPort, listen_s: float, *, dtr: bool, rts: bool) -> Sniffed:
    """Try every framing at every speed; a port silent at all speeds of the first is not tried any further."""

    def nothing(sentence: str, heard: bytes = b"", *, could_open: bool = True) -> Sniffed:
        """A port of which no instrument was made out, and why."""
        sample = as_text(heard[-40:])
        return Sniffed(port, "", 0, "", sample, f"{port.name}: {sentence}", dtr, rts, could_open)

    heard_any = b""
    for framing in FRAMINGS:
        for baud in BAUDS:
            instrument = _listener(port.name, baud, framing, dtr=dtr, rts=rts)
            try:
                heard = _listen(instrument, listen_s)
            except PortError as error:
                return nothing(str(error), could_open=False)
            heard_any = heard_any or heard
            found = recognise(heard)
            if found:
                kind, _, sample = found
                lines_up = "" if (dtr, rts) == (False, True) else f" with {_as_keys(dtr=dtr, rts=rts)}"
                sentence = f"{port.name}: {FRAME_KINDS[kind]} at {baud} {framing}{lines_up}, last {sample!r}"
                inputs = inputs_of_board(heard) if kind == "board" else ()
                return Sniffed(port, kind, baud, framing, sample, sentence, dtr, rts, inputs=inputs)
            if not heard_any:
                return nothing(
                    "silent; it may answer only when asked (see `request` in the bench file), or want its "
                    "control lines raised (`lobewright ports --raise`)"
                )
    return nothing("sends something that no frame kind and no usual speed makes sense of", heard_any)


def _as_keys(*, dtr: bool, rts: bool) -> str:
    return f"dtr = {str(dtr).lower()}, rts = {str(rts).lower()}"


def _listener(name: str, baud: int, framing: str, *, dtr: bool, rts: bool) -> GaugeInstrument:
    plain = GaugeInstrument(name="sniffed", port=name, baud=baud, framing=framing, frame="decimal")
    return plain.model_copy(
        update={"dtr": dtr, "rts": rts}
    )  # unchecked: a name that has no lines is listened to, too


def recognise(heard: bytes) -> tuple[str, int, str] | None:
    """The frame kind that nearly every line of these bytes has: kind, lines, last line."""
    for kind in _KINDS:
        decoder = make_decoder(kind)
        frames = decoder.feed(heard)
        if len(frames) >= ENOUGH_LINES and decoder.rejects.rejected <= len(frames) // 20:
            return kind, len(frames), as_text(frames[-1].text)
    return None


def inputs_of_board(heard: bytes) -> tuple[str, ...]:
    """The gauges among the lines of a counter board, each with the unit it reads in."""
    possible = [(tag, unit) for tag in BOARD_TAGS for unit in ("mm", "in")]
    return tuple(
        f"{tag} {unit}" for tag, unit in possible if make_decoder("board", tag=tag, unit=unit).feed(heard)
    )


def suggested_bench(found: list[Sniffed]) -> str:
    """A bench file to start from; what has to be filled in by a person stands in comments."""
    parts = ["# A bench file to start from. Check every figure, above all counts_per_turn and direction.\n"]
    gauges = 0
    for one in found:
        if one.frame in CRANK_KINDS and "[crank]" not in "".join(parts):
            parts.append(
                f'[crank]\nport = "{one.port.name}"\nbaud = {one.baud}\nframing = "{one.framing}"\n{_raised_keys(one)}'
                f'frame = "{one.frame}"\ncounts_per_turn = 3600   # as the encoder says\n'
                "direction = 1            # -1 when the number falls as the crank turns forward\n"
            )
            for tag, unit in (found_at.split() for found_at in one.inputs):
                gauges += 1
                parts.append(_gauge_of_board(one, gauges, tag, unit))
        elif one.frame and one.frame not in CRANK_KINDS:
            gauges += 1
            parts.append(
                f'[[gauge]]\nname = "gauge_{gauges}"\nport = "{one.port.name}"\nbaud = {one.baud}\n'
                f'framing = "{one.framing}"\n{_raised_keys(one)}frame = "{one.frame}"\nunit = "mm"              # or "in"\n'
            )
        else:
            parts.append(f"# {one.sentence}\n")
    return "\n".join(parts)


def _gauge_of_board(one: Sniffed, number: int, tag: str, unit: str) -> str:
    return (
        f'[[gauge]]\nname = "gauge_{number}"\nport = "{one.port.name}"\nbaud = {one.baud}\n'
        f'framing = "{one.framing}"\n{_raised_keys(one)}frame = "board"\ntag = "{tag}"\nunit = "{unit}"\n'
    )


def _raised_keys(one: Sniffed) -> str:
    if (one.dtr, one.rts) == (False, True):
        return ""
    return f"dtr = {str(one.dtr).lower()}\nrts = {str(one.rts).lower()}\n"


def _listen(instrument: GaugeInstrument, listen_s: float) -> bytes:
    heard = b""
    started_s = time.monotonic()
    with Port(instrument) as port:
        while time.monotonic() - started_s < listen_s and len(heard) < 65536:
            heard += port.read(0.1)
    return heard


def _lasting_names() -> dict[str, str]:
    names: dict[str, str] = {}
    for folder in ("/dev/serial/by-path", "/dev/serial/by-id"):  # by-id is the better name: it comes last
        if Path(folder).is_dir():
            for link in sorted(Path(folder).iterdir()):
                names[os.path.realpath(link)] = str(link)
    return names
