"""The counter board's lines: one port, one clock, a crank and up to two gauges.

Each channel has a decoder of its own that hears the whole port and takes its own lines; lines of its
fellows pass by. The first channel of the port also hears what the board says of itself. The lines are
described in `capture/counter_board/WIRING.txt`.
"""

from __future__ import annotations

import re

from capture.bench.frames import ELSEWHERE, Decoder, Frame, decimal_frame

BOARD_VERSION = 1
BOARD_TAGS = ("A", "B")
ASK_BOARD = b"\n?\n"  # the empty line ends whatever was begun before
NOT_TRUSTED_MICROS = 500_000
_WRAP = 2**32
_UNITS = {"m": "mm", "i": "in"}
_KINDS = ("nothing", "one group of 24 bits", "two groups of 24 bits", "13 digits")


def crc8(data: bytes) -> int:
    """CRC-8 with the polynomial x^8 + x^2 + x + 1, as the board reckons it."""
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc << 1 ^ 0x07) & 0xFF if crc & 0x80 else crc << 1
    return crc


class BoardDecoder(Decoder):
    """One channel's lines among all that a counter board sends.

    Parameters
    ----------
    tag : str
        ``A`` or ``B`` for a gauge; empty for the crank.
    unit : str
        Of the gauge, as the bench file has it; lines in the other unit are refused.
    """

    _LINE = re.compile(rb"(([CXIEVKWAB])([!-~]{1,40}) (\d{1,10}) )([0-9A-F]{2})")
    _COUNT = re.compile(rb"-?\d{1,10}")
    _READING = re.compile(rb"([mi])(-?\d{1,6}(?:\.\d{1,6})?)")

    def __init__(self, tag: str = "", unit: str = "mm") -> None:
        super().__init__()
        self.speaks_for_board = not tag
        self._tag, self._unit = tag, unit
        self._version = BOARD_VERSION
        self._settings = ""
        self._lost_at: int | None = None
        self._begins = False

    def _recognise(self, line: bytes, end: int) -> Frame | None:
        """Only lines whose sum is right are believed, and counts only from a board of a known version."""
        match = self._LINE.fullmatch(line)
        if not match or int(match[5], 16) != crc8(match[1]) or int(match[4]) >= _WRAP:
            return None
        tag, value, micros = match[2].decode(), match[3], int(match[4])
        if tag in {"V", "K", "W"}:
            return self._told(tag, value.decode())
        if self._version != BOARD_VERSION:
            return None
        if tag in BOARD_TAGS:
            return self._reading(value, micros, end, line) if tag == self._tag else ELSEWHERE
        return ELSEWHERE if self._tag else self._count(tag, value, micros, end, line)

    # --- readings -----------------------------------------------------------------------------------

    def _reading(self, value: bytes, micros: int, end: int, line: bytes) -> Frame | None:
        match = self._READING.fullmatch(value)
        if not match:
            return None
        unit = _UNITS[match[1].decode()]
        if unit != self._unit:
            self._say(
                "gauge_unit",
                f"the gauge sends {unit}, the bench file says {self._unit}; press its unit key or correct the file",
            )
            return None
        return decimal_frame(match[2], end, line, micros)

    def _count(self, tag: str, value: bytes, micros: int, end: int, line: bytes) -> Frame | None:
        """A count, or one of the notices that make counts worthless for a while."""
        if not self._COUNT.fullmatch(value):
            return None
        if tag == "E":
            self._lose(micros)
            self._say(
                "board_illegal",
                f"{int(value)} steps that no encoder makes (both phases at once): look at its plug, screen and "
                "supply, then find true TDC again",
            )
            return ELSEWHERE
        if tag == "X":
            self._lose(micros)
            self._say(
                "board_flood",
                "edges come faster than the board can count: a loose wire, or an encoder that is too fine; "
                "mend it, then find true TDC again",
            )
            return None
        if self._lost_at is not None and (micros - self._lost_at) % _WRAP < NOT_TRUSTED_MICROS:
            return None
        begins, self._begins, self._lost_at = self._begins, False, None
        reason = "counts_lost" if begins else ""
        return Frame(int(value), end, index=tag == "I", micros=micros, text=line, begins=reason)

    def _lose(self, micros: int) -> None:
        self._lost_at, self._begins = micros, True

    # --- what the board says of itself --------------------------------------------------------------

    def _told(self, tag: str, value: str) -> Frame | None:
        if tag == "V":
            self._version_told(value)
        elif tag == "K" and self.speaks_for_board and value != self._settings:
            self._settings = value
            self._say("board_settings", _settings_sentence(value))
        elif tag == "W":
            self._problem_told(value)
        return ELSEWHERE

    def _version_told(self, value: str) -> None:
        self._version = int(value) if value.isascii() and value.isdigit() else -1
        if self._version != BOARD_VERSION:
            self._say(
                "board_version",
                f"the counter board's firmware is version {value}, this program reads version {BOARD_VERSION}; "
                "flash it anew from capture/counter_board",
            )

    def _problem_told(self, value: str) -> None:
        """What the board says of one of its inputs concerns the channel of that input alone."""
        channel, _, what = value.partition(",")
        if channel == "command" and self.speaks_for_board:
            self._say(
                "board_command", "the board did not know a command; see capture/counter_board/WIRING.txt"
            )
        elif channel != self._tag:
            return
        elif what == "mute":
            self._say(
                "board_gauge_mute",
                f"the board hears nothing at input {channel}: is the gauge on, its battery good, its plug in?",
            )
        else:
            self._say(
                "board_gauge_format",
                f"what comes at input {channel} is not of the format set there ({what.replace(',', ' ')}): set the "
                "gauge's kind and edge (`?` tells them), and let one gauge alone speak there",
            )

    def _say(self, code: str, sentence: str) -> None:
        self.notices.append((code, sentence))


def _settings_sentence(value: str) -> str:
    way, *inputs = value.split(",")
    words = ["the board counts " + ("down" if way == "D" else "up") + " as wired"]
    for told in inputs:
        kind = int(told[1]) if told[1:2].isdigit() else len(_KINDS)
        words.append(f"input {told[:1]}: {_KINDS[kind] if kind < len(_KINDS) else 'unknown'} ({told})")
    return "; ".join(words)
