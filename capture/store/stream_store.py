"""The stream store: every reading kept, in one SQLite file with exactly one writer.

`StreamWriter` is used by the recorder alone. `StreamReader` is the reading half for everybody else.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path

from capture.base import Channel, Event, Gap, Segment
from capture.store.blocks import Block
from capture.store.schema import STORE_NAME, open_for_writing
from capture.store.stream_reader import ChannelReadings, Run, StoredChannel, StreamReader

__all__ = [
    "STORE_NAME",
    "Batch",
    "ChannelReadings",
    "Run",
    "StoredChannel",
    "StreamReader",
    "StreamWriter",
]


@dataclass(slots=True)
class Batch:
    """What goes into the store in one transaction.

    `segments` pairs each new segment with its channel, the first sequence number and the first stamp.
    """

    blocks: list[Block] = field(default_factory=list)
    segments: list[tuple[Channel, Segment, int, int]] = field(default_factory=list)
    gaps: list[Gap] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)
    anchors: list[tuple[int, int]] = field(default_factory=list)
    devices: dict[str, str] = field(default_factory=dict)

    def __bool__(self) -> bool:
        return bool(self.blocks or self.segments or self.gaps or self.events or self.anchors or self.devices)


class StreamWriter:
    """The one writing connection.

    Parameters
    ----------
    data_dir : Path
        The data folder; the store is ``streams.db`` in it.

    Raises
    ------
    StoreNewer, StoreUnusable
    """

    def __init__(self, data_dir: Path) -> None:
        self.path = data_dir / STORE_NAME
        self._connection = open_for_writing(self.path)
        self.run_id = 0
        self._channel_ids: dict[str, int] = {}

    def begin_run(
        self,
        channels: Sequence[Channel],
        *,
        mono_ns: int,
        wall_ns: int,
        pid: int,
        boot_id: str,
        bench: str,
    ) -> int:
        """Close what an earlier process left open and begin a run; returns its number."""
        connection = self._connection
        connection.execute("BEGIN IMMEDIATE")
        try:
            self._close_unfinished(boot_id, mono_ns, wall_ns)
            cursor = connection.execute(
                "INSERT INTO runs (started_mono_ns, started_wall_ns, boot_id, pid, bench)"
                " VALUES (?, ?, ?, ?, ?)",
                (mono_ns, wall_ns, boot_id, pid, bench),
            )
            self.run_id = int(cursor.lastrowid or 0)
            connection.execute(
                "INSERT INTO anchors (run_id, mono_ns, wall_ns) VALUES (?, ?, ?)",
                (self.run_id, mono_ns, wall_ns),
            )
            self._channel_ids = {channel.name: self._insert_channel(channel) for channel in channels}
            connection.execute("COMMIT")
        except BaseException:
            self._roll_back()
            raise
        return self.run_id

    def write(self, batch: Batch) -> None:
        """Store a batch durably: when this returns it is on the disk.

        Raises
        ------
        sqlite3.Error
            Nothing of the batch is stored; the same batch may be written again.
        """
        connection = self._connection
        connection.execute("BEGIN IMMEDIATE")
        try:
            row_ids = [self._put_block(block) for block in batch.blocks]
            self._put_rest(batch)
            connection.execute("COMMIT")
        except BaseException:
            self._roll_back()
            raise
        for block, row_id in zip(batch.blocks, row_ids, strict=True):
            block.row_id = row_id

    def end_run(self, mono_ns: int, wall_ns: int) -> None:
        """Mark the run as ended in good order."""
        self._connection.execute(
            "UPDATE runs SET ended_mono_ns = ?, ended_wall_ns = ?, ending = 'stopped' WHERE id = ?",
            (mono_ns, wall_ns, self.run_id),
        )

    def devices_of_last_run(self) -> dict[str, str]:
        """Which device each channel had in the newest earlier run in which it was seen."""
        rows = self._connection.execute(
            "SELECT name, device FROM channels WHERE device != '' AND run_id < ? ORDER BY id", (self.run_id,)
        )
        return {str(name): str(device) for name, device in rows}

    def wal_bytes(self) -> int:
        """Size of the write-ahead log; asked of the folder, the file is not opened."""
        try:
            return self.path.with_name(self.path.name + "-wal").stat().st_size
        except OSError:
            return 0

    def shrink_wal(self) -> bool:
        """Move the log into the file and cut it off; false when a reader stands in the way."""
        self._connection.execute("PRAGMA busy_timeout = 0")
        try:
            busy, _, _ = self._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
        except sqlite3.OperationalError:
            return False
        finally:
            self._connection.execute("PRAGMA busy_timeout = 5000")
        return not busy

    def close(self) -> None:
        """Close the connection, which moves the log into the file."""
        self._connection.close()

    def _insert_channel(self, channel: Channel) -> int:
        cursor = self._connection.execute(
            "INSERT INTO channels (run_id, name, quantity, unit, sign, counts_per_turn, device)"
            " VALUES (?, ?, ?, ?, ?, ?, '')",
            (
                self.run_id,
                channel.name,
                channel.quantity,
                channel.unit,
                channel.sign,
                channel.counts_per_turn,
            ),
        )
        return int(cursor.lastrowid or 0)

    def _put_block(self, block: Block) -> int:
        """A block that was written before has only grown at its tail."""
        channel_id = self._channel_ids[block.channel.name]
        if block.row_id is not None:
            self._connection.execute(
                "UPDATE blocks SET tail_ns = ?, tail_lines = ?, lines = ?, end_ns = ? WHERE id = ?",
                (block.tail_ns, block.tail_lines, block.lines, block.end_ns, block.row_id),
            )
            return block.row_id
        cursor = self._connection.execute(
            "INSERT OR REPLACE INTO blocks (channel_id, segment, first, kept, lines, start_ns, end_ns,"
            " tail_ns, tail_lines, data) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (
                channel_id,
                block.segment.number,
                block.first,
                len(block.t_ns),
                block.lines,
                block.t_ns[0],
                block.end_ns,
                block.tail_ns,
                block.tail_lines,
                block.packed(),
            ),
        )
        return int(cursor.lastrowid or 0)

    def _put_rest(self, batch: Batch) -> None:
        """All of a batch that is no block."""
        run_id, connection = self.run_id, self._connection
        connection.executemany(
            "INSERT OR REPLACE INTO segments (channel_id, number, reason, shift, decimals, first, start_ns)"
            " VALUES (?, ?, ?, ?, ?, ?, ?)",
            (
                (self._channel_ids[c.name], s.number, s.reason, s.shift, s.decimals, first, t_ns)
                for c, s, first, t_ns in batch.segments
            ),
        )
        connection.executemany(
            "INSERT INTO gaps (run_id, channel, reason, start_ns, end_ns, lines) VALUES (?, ?, ?, ?, ?, ?)",
            ((run_id, g.channel, g.reason, g.start_ns, g.end_ns, g.lines) for g in batch.gaps),
        )
        connection.executemany(
            "INSERT INTO events (run_id, t_ns, channel, code, sentence) VALUES (?, ?, ?, ?, ?)",
            ((run_id, e.t_ns, e.channel, e.code, e.sentence) for e in batch.events),
        )
        connection.executemany(
            "INSERT INTO anchors (run_id, mono_ns, wall_ns) VALUES (?, ?, ?)",
            ((run_id, mono_ns, wall_ns) for mono_ns, wall_ns in batch.anchors),
        )
        connection.executemany(
            "UPDATE channels SET device = ? WHERE id = ?",
            ((device, self._channel_ids[name]) for name, device in batch.devices.items()),
        )

    def _close_unfinished(self, boot_id: str, mono_ns: int, wall_ns: int) -> None:
        """A run without an ending was cut off: list what it may not have stored as a gap."""
        connection = self._connection
        unfinished = connection.execute(
            "SELECT id, boot_id, started_mono_ns FROM runs WHERE ending IS NULL"
        ).fetchall()
        for run_id, run_boot_id, started_ns in unfinished:
            rows = connection.execute(
                "SELECT channels.name, max(blocks.end_ns) FROM channels LEFT JOIN blocks"
                " ON blocks.channel_id = channels.id WHERE channels.run_id = ? GROUP BY channels.id",
                (run_id,),
            ).fetchall()
            last_ns = [(name, started_ns if end_ns is None else end_ns) for name, end_ns in rows]
            until = mono_ns if run_boot_id == boot_id else None
            connection.executemany(
                "INSERT INTO gaps (run_id, channel, reason, start_ns, end_ns) VALUES (?, ?, 'unread', ?, ?)",
                ((run_id, name, end_ns, end_ns if until is None else until) for name, end_ns in last_ns),
            )
            newest = max((end_ns for _, end_ns in last_ns), default=started_ns)
            connection.execute(
                "UPDATE runs SET ended_mono_ns = ?, ended_wall_ns = ?, ending = 'cut_off' WHERE id = ?",
                (newest, wall_ns, run_id),
            )

    def _roll_back(self) -> None:
        if self._connection.in_transaction:
            self._connection.execute("ROLLBACK")


def integrity(path: Path | str) -> str:
    """``ok``, or what ``PRAGMA integrity_check`` found, of a store that nobody writes at the moment."""
    with closing(sqlite3.connect(path)) as connection:
        rows: Iterable[tuple[str]] = connection.execute("PRAGMA integrity_check")
        return "; ".join(row[0] for row in rows)
