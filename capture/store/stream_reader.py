"""The reading half of the stream store: read-only connections, readings as arrays.

A reader that keeps a cursor open lets the write-ahead log grow without end, so every method here opens,
reads everything it was asked for, and closes.
"""

from __future__ import annotations

import sqlite3
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from capture.base import MM_PER_INCH, Channel, Event, Gap, Segment
from capture.store.schema import STORE_NAME, open_for_reading

Integers = NDArray[np.int64]
_FOREVER_NS = 2**63 - 1


@dataclass(frozen=True, slots=True)
class Run:
    """One life of the capture process.

    `ending` is ``stopped``, ``cut_off`` (it was killed) or ``None`` while it is running.
    """

    id: int
    started_mono_ns: int
    started_wall_ns: int
    boot_id: str
    ended_mono_ns: int | None
    ended_wall_ns: int | None
    ending: str | None
    bench: str


@dataclass(frozen=True, slots=True)
class StoredChannel:
    """A channel as it was in one run, with its segments."""

    channel: Channel
    device: str
    segments: tuple[Segment, ...]

    @property
    def name(self) -> str:
        """The channel's name."""
        return self.channel.name


@dataclass(frozen=True, slots=True)
class ChannelReadings:
    """Readings of one channel, in order of arrival, all arrays of one length.

    Attributes
    ----------
    t_ns : ndarray of int64
        Arrival stamps, monotonic clock of the run, nanoseconds, rising.
    value : ndarray of float64
        Crank degrees (unwrapped, running direction positive, middle of the count) or millimetres.
    segment : ndarray of int64
        Segment number of each reading.
    raw : ndarray of int64
        Counts in the running direction, or units of the gauge's last decimal: what is stored.
    sequence : ndarray of int64
        Sequence number of each reading; folded readings count, so this may step by more than one.
    folded : ndarray of int64
        How many readings with this same value arrived between the one before and this one and were
        counted without being kept.
    """

    t_ns: Integers
    value: NDArray[np.float64]
    segment: Integers
    raw: Integers
    sequence: Integers
    folded: Integers

    def __len__(self) -> int:
        return len(self.t_ns)

    def some(self, chosen: slice | NDArray[np.bool_]) -> ChannelReadings:
        """Some of the readings."""
        return ChannelReadings(*(getattr(self, name)[chosen] for name in _COLUMNS))

    @property
    def lines(self) -> int:
        """Accepted lines that these readings account for."""
        return int(len(self.t_ns) + self.folded.sum())

    def every_raw(self) -> Integers:
        """The raw integer of every accepted line, the folded ones repeated."""
        return np.repeat(self.raw, self.folded + 1)


class StreamReader:
    """Reads a stream store while it is being written, or afterwards.

    Parameters
    ----------
    path : Path or str
        The data folder, or the store's file in it.

    Raises
    ------
    StoreNewer, StoreUnusable
        From every method.
    """

    def __init__(self, path: Path | str) -> None:
        given = Path(path)
        self.path = given / STORE_NAME if given.is_dir() else given

    def runs(self) -> list[Run]:
        """All runs, oldest first."""
        with self._connection() as connection:
            rows = connection.execute(f"SELECT {_RUN_COLUMNS} FROM runs ORDER BY id").fetchall()
        return [Run(*row) for row in rows]

    def latest_run(self) -> Run | None:
        """The newest run, or `None` when nothing was ever captured."""
        with self._connection() as connection:
            row = connection.execute(f"SELECT {_RUN_COLUMNS} FROM runs ORDER BY id DESC LIMIT 1").fetchone()
        return Run(*row) if row else None

    def channels(self, run_id: int) -> list[StoredChannel]:
        """The channels of a run."""
        with self._connection() as connection:
            rows = connection.execute(
                "SELECT id, name, quantity, unit, sign, counts_per_turn, device FROM channels"
                " WHERE run_id = ? ORDER BY id",
                (run_id,),
            ).fetchall()
            return [
                StoredChannel(Channel(*row[1:6]), row[6] or "", _segments(connection, row[0])) for row in rows
            ]

    def read(
        self, run_id: int, channel: str, start_ns: int = 0, end_ns: int = _FOREVER_NS
    ) -> ChannelReadings:
        """Readings of one channel with ``start_ns <= t_ns <= end_ns``.

        Raises
        ------
        KeyError
            When the run has no such channel.
        """
        where = "end_ns >= :start AND start_ns <= :end"
        found = self._decoded(run_id, channel, where, start_ns, end_ns)
        return found.some((found.t_ns >= start_ns) & (found.t_ns <= end_ns))

    def read_with_neighbours(self, run_id: int, channel: str, start_ns: int, end_ns: int) -> ChannelReadings:
        """The same, with the reading before the first and the one after the last where there are any.

        What stood still across an end of the interval can only be known from them: of a stand, the first
        and the last reading are kept.

        Raises
        ------
        KeyError
            When the run has no such channel.
        """
        where = (
            "first >= coalesce((SELECT max(first) FROM blocks"
            " WHERE channel_id = :id AND start_ns < :start), 0)"
            " AND first <= coalesce((SELECT min(first) FROM blocks WHERE channel_id = :id AND end_ns > :end),"
            " 9223372036854775807)"
        )
        found = self._decoded(run_id, channel, where, start_ns, end_ns)
        first = max(0, int(np.searchsorted(found.t_ns, start_ns, side="left")) - 1)
        last = int(np.searchsorted(found.t_ns, end_ns, side="right"))
        return found.some(slice(first, last + 1))

    def _decoded(self, run_id: int, channel: str, where: str, start_ns: int, end_ns: int) -> ChannelReadings:
        with self._connection() as connection:
            row = connection.execute(
                "SELECT id, name, quantity, unit, sign, counts_per_turn FROM channels"
                " WHERE run_id = ? AND name = ?",
                (run_id, channel),
            ).fetchone()
            if row is None:
                raise KeyError(f"run {run_id} has no channel {channel!r}")
            segments = {segment.number: segment for segment in _segments(connection, row[0])}
            blocks = connection.execute(
                "SELECT segment, first, kept, start_ns, tail_ns, tail_lines, data FROM blocks"
                f" WHERE channel_id = :id AND {where} ORDER BY first",
                {"id": row[0], "start": start_ns, "end": end_ns},
            ).fetchall()
        return _joined(Channel(*row[1:]), segments, blocks)

    def saved(self, run_id: int) -> dict[str, int]:
        """Sequence number of the last stored reading of each channel that has any."""
        with self._connection() as connection:
            rows = connection.execute(
                "SELECT name, max(first + lines - 1) FROM blocks JOIN channels"
                " ON channels.id = channel_id WHERE run_id = ? GROUP BY channel_id",
                (run_id,),
            ).fetchall()
        return {str(name): int(last) for name, last in rows}

    def gaps(self, run_id: int, channel: str | None = None) -> list[Gap]:
        """What is known not to be stored, in order."""
        return [
            Gap(*row)
            for row in self._rows("channel, reason, start_ns, end_ns, lines", "gaps", run_id, channel)
        ]

    def events(self, run_id: int, channel: str | None = None) -> list[Event]:
        """What happened at the bench, in order."""
        return [Event(*row) for row in self._rows("t_ns, channel, code, sentence", "events", run_id, channel)]

    def anchors(self, run_id: int) -> list[tuple[int, int]]:
        """Pairs of monotonic and wall time: the first of the run, and one after each clock change."""
        with self._connection() as connection:
            return [
                (int(mono), int(wall))
                for mono, wall in connection.execute(
                    "SELECT mono_ns, wall_ns FROM anchors WHERE run_id = ? ORDER BY id", (run_id,)
                )
            ]

    def wall_ns(self, run_id: int, t_ns: int) -> int:
        """Wall time of a stamp, by the run's first anchor, so that intervals stay true."""
        mono_ns, wall_ns = self.anchors(run_id)[0]
        return t_ns - mono_ns + wall_ns

    def _rows(self, columns: str, table: str, run_id: int, channel: str | None) -> list[Any]:
        with self._connection() as connection:
            return connection.execute(
                f"SELECT {columns} FROM {table} WHERE run_id = ? AND (? IS NULL OR channel = ?) ORDER BY id",
                (run_id, channel, channel),
            ).fetchall()

    @contextmanager
    def _connection(self) -> Iterator[sqlite3.Connection]:
        connection = open_for_reading(self.path)
        try:
            yield connection
        finally:
            connection.close()


_RUN_COLUMNS = "id, started_mono_ns, started_wall_ns, boot_id, ended_mono_ns, ended_wall_ns, ending, bench"


def _segments(connection: sqlite3.Connection, channel_id: int) -> tuple[Segment, ...]:
    rows = connection.execute(
        "SELECT number, reason, shift, decimals FROM segments WHERE channel_id = ? ORDER BY number",
        (channel_id,),
    )
    return tuple(Segment(*row) for row in rows)


def unpack(data: bytes, kept: int, start_ns: int) -> tuple[Integers, Integers, Integers]:
    """Stamps, raw integers and folded counts of one block; the inverse of `capture.blocks.Block.packed`."""
    planes = np.frombuffer(zlib.decompress(data), np.uint8).reshape(3, 8, kept)
    columns = np.ascontiguousarray(planes.transpose(0, 2, 1)).view("<u8")[:, :, 0]
    zigzag = columns[1]
    deltas = (zigzag >> np.uint64(1)).astype(np.int64)
    deltas = np.where(zigzag & np.uint64(1), -deltas - 1, deltas)
    times = np.cumsum(columns[0].astype(np.int64)) + start_ns
    return times, np.cumsum(deltas), columns[2].astype(np.int64)


def _joined(channel: Channel, segments: dict[int, Segment], blocks: list[Any]) -> ChannelReadings:
    """Unpack blocks and set them end to end; what a block has folded into its tail is one more row."""
    parts: list[ChannelReadings] = []
    for number, first, kept, block_start_ns, tail_ns, tail_lines, data in blocks:
        t_ns, raw, folded = unpack(data, kept, block_start_ns)
        if tail_lines:
            t_ns, raw = np.append(t_ns, tail_ns), np.append(raw, raw[-1])
            folded = np.append(folded, tail_lines - 1)
        value = _values(channel, raw, segments[number].decimals)
        segment = np.full(len(t_ns), number, np.int64)
        parts.append(ChannelReadings(t_ns, value, segment, raw, first + np.cumsum(folded + 1) - 1, folded))
    if not parts:
        none = np.empty(0, np.int64)
        return ChannelReadings(none, np.empty(0), none, none, none, none)
    return ChannelReadings(*(np.concatenate([getattr(part, name) for part in parts]) for name in _COLUMNS))


_COLUMNS = ("t_ns", "value", "segment", "raw", "sequence", "folded")


def _values(channel: Channel, raw: Integers, decimals: int) -> NDArray[np.float64]:
    """Degrees or millimetres, with the very rounding of `Channel.value`."""
    if channel.quantity == "crank":
        return np.asarray((raw + 0.5) * 360.0 / channel.counts_per_turn, np.float64)
    millimetres = channel.sign * raw / 10.0**decimals
    return millimetres * MM_PER_INCH if channel.unit == "in" else millimetres
