"""The recorder: one thread that keeps every reading.

It is ready before its thread starts, its queue is bounded, it never drops anything silently, and a writer
that is dead, hung or refused by the disk is told upwards. What cannot be written stays in memory and is
written when the disk allows it again.
"""

from __future__ import annotations

import logging
import os
import sqlite3
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from capture.base import Channel, Event, Gap, LimitedLog, Readings, wire_now_ns
from capture.store.blocks import Block, BlockBuilder
from capture.store.stream_store import Batch, StreamWriter

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class RecorderLimits:
    """Figures of the recorder.

    Attributes
    ----------
    commit_every_s : float
        The longest that a reading waits for its block to be closed.
    unsaved_readings : int
        Bound of what is held in memory: over four minutes of a full bench (4,000 readings a second).
    hung_after_s : float
        Without a sign of life for so long, the recorder counts as hung.
    wal_alarm_bytes, wal_shrink_bytes : int
        Sizes of the write-ahead log at which to raise an alarm, and from which on to cut it.
    """

    commit_every_s: float = 0.5
    retry_every_s: float = 1.0
    unsaved_readings: int = 1_000_000
    hung_after_s: float = 5.0
    wal_alarm_bytes: int = 64 * 1024 * 1024
    wal_shrink_bytes: int = 8 * 1024 * 1024
    blocks_a_commit: int = 400


USUAL_LIMITS = RecorderLimits()


class Recorder:
    """A `Listener` that stores what it hears.

    Parameters
    ----------
    writer : StreamWriter
        With a run begun.
    on_saved : callable
        Told, from the recorder's thread, the sequence number stored durably of every channel.
    on_event : callable
        Told what goes wrong with the recording itself.
    """

    def __init__(
        self,
        writer: StreamWriter,
        channels: list[Channel],
        *,
        limits: RecorderLimits = USUAL_LIMITS,
        on_saved: Callable[[dict[str, int]], None] = lambda saved: None,
        on_event: Callable[[Event], None] = lambda event: None,
    ) -> None:
        self._writer, self._limits = writer, limits
        self._on_saved, self._on_event = on_saved, on_event
        self._wake = threading.Condition()
        self._queue: deque[Readings] = deque()
        self._queued = 0
        self._builders = {channel.name: BlockBuilder(channel) for channel in channels}
        self._taken = dict.fromkeys(self._builders, -1)
        self._saved = dict.fromkeys(self._builders, -1)
        self._segments: dict[str, int] = {}
        self._dirty: dict[int, Block] = {}
        self._others = Batch()
        self._not_kept: dict[str, tuple[int, int, int]] = {}
        self._flushes: list[Callable[[bool], None]] = []
        self._oldest_ns = 0
        self._commit_due_ns = 0
        self._trouble = ""
        self._trouble_sentence = ""
        self._stop = False
        self._thread: threading.Thread | None = None
        self._limited_log = LimitedLog(log)
        self.beat_ns = time.monotonic_ns()

    # --- what others call ---------------------------------------------------------------------------

    def start(self) -> None:
        """Start the thread, or start it again after it died; nothing that was heard is lost."""
        self.beat_ns = time.monotonic_ns()
        self._thread = threading.Thread(target=self._run, name="recorder", daemon=True)
        self._thread.start()

    def readings(self, readings: Readings) -> None:
        """Take readings; returns at once."""
        lines = len(readings.raw)
        with self._wake:
            if self._queued + self._unsaved_taken() + lines > self._limits.unsaved_readings:
                self._refuse(readings)
                return
            self._oldest_ns = self._oldest_ns or readings.t_ns[0]
            self._queue.append(readings)
            self._queued += lines

    def gap(self, gap: Gap) -> None:
        """Take a gap."""
        with self._wake:
            self._others.gaps.append(gap)

    def event(self, event: Event) -> None:
        """Take an event."""
        with self._wake:
            self._others.events.append(event)

    def anchor(self, mono_ns: int, wall_ns: int) -> None:
        """Take a new pair of monotonic and wall time, after somebody set the clock."""
        with self._wake:
            self._others.anchors.append((mono_ns, wall_ns))

    def device(self, channel: str, identity: str) -> None:
        """Remember which device a channel has."""
        with self._wake:
            self._others.devices[channel] = identity

    def request_flush(self, done: Callable[[bool], None]) -> None:
        """Store everything heard so far now; `done` is told whether it is on the disk."""
        with self._wake:
            self._flushes.append(done)
            self._wake.notify()

    def saved(self) -> dict[str, int]:
        """Sequence number stored durably of every channel; -1 when there is none."""
        return dict(self._saved)

    @property
    def alive(self) -> bool:
        """Whether the thread runs."""
        return self._thread is not None and self._thread.is_alive()

    @property
    def hung(self) -> bool:
        """Whether the thread has given no sign of life for too long."""
        return time.monotonic_ns() - self.beat_ns > self._limits.hung_after_s * 1e9

    def health(self) -> dict[str, Any]:
        """State, queued, unsaved_s and a sentence."""
        state, sentence = self._state()
        with self._wake:
            queued = self._queued + self._unsaved_taken()
            oldest_ns = self._oldest_ns
        unsaved_s = (wire_now_ns() - oldest_ns) / 1e9 if queued and oldest_ns else 0.0
        return {"state": state, "queued": queued, "unsaved_s": round(unsaved_s, 2), "sentence": sentence}

    def stop(self, timeout_s: float = 4.0) -> bool:
        """Store everything and end the thread; tells whether everything is stored."""
        with self._wake:
            self._stop = True
            self._wake.notify()
        if self._thread:
            self._thread.join(timeout_s)
        return not self.alive and not self._queued and not self._unsaved_taken() and not self._others

    # --- the thread ---------------------------------------------------------------------------------

    def _run(self) -> None:
        try:
            while True:
                self._wait()
                # Looked at before what is heard is taken: whoever asked is told of all that was heard before.
                stopping, asked = self._stop, len(self._flushes)
                self._drain()
                if stopping or asked or time.monotonic_ns() >= self._commit_due_ns:
                    self._answer(asked, self._commit())
                if stopping:
                    return
        except Exception:
            log.exception("the recorder failed; it is started again and nothing heard is lost")

    def _wait(self) -> None:
        with self._wake:
            if not (self._stop or self._flushes):
                self._wake.wait(0.1)
        self.beat_ns = time.monotonic_ns()

    def _drain(self) -> None:
        while self._queue:
            readings = self._queue[0]
            self._fold(readings)
            with self._wake:
                self._queue.popleft()
                self._queued -= len(readings.raw)
                self._taken[readings.channel.name] = readings.first + len(readings.raw) - 1

    def _fold(self, readings: Readings) -> None:
        name, segment = readings.channel.name, readings.segment
        if self._segments.get(name) != segment.number:
            self._segments[name] = segment.number
            with self._wake:
                self._others.segments.append((readings.channel, segment, readings.first, readings.t_ns[0]))
        add = self._builders[name].add
        for place, (t_ns, raw) in enumerate(zip(readings.t_ns, readings.raw, strict=True)):
            touched = add(segment, readings.first + place, t_ns, raw)
            if touched is not None:
                self._dirty[id(touched)] = touched

    def _answer(self, asked: int, stored: bool) -> None:
        """Tell the first so many that asked for it whether what they had heard is stored."""
        with self._wake:
            answered, self._flushes = self._flushes[:asked], self._flushes[asked:]
        for done in answered:
            done(stored)

    def _commit(self) -> bool:
        """Write everything that is not stored; on failure it all stays and is tried again."""
        for builder in self._builders.values():
            closed = builder.close()
            if closed is not None:
                self._dirty[id(closed)] = closed
        self._list_what_was_not_kept()
        stored = self._write_all()
        pause_s = self._limits.commit_every_s if stored else self._limits.retry_every_s
        self._commit_due_ns = time.monotonic_ns() + round(pause_s * 1e9)
        return stored

    def _write_all(self) -> bool:
        """Write until nothing waits; what cannot be written waits on."""
        while self._dirty or self._others:
            with self._wake:
                others, self._others = self._others, Batch()
            others.blocks = list(self._dirty.values())[: self._limits.blocks_a_commit]
            try:
                self._writer.write(others)
            except sqlite3.Error as error:
                self._put_back(others)
                self._in_trouble(error)
                return False
            self.beat_ns = time.monotonic_ns()
            self._note_saved(others.blocks)
        self._out_of_trouble()
        self._look_at_wal()
        return True

    def _put_back(self, others: Batch) -> None:
        with self._wake:
            newer, self._others = self._others, others
            others.blocks = []
            others.segments += newer.segments
            others.gaps += newer.gaps
            others.events += newer.events
            others.anchors += newer.anchors
            others.devices.update(newer.devices)

    def _note_saved(self, blocks: list[Block]) -> None:
        with self._wake:
            for block in blocks:
                self._dirty.pop(id(block), None)
                name = block.channel.name
                self._saved[name] = max(self._saved[name], block.last)
            self._oldest_ns = self._queue[0].t_ns[0] if self._queue and not self._dirty else 0
            if self._dirty:
                self._oldest_ns = min(block.t_ns[0] for block in self._dirty.values())
        if blocks:
            self._on_saved(self.saved())

    # --- trouble ------------------------------------------------------------------------------------

    def _in_trouble(self, error: sqlite3.Error) -> None:
        full = "full" in str(error) or getattr(error, "sqlite_errorname", "") == "SQLITE_FULL"
        trouble = "disk_full" if full else "write_failed"
        where = self._writer.path.parent
        sentence = (
            f"the disk that holds {where} is full; readings are kept in memory: make room now"
            if full
            else f"{where} cannot be written ({error}); readings are kept in memory: check the disk"
        )
        self._limited_log.warning(trouble, sentence)
        if trouble != self._trouble:
            self._trouble, self._trouble_sentence = trouble, sentence
            self._on_event(Event(wire_now_ns(), "", f"recorder_{trouble}", sentence))

    def _out_of_trouble(self) -> None:
        if self._trouble and self._trouble != "wal_large":
            self._trouble = self._trouble_sentence = ""
            sentence = "everything that was kept in memory is stored; recording goes on"
            log.warning("%s", sentence)
            self._on_event(Event(wire_now_ns(), "", "recorder_recovered", sentence))

    def _look_at_wal(self) -> None:
        """A log that grows because somebody reads for too long is told of."""
        size = self._writer.wal_bytes()
        if size > self._limits.wal_shrink_bytes and self._writer.shrink_wal():
            size = 0
        if size >= self._limits.wal_alarm_bytes and not self._trouble:
            self._trouble = "wal_large"
            self._trouble_sentence = (
                f"a program keeps {self._writer.path.name} open for reading, so its log has grown to "
                f"{size // 1_000_000} MB; close that program"
            )
            self._limited_log.warning("wal", self._trouble_sentence)
            self._on_event(Event(wire_now_ns(), "", "recorder_wal_large", self._trouble_sentence))
        elif self._trouble == "wal_large" and size < self._limits.wal_alarm_bytes // 2:
            self._trouble = self._trouble_sentence = ""
            self._on_event(Event(wire_now_ns(), "", "recorder_recovered", "the store's log is small again"))

    def _refuse(self, readings: Readings) -> None:
        """Memory is full. Not kept, but never silently: counted, listed as a gap, and told."""
        name, lines = readings.channel.name, len(readings.raw)
        start_ns, _, before = self._not_kept.get(name, (readings.t_ns[0], 0, 0))
        self._not_kept[name] = (start_ns, readings.t_ns[-1], before + lines)

    def _list_what_was_not_kept(self) -> None:
        with self._wake:
            not_kept, self._not_kept = self._not_kept, {}
            self._others.gaps += [
                Gap(name, "not_kept", start_ns, end_ns, lines)
                for name, (start_ns, end_ns, lines) in not_kept.items()
            ]

    def _state(self) -> tuple[str, str]:
        if not self.alive:
            return "dead", "nothing is being recorded: the recorder stopped; it is being started again"
        if self._not_kept:
            lines = sum(count for _, _, count in self._not_kept.values())
            return (
                "losing",
                f"memory is full and {lines} readings could not be kept; {self._trouble_sentence}",
            )
        if self.hung:
            since_s = (time.monotonic_ns() - self.beat_ns) / 1e9
            return "hung", f"nothing has been stored for {since_s:.0f} s: the disk does not answer; check it"
        if self._trouble:
            return self._trouble, self._trouble_sentence
        return "recording", ""

    def _unsaved_taken(self) -> int:
        return sum(self._taken.values()) - sum(self._saved.values())


def boot_id() -> str:
    """What tells one boot of this machine from another: the monotonic clock begins again with each."""
    try:
        with open("/proc/sys/kernel/random/boot_id") as file:  # noqa: PTH123 - not a file of ours
            return file.read().strip()
    except OSError:
        return f"process-{os.getpid()}"
