"""Frame decoders: bytes in, frames out. No port, no clock, no configuration file.

A decoder is fed whatever a read returned and gives back the complete lines it recognised, each with
the place in the chunk where it ended. What it cannot use it counts. A gauge's line has no checksum, so
a line that lost its head is a valid wrong number: everything up to the first terminator after opening,
overflow or a gap is dropped.
"""

from __future__ import annotations

import re
from abc import ABC, abstractmethod
from collections import deque
from dataclasses import dataclass, field, replace

import regex

BUFFER_BYTES = 4096
LONGEST_LINE_BYTES = 80
LATEST_LINES = 8
MOST_MATCH_S, LEAST_MATCH_S = 0.05, 0.001
_TERMINATOR = re.compile(rb"[\r\n\x03]+")
_TERMINATOR_BUT_ETX = re.compile(rb"[\r\n]+")
_SEVEN_BITS = bytes(byte & 0x7F for byte in range(256))


@dataclass(frozen=True, slots=True)
class Frame:
    """One recognised line.

    Attributes
    ----------
    value : int
        A count, or a gauge reading in units of its last decimal.
    end : int
        Offset in the chunk just behind the line's terminator.
    decimals : int
        Decimals of a gauge reading; 0 for a count.
    index : bool
        The encoder's index mark was seen with this count.
    micros : int or None
        The device's own time, microseconds, wrapping at 2**32.
    text : bytes
        The line itself, for people.
    rejects_before : int
        Lines that could not be used between the frame before and this one.
    begins : str
        Why this frame is not tied to those before it; empty where it is.
    """

    value: int
    end: int
    decimals: int = 0
    index: bool = False
    micros: int | None = None
    text: bytes = b""
    rejects_before: int = 0
    begins: str = ""


ELSEWHERE = Frame(0, 0)  # a good line that is not this channel's


@dataclass(slots=True)
class Rejects:
    """What a decoder could not use, counted by reason."""

    rejected: int = 0
    partial: int = 0
    overflow: int = 0
    last_line: bytes = b""

    @property
    def total(self) -> int:
        """Lines or pieces of lines not used."""
        return self.rejected + self.partial + self.overflow


@dataclass(slots=True)
class LineSplitter:
    """Bounded splitter: chunks in, complete lines out, each with the offset where it ended.

    CR, LF, ETX and any mixture of them end a line; NUL before or behind a line is padding, as is STX.
    With `control_kept`, STX and ETX are bytes like any other.
    """

    rejects: Rejects = field(default_factory=Rejects)
    in_step: bool = False
    control_kept: bool = False
    _buffer: bytes = b""

    def feed(self, chunk: bytes) -> list[tuple[bytes, int]]:
        """Complete lines that ended in this chunk, with their end offsets; empty lines left out."""
        lines: list[tuple[bytes, int]] = []
        start = 0
        terminator = _TERMINATOR_BUT_ETX if self.control_kept else _TERMINATOR
        for match in terminator.finditer(chunk):
            self._take(chunk[start : match.start()], match.end(), lines)
            start = match.end()
        self._keep(chunk[start:])
        return lines

    def resynchronise(self) -> None:
        """Drop what is held and everything up to the next terminator."""
        if self.in_step and self._buffer.strip(b"\0"):
            self.rejects.partial += 1
            self.rejects.last_line = self._buffer[-LONGEST_LINE_BYTES:]
        self._buffer, self.in_step = b"", False

    @property
    def held(self) -> int:
        """Bytes held back for a line that is not complete yet."""
        return len(self._buffer)

    def _take(self, piece: bytes, end: int, lines: list[tuple[bytes, int]]) -> None:
        line = (self._buffer + piece).strip(b"\0" if self.control_kept else b"\0\x02")
        self._buffer = b""
        if not self.in_step:
            self.in_step = True
            if line:
                self.rejects.partial += 1
                self.rejects.last_line = line[-LONGEST_LINE_BYTES:]
        elif line:
            lines.append((line, end))

    def _keep(self, tail: bytes) -> None:
        if len(self._buffer) + len(tail) <= BUFFER_BYTES:
            self._buffer += tail
            return
        if self.in_step:
            self.rejects.overflow += 1
        self._buffer, self.in_step = b"", False


class Decoder(ABC):
    """Base of all frame decoders: `feed` is the template, `_recognise` the one thing that differs.

    Attributes
    ----------
    rejects : Rejects
        What could not be used, counted.
    latest : deque of (bytes, bool)
        The last `LATEST_LINES` whole lines as they came in, oldest first, and whether each was recognised.
    notices : list of (str, str)
        What a device said of itself, code and sentence; whoever tells it on empties the list.
    speaks_for_board : bool
        This decoder tells what concerns a port as a whole.
    seven_bits : bool
        The eighth bit of a byte is parity that was left in, and is taken off.
    """

    speaks_for_board = False

    def __init__(self) -> None:
        self.seven_bits = False
        self.rejects = Rejects()
        self.latest: deque[tuple[bytes, bool]] = deque(maxlen=LATEST_LINES)
        self.notices: list[tuple[str, str]] = []
        self._splitter = LineSplitter(self.rejects)
        self._rejects_told = 0

    def feed(self, chunk: bytes) -> list[Frame]:
        """Frames whose last byte is in this chunk.

        Parameters
        ----------
        chunk : bytes
            What one read returned; of any length, cut anywhere.

        Returns
        -------
        list of Frame
            In order; `rejects` has grown by what could not be used.
        """
        frames = []
        if self.seven_bits:
            chunk = chunk.translate(_SEVEN_BITS)
        for line, end in self._splitter.feed(chunk):
            frame = self._recognise(line, end) if len(line) <= LONGEST_LINE_BYTES else None
            if frame is ELSEWHERE:
                continue
            self.latest.append((line[:LONGEST_LINE_BYTES], frame is not None))
            if frame is None:
                self.rejects.rejected += 1
                self.rejects.last_line = line[:LONGEST_LINE_BYTES]
            else:
                frames.append(self._with_rejects(frame))
        return frames

    def resynchronise(self, *, in_step: bool = False) -> None:
        """Forget the line begun: after opening, an error or a gap.

        Parameters
        ----------
        in_step : bool
            The next byte is known to begin a line, because nothing is sent before it is asked for.
        """
        self._splitter.resynchronise()
        self._splitter.in_step = in_step

    @property
    def held(self) -> int:
        """Bytes held back, at most `BUFFER_BYTES`."""
        return self._splitter.held

    def _with_rejects(self, frame: Frame) -> Frame:
        before, self._rejects_told = self.rejects.total - self._rejects_told, self.rejects.total
        return replace(frame, rejects_before=before) if before else frame

    @abstractmethod
    def _recognise(self, line: bytes, end: int) -> Frame | None:
        """The frame of one line, `ELSEWHERE`, or `None`."""


def decimal_frame(text: bytes, end: int, line: bytes, micros: int | None = None) -> Frame:
    """Turn ``-12.340`` into -12340 with 3 decimals, exactly; a comma is a point, spaces part thousands."""
    sign = -1 if text[:1] == b"-" else 1
    whole, _, part = text.lstrip(b"+- ").replace(b" ", b"").replace(b",", b".").partition(b".")
    return Frame(sign * int(whole + part), end, decimals=len(part), text=line, micros=micros)


class DecimalDecoder(Decoder):
    """A signed decimal a line: ``+12.345``, ``-0.01``, `` 3.20``. A point is required."""

    _LINE = re.compile(rb"[ \t]*([+-]?[ ]{0,8}\d{1,6}\.\d{1,6})[ \t]*")

    def _recognise(self, line: bytes, end: int) -> Frame | None:
        """Match within a time that is halved whenever it did not do, so that no pattern holds the port up."""
        match = self._LINE.fullmatch(line)
        return decimal_frame(match[1], end, line) if match else None


class TaggedDecoder(Decoder):
    """A tag and a decimal: ``A+12.345``, ``01A -0.010``, ``ch2:3.20``.

    Parameters
    ----------
    tag : str
        Only lines with this tag are this gauge's; lines with another tag are counted as rejected.
        Empty: any short tag that ends in a letter or one of ``: = , #``.
    """

    _LINE = re.compile(
        rb"[ \t]*(?P<tag>[A-Za-z0-9_]{0,7}[A-Za-z:=,#])[ \t:=,]{0,4}"
        rb"(?P<number>[+-]?[ ]{0,8}\d{1,6}\.\d{1,6})[ \t]*"
    )

    def __init__(self, tag: str = "") -> None:
        super().__init__()
        self._tag = tag.encode()

    def _recognise(self, line: bytes, end: int) -> Frame | None:
        if self._tag:
            body = line.strip(b" \t")
            if not body.startswith(self._tag):
                return None
            match = DecimalDecoder._LINE.fullmatch(body[len(self._tag) :].lstrip(b" \t:=,"))
            return decimal_frame(match[1], end, line) if match else None
        found = self._LINE.fullmatch(line)
        return decimal_frame(found["number"], end, line) if found else None


class CountDecoder(Decoder):
    """A count a line: ``12345``, ``-7``."""

    _LINE = re.compile(rb"[ \t]*([+-]?\d{1,10})[ \t]*")

    def _recognise(self, line: bytes, end: int) -> Frame | None:
        match = self._LINE.fullmatch(line)
        return Frame(int(match[1]), end, text=line) if match else None


class CountIndexDecoder(Decoder):
    """A count and an index mark: ``12345 0``, ``12346,1``; the second number is 1 at the index."""

    _LINE = re.compile(rb"[ \t]*([+-]?\d{1,10})[ \t]*[ ,;\t][ \t]*([01])[ \t]*")

    def _recognise(self, line: bytes, end: int) -> Frame | None:
        match = self._LINE.fullmatch(line)
        return Frame(int(match[1]), end, index=match[2] == b"1", text=line) if match else None


class CountMicrosDecoder(Decoder):
    """A count and the device's own microseconds: ``12345 998877``; they wrap at 2**32."""

    _LINE = re.compile(rb"[ \t]*([+-]?\d{1,10})[ \t]*[ ,;\t][ \t]*(\d{1,10})[ \t]*")

    def _recognise(self, line: bytes, end: int) -> Frame | None:
        match = self._LINE.fullmatch(line)
        if not match or int(match[2]) >= 2**32:
            return None
        return Frame(int(match[1]), end, micros=int(match[2]), text=line)


def compiled(pattern: str) -> regex.Pattern[bytes]:
    """Read the pattern of a bench file; raises `regex.error`, or `UnicodeEncodeError`."""
    return regex.compile(pattern.encode("latin-1"))


class PatternDecoder(Decoder):
    """A regular expression over the whole line for anything else.

    Parameters
    ----------
    pattern : str
        With a named group ``value`` (a gauge) or ``count`` (the crank); also understood: ``index`` (the
        mark is there when the group matched something other than ``0``) and ``micros``.

    Notes
    -----
    A pattern can take longer than the bench will stand on a line made for it, so every match has a limit of
    processor time, which a busy machine does not use up. A line that goes past it is rejected, and the limit is
    halved until a line is recognised again: such lines one after another then cost next to nothing.
    """

    _NUMBER = re.compile(rb"[+-]?[ ]{0,8}(\d{1,6}|\d{1,3}( \d{3}){1,2})([.,]\d{1,6})?")
    _COUNT = re.compile(rb"[+-]?\d{1,10}")

    def __init__(self, pattern: str) -> None:
        super().__init__()
        self._pattern = compiled(pattern)
        self._patience_s = MOST_MATCH_S
        named = ("\x02", "\x03", r"\x02", r"\x03")
        self._splitter.control_kept = any(control in pattern for control in named)

    def _recognise(self, line: bytes, end: int) -> Frame | None:
        try:
            match = self._pattern.fullmatch(line, timeout=self._patience_s)
        except TimeoutError:
            self._patience_s = max(LEAST_MATCH_S, self._patience_s / 2)
            return None
        if not match:
            return None
        self._patience_s = MOST_MATCH_S
        groups = match.groupdict()
        if "count" in groups:
            return self._count(groups, end, line)
        number = (groups["value"] or b"").strip(b" \t")
        return decimal_frame(number, end, line) if self._NUMBER.fullmatch(number) else None

    def _count(self, groups: dict[str, bytes | None], end: int, line: bytes) -> Frame | None:
        count, micros = groups["count"] or b"", groups.get("micros")
        if not self._COUNT.fullmatch(count) or not (micros is None or re.fullmatch(rb"\d{1,10}", micros)):
            return None
        index = (groups.get("index") or b"0").strip() not in {b"", b"0"}
        own = int(micros) if micros is not None else None
        if own is not None and own >= 2**32:
            return None
        return Frame(int(count), end, index=index, micros=own, text=line)
