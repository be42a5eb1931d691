"""The bench file: which instrument is on which port, and how it speaks.

TOML, checked on load; every mistake is told at once, each with its line, the reason and what to do.
"""

from __future__ import annotations

import codecs
import hashlib
import re
import tomllib
from pathlib import Path
from typing import Annotated, Any, Literal, Self

import regex
from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from capture.base import BenchFileError, Channel
from capture.bench.board import BOARD_TAGS
from capture.bench.elsewhere import ArchiveOfBenches, BrokerOfHouse
from capture.bench.frames import Decoder, compiled
from capture.bench.kinds import CRANK_KINDS, FRAME_KINDS, GAUGE_KINDS, make_decoder
from capture.bench.problems import Models, problems_of, syntax_problem

_NAME = re.compile(r"[a-z0-9_]{1,32}")
_FRAMING = re.compile(r"[5678][NEOMS](1|1\.5|2)")
_PORT_URL = re.compile(r"(socket|rfc2217|loop|spy|alt|hwgrep)://.+")
_PORT_NAME = re.compile(r"/\S+|COM\d{1,3}|\\\\\.\\COM\d{1,3}", re.IGNORECASE)
LARGEST_BENCH_FILE_BYTES = 256 * 1024


class Instrument(BaseModel):
    """What a crank encoder and a gauge have in common: a port and a way of speaking."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)

    port: str
    baud: Annotated[int, Field(ge=50, le=12_000_000)] = 115200
    framing: str = "8N1"
    frame: str
    tag: Annotated[str, Field(max_length=16)] = ""
    pattern: Annotated[str, Field(max_length=500)] = ""
    silent_after_s: Annotated[float, Field(ge=0.2, le=3600)] = 1.5
    dtr: bool = False
    rts: bool = True
    flow: Literal["none", "rtscts", "xonxoff"] = "none"

    @field_validator("port")
    @classmethod
    def _port_can_be_named(cls, port: str) -> str:
        if _PORT_URL.fullmatch(port) or _PORT_NAME.fullmatch(port):
            return port
        raise ValueError(
            f"{port!r} is not the name of a port; write a device such as /dev/serial/by-id/…, COM5, "
            "or socket://host:port (`lobewright ports` lists what is there)"
        )

    @field_validator("framing")
    @classmethod
    def _framing_is_known(cls, framing: str) -> str:
        if _FRAMING.fullmatch(framing):
            return framing
        raise ValueError(
            f"{framing!r} is not a framing; write data bits, parity and stop bits such as 8N1 or 7E1"
        )

    @model_validator(mode="after")
    def _extras_fit_the_frame(self) -> Self:
        if self.frame == "pattern" and not self.pattern:
            raise ValueError(
                'frame = "pattern" needs a key `pattern`, a regular expression with a named group'
            )
        if self.frame != "pattern" and self.pattern:
            raise ValueError('`pattern` only goes with frame = "pattern"; take it out or change `frame`')
        if self.frame not in {"tagged", "board"} and self.tag:
            raise ValueError(
                '`tag` only goes with frame = "tagged" or "board"; take it out or change `frame`'
            )
        return self

    @model_validator(mode="after")
    def _lines_are_there_to_be_set(self) -> Self:
        given = self.model_fields_set & {"dtr", "rts", "flow"}
        if given and self.port.startswith("socket://"):
            raise ValueError(
                f"`{min(given)}` cannot be set through socket://, which carries bytes alone; set it at the "
                "serial server, or reach the server as rfc2217://host:port"
            )
        if self.flow == "rtscts" and "rts" in given:
            raise ValueError('with flow = "rtscts" the port moves RTS itself; take `rts` out')
        return self

    def decoder(self) -> Decoder:
        """A fresh decoder for this instrument's lines."""
        decoder = make_decoder(self.frame, tag=self.tag, pattern=self.pattern)
        decoder.seven_bits = self.framing.startswith("7")
        return decoder

    @property
    def byte_ns(self) -> int:
        """Time that one byte takes on the wire, nanoseconds."""
        parity_bits = 0 if self.framing[1] == "N" else 1
        bits = 1 + int(self.framing[0]) + parity_bits + float(self.framing[2:])
        return round(bits * 1e9 / self.baud)


class CrankInstrument(Instrument):
    """The rotary encoder on the crank."""

    counts_per_turn: Annotated[int, Field(ge=4, le=10_000_000)]
    direction: Literal[1, -1] = 1
    wraps_at: Annotated[int, Field(ge=0, le=2**32)] = 0
    fastest_rpm: Annotated[float, Field(gt=0, le=20_000)] = 300.0
    error_deg: Annotated[float, Field(ge=0, le=10)] | None = None
    crank_teeth: Annotated[int, Field(ge=1, le=10_000)] = 1
    shaft_teeth: Annotated[int, Field(ge=1, le=10_000)] = 1
    """Of the drive between crank and encoder, where its shaft turns at another speed: whole numbers, so that no turn of
    many adds an error."""

    @field_validator("frame")
    @classmethod
    def _frame_is_a_cranks(cls, frame: str) -> str:
        return _known_frame(frame, CRANK_KINDS, "crank")

    @field_validator("pattern")
    @classmethod
    def _pattern_has_a_count(cls, pattern: str) -> str:
        return _checked_pattern(pattern, "count", {"count", "index", "micros"})

    @model_validator(mode="after")
    def _crank_of_a_board_has_no_tag(self) -> Self:
        if self.frame == "board" and self.tag:
            raise ValueError("`tag` is for a board's gauges; the crank needs none: take it out")
        return self

    @property
    def counts_per_crank_turn(self) -> float:
        """Counts in one turn of the crank; no whole number where a ratio makes none."""
        counts = self.counts_per_turn * self.crank_teeth
        whole, over = divmod(counts, self.shaft_teeth)
        return counts / self.shaft_teeth if over else whole

    @property
    def channel(self) -> Channel:
        """The channel this instrument feeds."""
        return Channel("crank", "crank", "deg", counts_per_turn=self.counts_per_crank_turn)


class GaugeInstrument(Instrument):
    """One dial indicator."""

    name: str
    baud: Annotated[int, Field(ge=50, le=12_000_000)] = 9600
    unit: Literal["mm", "in"] = "mm"
    sign: Literal[1, -1] = 1
    step_mm: Annotated[float, Field(gt=0, le=10)] | None = None
    error_mm: Annotated[float, Field(ge=0, le=10)] | None = None
    retrace_mm: Annotated[float, Field(ge=0, le=10)] | None = None
    request: Annotated[str, Field(max_length=64)] = ""
    request_interval_s: Annotated[float, Field(ge=0.01, le=60)] = 0.1
    answer_within_s: Annotated[float, Field(ge=0.02, le=10)] = 0.4

    @field_validator("name")
    @classmethod
    def _name_is_plain(cls, name: str) -> str:
        if name == "crank":
            raise ValueError("`crank` is the encoder's name; give the gauge another")
        if _NAME.fullmatch(name):
            return name
        raise ValueError(f"{name!r} is not a gauge name; use small letters, digits and _ (at most 32)")

    @field_validator("frame")
    @classmethod
    def _frame_is_a_gauges(cls, frame: str) -> str:
        return _known_frame(frame, GAUGE_KINDS, "gauge")

    @field_validator("pattern")
    @classmethod
    def _pattern_has_a_value(cls, pattern: str) -> str:
        return _checked_pattern(pattern, "value", {"value"})

    @field_validator("request")
    @classmethod
    def _request_is_bytes(cls, request: str) -> str:
        if any(ord(character) > 255 for character in request):
            raise ValueError("`request` holds a character above 255; write bytes as \\u00xx")
        return request

    @model_validator(mode="after")
    def _input_of_a_board_is_named(self) -> Self:
        if self.frame == "board" and (self.tag not in BOARD_TAGS or self.request):
            raise ValueError(
                'a gauge with frame = "board" needs tag = "A" or tag = "B", the input it is wired to, and no '
                "`request`; the board asks by itself"
            )
        return self

    def decoder(self) -> Decoder:
        """A fresh decoder for this gauge's lines."""
        decoder = make_decoder(self.frame, tag=self.tag, pattern=self.pattern, unit=self.unit)
        decoder.seven_bits = self.framing.startswith("7")
        return decoder

    @property
    def request_bytes(self) -> bytes:
        """What is sent to get one answer; empty for a gauge that speaks by itself."""
        return self.request.encode("latin-1")

    @property
    def channel(self) -> Channel:
        """The channel this instrument feeds."""
        return Channel(self.name, "gauge", self.unit, sign=self.sign)


class Bench(BaseModel):
    """A checked bench file.

    Attributes
    ----------
    crank : CrankInstrument or None
        A bench may be without an encoder for a while; nothing can be measured then.
    mqtt : BrokerOfHouse or None
        Nothing that capture asks after, both.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)

    crank: CrankInstrument | None = None
    gauge: Annotated[tuple[GaugeInstrument, ...], Field(strict=False)] = ()
    archive: ArchiveOfBenches | None = None
    mqtt: BrokerOfHouse | None = None

    @model_validator(mode="after")
    def _nothing_twice(self) -> Self:
        if not self.instruments:
            raise ValueError("the file names no instrument; add a [crank] table and a [[gauge]] table")
        for what in ("name", "port"):
            seen: set[str] = set()
            for instrument in self.instruments:
                label = str(getattr(instrument, what, "crank"))
                if what == "port" and instrument.frame == "board":
                    label += f" {instrument.tag}".rstrip()  # one input of a board, too, feeds one channel
                if label in seen:
                    raise ValueError(f"the {what} {label!r} is given twice; every instrument needs its own")
                seen.add(label)
        self._boards_agree()
        return self

    def _boards_agree(self) -> None:
        for port, first, *others in self._by_port():
            for other in others:
                if "board" not in {first.frame, other.frame}:
                    continue
                if (first.frame, first.baud, first.framing) != (other.frame, other.baud, other.framing):
                    raise ValueError(
                        f"the instruments on the board at {port!r} differ in frame, baud or framing; one port has one"
                    )

    def _by_port(self) -> list[tuple[Any, ...]]:
        ports: dict[str, list[CrankInstrument | GaugeInstrument]] = {}
        for instrument in self.instruments:
            ports.setdefault(instrument.port, []).append(instrument)
        return [(port, *instruments) for port, instruments in ports.items()]

    @property
    def ports(self) -> tuple[tuple[CrankInstrument | GaugeInstrument, ...], ...]:
        """The instruments of each port, the crank first; more than one only on a counter board."""
        return tuple(tuple(instruments) for _, *instruments in self._by_port())

    @property
    def instruments(self) -> tuple[CrankInstrument | GaugeInstrument, ...]:
        """The encoder, if there is one, and the gauges."""
        return (() if self.crank is None else (self.crank,)) + self.gauge

    @property
    def channels(self) -> tuple[Channel, ...]:
        """The channels of all instruments."""
        return tuple(instrument.channel for instrument in self.instruments)


def load_bench(path: Path | str) -> Bench:
    """Read and check a bench file.

    Raises
    ------
    BenchFileError
        With one sentence for each mistake: file, line, reason, what to do.
    """
    file = Path(path)
    try:
        content = file.read_bytes()
    except OSError as error:
        raise BenchFileError([f"{file}: cannot be read: {error.strerror}; check the name"]) from error
    return parse_bench(content, str(file))


def parse_bench(content: bytes, name: str = "bench.toml") -> Bench:
    """Check the bytes of a bench file; see `load_bench`."""
    if len(content) > LARGEST_BENCH_FILE_BYTES:
        raise BenchFileError([f"{name}: is far too large for a bench file; check the name"])
    try:
        text = content.removeprefix(codecs.BOM_UTF8).decode()
        table: dict[str, Any] = tomllib.loads(text)
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise BenchFileError([f"{name}, line {line}: is not UTF-8 text; save the file as UTF-8"]) from error
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise BenchFileError([syntax_problem(name, text, error)]) from error
    try:
        return Bench.model_validate(table)
    except ValidationError as error:
        raise BenchFileError(problems_of(name, text, table, error, MODELS)) from error


MODELS: Models = {
    "": Bench,
    "crank": CrankInstrument,
    "gauge": GaugeInstrument,
    "archive": ArchiveOfBenches,
    "mqtt": BrokerOfHouse,
}


def _known_frame(frame: str, kinds: tuple[str, ...], what: str) -> str:
    if frame in kinds:
        return frame
    names = ", ".join(f"{kind} ({FRAME_KINDS[kind]})" for kind in kinds)
    why = f"is no frame kind of a {what}" if frame in FRAME_KINDS else "is not a frame kind"
    raise ValueError(f"{frame!r} {why}; use one of {names}")


def _checked_pattern(pattern: str, needed: str, known: set[str]) -> str:
    if not pattern:
        return pattern
    try:
        groups = set(compiled(pattern).groupindex)
    except (regex.error, UnicodeEncodeError, OverflowError, RecursionError) as error:
        raise ValueError(f"`pattern` is not a regular expression: {error}; correct it") from error
    if needed not in groups:
        raise ValueError(f"`pattern` has no group (?P<{needed}>…); put it round the number")
    if groups - known:
        raise ValueError(
            f"`pattern` has a group nobody reads: {', '.join(sorted(groups - known))}; take it out"
        )
    return pattern


def bench_sha256(text: str) -> str:
    """Tell one bench file from another by what is in it."""
    return hashlib.sha256(text.encode()).hexdigest()
