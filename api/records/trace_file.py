"""The trace file: CSV with the header ``time_s,channel,value``, one reading a row in arrival order.

Reading takes blocks of whole lines and turns each into arrays at once. A block with anything unusual in it
(a comment, a space, a quote, a fault) is read again line by line, which either succeeds or names the line.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

from api.base import TraceFileError
from api.records.trace_checks import IMPOSSIBLE, OWN_FIRST_WORDS, cells_of, first_impossible, refuse_cut_off

Floats = NDArray[np.float64]
Codes = NDArray[np.int16]
Counts = NDArray[np.int64]
Block = tuple[Floats, Codes, Floats]

COLUMNS = ("time_s", "channel", "value")
CRANK = "crank_deg"
MM_PER_UNIT = {"mm": 1.0, "in": 25.4}
BLOCK_BYTES = 1 << 23
MOST_CHANNELS = 64
ROWS_AT_ONCE = 20_000
LONGEST_NAME = 64
LONGEST_LINE = 1 << 16
LONGEST_S = 86_400.0
LARGEST_SPAN_MM = 150.0
LARGEST_READING_MM = 2_000.0


@dataclass(frozen=True, slots=True)
class ChannelTrace:
    """One channel of a trace: times in seconds, values in the channel's own unit, both shape (n,)."""

    time_s: Floats
    value: Floats


@dataclass(frozen=True, slots=True)
class Trace:
    """A whole trace file; `channels` keeps the names as written, in order of appearance."""

    channels: dict[str, ChannelTrace]

    @property
    def gauges(self) -> dict[str, str]:
        """Gauge names without their unit, each with its channel."""
        return {name.rsplit("_", 1)[0]: name for name in self.channels if is_gauge(name)}

    def gauge_mm(self, gauge: str) -> ChannelTrace:
        """Readings of one gauge in millimetres, whatever the file's unit."""
        channel = self.gauges[gauge]
        own = self.channels[channel]
        factor = MM_PER_UNIT[channel.rsplit("_", 1)[1]]
        return own if factor == 1.0 else ChannelTrace(own.time_s, own.value * factor)


def is_gauge(channel: str) -> bool:
    """Tell whether a channel is a gauge: NAME_mm or NAME_in."""
    name, _, unit = channel.rpartition("_")
    return bool(name) and unit in MM_PER_UNIT


def read_trace(path: Path) -> Trace:
    """Read and check a trace file.

    Raises
    ------
    TraceFileError
        What is wrong, with the line number where one line is to blame.
    """
    try:
        with path.open("rb") as file:
            reader = _Reader(file)
            trace = reader.read()
    except OSError as error:
        raise TraceFileError("unreadable_file", _why_not_opened(error)) from None
    _require_channels(trace)
    _require_sane_units(trace, path)
    return trace


def _why_not_opened(error: OSError) -> str:
    if isinstance(error, FileNotFoundError):
        return "there is no such file; check the name."
    if isinstance(error, IsADirectoryError):
        return "this is a folder; name the trace file in it."
    return f"the file cannot be opened ({error.strerror}); check its permissions."


class _Reader:
    """Reads one open file, block by block."""

    def __init__(self, file: BinaryIO) -> None:
        self._file = file
        self._names: dict[bytes, int] = {}
        self._line = 1
        self._last_s = -math.inf
        self._written_here = False

    def read(self) -> Trace:
        """Read to the end and sort the readings by channel."""
        self._read_header()
        if self._written_here:
            refuse_cut_off(self._file)
        blocks = [self._parse(block) for block in _whole_lines(self._file)]
        blocks = [block for block in blocks if block[0].size]
        if not blocks:
            raise TraceFileError("no_readings", "the file has a header but no readings.", self._line)
        time_s, code, value = (np.concatenate(column) for column in zip(*blocks, strict=True))
        if time_s.size < 2:
            told = "the file holds one reading only; a trace has many."
            raise TraceFileError("one_reading", told, self._line - 1)
        return Trace({name.decode(): _pick(time_s, value, code == k) for name, k in self._names.items()})

    def _read_header(self) -> None:
        for raw in iter(lambda: self._file.readline(LONGEST_LINE), b""):
            line = _decoded(raw.removeprefix(b"\xef\xbb\xbf") if self._line == 1 else raw, self._line)
            self._written_here |= line.startswith(OWN_FIRST_WORDS)
            if line.strip() and not line.lstrip().startswith("#"):
                _check_header(cells_of(line, self._line), self._line)
                self._line += 1
                return
            self._line += 1
        raise TraceFileError(
            "empty_file", f"the file is empty; it must begin with the header {','.join(COLUMNS)}.", 1
        )

    def _parse(self, block: bytes) -> Block:
        columns = _parse_fast(block, self._names) or _parse_carefully(block, self._names, self._line)
        if (bad := first_impossible(columns[0], columns[2])) is not None:
            raise TraceFileError("impossible_number", IMPOSSIBLE, _line_of_row(block, bad, self._line))
        self._require_order(columns[0], block)
        self._line += block.count(b"\n")
        return columns

    def _require_order(self, time_s: Floats, block: bytes) -> None:
        falls = np.flatnonzero(np.diff(time_s, prepend=self._last_s) < 0)
        if falls.size:
            row = int(falls[0])
            before = time_s[row - 1] if row else self._last_s
            raise TraceFileError(
                "times_out_of_order",
                f"the time {time_s[row]:.10g} s comes after {before:.10g} s; rows stand in order of arrival.",
                _line_of_row(block, row, self._line),
            )
        if time_s.size:
            self._last_s = float(time_s[-1])


def _whole_lines(file: BinaryIO) -> Iterator[bytes]:
    """Cut a file into blocks that end at a line's end."""
    while block := file.read(BLOCK_BYTES):
        if not block.endswith(b"\n"):
            block += file.readline(LONGEST_LINE)
        yield (
            block.replace(b"\r\n", b"\n") if block.endswith(b"\n") else block.replace(b"\r\n", b"\n") + b"\n"
        )


def _check_header(cells: list[str], line: int) -> None:
    missing = [name for name in COLUMNS if name not in cells]
    want = ",".join(COLUMNS)
    if missing:
        raise TraceFileError(
            "missing_column", f"the header lacks the column {', '.join(missing)}; it must read {want}.", line
        )
    if cells != list(COLUMNS):
        raise TraceFileError(
            "wrong_header", f"the header is {','.join(cells)[:80]}; it must read {want}.", line
        )


def _parse_fast(block: bytes, names: dict[bytes, int]) -> Block | None:
    """Turn a clean block into columns, or return `None` where it needs a careful look."""
    text = np.frombuffer(block, np.uint8)
    if np.any((text <= 32) & (text != 10)) or b"#" in block or b'"' in block:
        return None
    ends = np.flatnonzero(text == 10)
    commas = np.flatnonzero(text == 44)
    if commas.size != 2 * ends.size:
        return None
    first, second = commas[0::2], commas[1::2]
    starts = np.concatenate(([0], ends[:-1] + 1))
    if np.any(first <= starts) or np.any(second <= first + 1) or np.any(ends <= second + 1):
        return None
    codes = _channel_codes(text, first + 1, second, names)
    numbers = None if codes is None else _numbers(text, first, second)
    if codes is None or numbers is None or numbers.size != 2 * codes.size:
        return None
    return numbers[0::2], codes, numbers[1::2]


def _channel_codes(
    text: NDArray[np.uint8], start: NDArray[np.intp], end: NDArray[np.intp], names: dict[bytes, int]
) -> Codes | None:
    """Number each row's channel; new names join `names`."""
    length = end - start
    width = int(length.max())
    if width > LONGEST_NAME:
        return None
    column = np.arange(width)
    cells = np.where(column < length[:, None], text[np.minimum(start[:, None] + column, text.size - 1)], 0)
    keys = np.ascontiguousarray(cells.astype(np.uint8)).view(f"S{width}").ravel()
    codes = np.full(keys.size, -1, np.int16)
    for name, k in names.items():
        codes[keys == name] = k
    while (unknown := np.flatnonzero(codes < 0)).size:
        name = bytes(keys[unknown[0]])
        if len(names) >= MOST_CHANNELS or not _is_name(name):
            return None
        names[name] = len(names)
        codes[keys == name] = names[name]
    return codes


def _numbers(text: NDArray[np.uint8], first: NDArray[np.intp], second: NDArray[np.intp]) -> Floats | None:
    """Read times and values in turn, everything else blanked out."""
    inside = np.zeros(text.size + 1, np.int8)
    inside[first] = 1
    inside[second + 1] = -1
    blanked = np.where(np.cumsum(inside[:-1], dtype=np.int8) > 0, 32, text).astype(np.uint8).tobytes()
    if b"_" in blanked:
        return None
    words = blanked.split()
    try:
        numbers = np.fromiter(map(float, words), np.float64, len(words))
    except ValueError:
        return None
    return numbers if np.all(np.isfinite(numbers)) else None


def _parse_carefully(block: bytes, names: dict[bytes, int], first_line: int) -> Block:
    """Read a block line by line, and name the line at fault."""
    time_s, codes, value = [], [], []
    for line, raw in enumerate(block.splitlines(), start=first_line):
        row = _decoded(raw, line).strip()
        if not row or row.startswith("#"):
            continue
        cells = cells_of(row, line)
        if len(cells) != len(COLUMNS):
            raise TraceFileError(
                "wrong_columns", f"{len(cells)} columns where 3 belong ({','.join(COLUMNS)}).", line
            )
        time_s.append(_number(cells[0], "time_s", line))
        codes.append(_channel_code(cells[1], names, line))
        value.append(_number(cells[2], "value", line))
    return np.array(time_s, np.float64), np.array(codes, np.int16), np.array(value, np.float64)


def _decoded(raw: bytes, line: int) -> str:
    try:
        text = raw.decode("utf-8")
    except UnicodeDecodeError:
        raise TraceFileError("not_text", "the line is not UTF-8 text; is this a trace file?", line) from None
    if "\0" in text:
        raise TraceFileError("not_text", "the line holds NUL bytes; is this a trace file?", line)
    return text


def _number(cell: str, column: str, line: int) -> float:
    try:
        number = math.nan if "_" in cell else float(cell)
    except ValueError:
        number = math.nan
    if math.isfinite(number):
        return number
    if not cell:
        raise TraceFileError("empty_cell", f"the column {column} is empty; a number belongs there.", line)
    raise TraceFileError(
        "not_a_number", f"the column {column} holds {cell[:40]!r}; a number belongs there.", line
    )


def _channel_code(cell: str, names: dict[bytes, int], line: int) -> int:
    name = cell.encode()
    if name not in names:
        if not _is_name(name):
            raise TraceFileError(
                "bad_channel", f"the channel {cell[:40]!r} is not {CRANK}, NAME_mm or NAME_in.", line
            )
        if len(names) >= MOST_CHANNELS:
            raise TraceFileError(
                "too_many_channels", f"more than {MOST_CHANNELS} channels; one file is one bench.", line
            )
        names[name] = len(names)
    return names[name]


def _is_name(name: bytes) -> bool:
    return (
        len(name) <= LONGEST_NAME
        and name.isascii()
        and name.replace(b"_", b"a").replace(b"-", b"a").isalnum()
    )


def _line_of_row(block: bytes, row: int, first_line: int) -> int:
    """Find the line of the `row`-th reading of a block."""
    at = -1
    for line, raw in enumerate(block.splitlines(), start=first_line):
        text = raw.strip()
        at += bool(text) and not text.startswith(b"#")
        if at == row:
            return line
    return first_line


def _pick(time_s: Floats, value: Floats, chosen: NDArray[np.bool_]) -> ChannelTrace:
    return ChannelTrace(time_s[chosen], value[chosen])


def _require_channels(trace: Trace) -> None:
    there = ", ".join(trace.channels)
    if CRANK not in trace.channels:
        raise TraceFileError("no_crank_channel", f"there is no channel {CRANK}; the file has {there}.")
    if not trace.gauges:
        raise TraceFileError(
            "no_gauge_channel", f"there is no gauge channel (NAME_mm or NAME_in); the file has {there}."
        )


def _require_sane_units(trace: Trace, path: Path) -> None:
    ends = [(own.time_s[0], own.time_s[-1]) for own in trace.channels.values()]
    span_s = max(last for _, last in ends) - min(first for first, _ in ends)
    if span_s > LONGEST_S:
        raise TraceFileError(
            "absurd_units", f"the times span {span_s:,.0f} s, more than a day; time_s must be in seconds.", 2
        )
    for gauge, channel in trace.gauges.items():
        _require_sane_gauge(trace, gauge, channel, path)


def _require_sane_gauge(trace: Trace, gauge: str, channel: str, path: Path) -> None:
    own = trace.gauge_mm(gauge)
    low, high = np.percentile(own.value, [1.0, 99.0])
    worst = max(abs(low), abs(high))
    if high - low <= LARGEST_SPAN_MM and worst <= LARGEST_READING_MM:
        return
    extreme = int(np.argmax(np.abs(own.value)))
    raise TraceFileError(
        "absurd_units",
        f"{channel} runs from {low:,.6g} to {high:,.6g} mm, more than any dial indicator; "
        "check the unit in its name.",
        _line_of_reading(path, channel, extreme),
    )


def _line_of_reading(path: Path, channel: str, index: int) -> int | None:
    """Find the line of one channel's reading number `index`, by reading the file once more."""
    marker = f",{channel},".encode()
    with path.open("rb") as file:
        for line, raw in enumerate(file, start=1):
            if marker in raw.replace(b" ", b"").replace(b'"', b""):
                if index == 0:
                    return line
                index -= 1
    return None


def trace_lines(
    channels: Mapping[str, tuple[Counts, Floats]], start_ns: int, comments: Iterable[str] = ()
) -> Iterator[str]:
    """Write a trace as text, some thousand rows at a time; no digit is lost.

    Parameters
    ----------
    channels
        For each channel name its arrival times (ns, not falling) and its values.
    start_ns
        The instant that becomes 0 s.
    comments
        Lines to stand before the header, each behind a ``#``.
    """
    yield "".join(f"# {' '.join(text.split())}\n" for text in comments) + ",".join(COLUMNS) + "\n"
    if not channels:
        return
    names = list(channels)
    t_ns = np.concatenate([channels[name][0] for name in names])
    value = np.concatenate([channels[name][1] for name in names])
    code = np.repeat(np.arange(len(names)), [channels[name][0].size for name in names])
    order = np.argsort(t_ns, kind="stable")
    for begin in range(0, order.size, ROWS_AT_ONCE):
        some = order[begin : begin + ROWS_AT_ONCE]
        rows = zip((t_ns[some] - start_ns).tolist(), code[some].tolist(), value[some].tolist(), strict=True)
        yield "".join(f"{_seconds(t)},{names[k]},{v!r}\n" for t, k, v in rows)


def _seconds(t_ns: int) -> str:
    """Write nanoseconds as decimal seconds, exactly."""
    whole, part = divmod(abs(t_ns), 10**9)
    return f"{'-' if t_ns < 0 else ''}{whole}.{part:09d}"
