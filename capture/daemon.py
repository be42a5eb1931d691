"""The capture process put together: readers, recorder, live feed, health; started, supervised, stopped."""

from __future__ import annotations

import importlib.metadata
import logging
import os
import sys
import time
from pathlib import Path
from typing import Any

from capture.base import (
    Bus,
    Event,
    LimitedLog,
    Listener,
    StopRequest,
    folder_mark,
    notify,
    publish_facts,
    wire_now_ns,
    withdraw_facts,
)
from capture.bench import Bench, bench_sha256
from capture.feed import FEED_SCHEMA, Answer, LiveFeed, Message
from capture.port import HealthBoard, KnownDevices, PortReader
from capture.store import Recorder, StreamReader, StreamWriter, boot_id
from capture.watch import Watch

PROGRAM = importlib.metadata.version("lobewright")
log = logging.getLogger(__name__)
TICK_S = 0.25
HEALTH_EVERY_S = 0.5
BEAT_WITHIN_NS = 5_000_000_000
SWITCH_INTERVAL_S = 0.001


class Capture:
    """Everything that one capture process does.

    Parameters
    ----------
    bench_text : str
        The bench file as it was read; kept with the run.
    data_dir : Path
        Locked by the caller (`capture.folder.FolderLock`).

    Raises
    ------
    StoreError
        When the stream store cannot be used.
    """

    def __init__(self, bench: Bench, bench_text: str, data_dir: Path) -> None:
        self.bench, self.data_dir = bench, data_dir
        self._bench_sha256 = bench_sha256(bench_text)
        self._writer = StreamWriter(data_dir)
        before = StreamReader(data_dir).latest_run()
        self._bench_changed = before is not None and bool(before.bench) and before.bench != bench_text
        self._started = (wire_now_ns(), time.time_ns())
        self.run_id = self._writer.begin_run(
            bench.channels,
            mono_ns=self._started[0],
            wall_ns=self._started[1],
            pid=os.getpid(),
            boot_id=boot_id(),
            bench=bench_text,
        )
        self._bus = Bus(self._listener_failed)
        self.feed = LiveFeed(self._hello, self._commands())
        self.recorder = Recorder(
            self._writer,
            list(bench.channels),
            on_saved=self.feed.saved,
            on_event=self._tell,
        )
        self._bus.add(self.recorder)
        self._bus.add(self.feed)
        devices = KnownDevices(self._remembered_devices())
        self._ports = [
            PortReader(instruments, self._bus, devices, self._remember_device, since_ns=self._started[0])
            for instruments in bench.ports
        ]
        self.readers = {name: reader for reader in self._ports for name in reader.channels.names}
        statuses = [status for reader in self._ports for status in reader.channels.statuses]
        self._board = HealthBoard(statuses, self._bus)
        self._watch = Watch(self._ports, self._bus, self.recorder.anchor)
        self._told_to_stop = StopRequest()
        self._limited_log = LimitedLog(log)
        self._recorder_was_hung = False
        self._health_due_s = 0.0

    def run(self) -> bool:
        """Work until `stop`; tells whether everything heard is stored."""
        self.start()
        while not self._told_to_stop.came_within(TICK_S):
            self.tick()
        return self.shut_down()

    def start(self) -> None:
        """Start all threads: the recorder is ready before the first port is opened."""
        sys.setswitchinterval(SWITCH_INTERVAL_S)  # so that a busy thread delays the stamps of others less
        self.recorder.start()
        self.feed.start()
        for reader in self._ports:
            reader.start()
        self._watch.start()
        facts = {"pid": os.getpid(), **self.feed.facts, "run_id": self.run_id}
        publish_facts(self.data_dir, {**facts, "started": self._started[1] / 1e9})
        if self._bench_changed:
            sentence = f"the bench file is not that of the run before; run {self.run_id} begins with it"
            self._tell(Event(wire_now_ns(), "", "bench_changed", sentence))
        notify("READY=1")
        log.info("recording %s into %s as run %d", ", ".join(self.readers), self.data_dir, self.run_id)

    def tick(self) -> None:
        """Look after everything once."""
        self._board.tick(wire_now_ns())
        self._revive()
        if time.monotonic() >= self._health_due_s:
            self._health_due_s = time.monotonic() + HEALTH_EVERY_S
            self.feed.health(self.health())
        if self._all_beat():
            notify("WATCHDOG=1")

    def stop(self) -> None:
        """Ask `run` to end; callable from a signal handler."""
        self._told_to_stop.make()

    def shut_down(self) -> bool:
        """Close the ports, store everything, say so, end; tells whether everything is stored."""
        notify("STOPPING=1")
        self._watch.stop()
        for reader in self._ports:
            reader.stop()
        for reader in self._ports:
            reader.join(1.0)
        stored = self.recorder.stop()
        if stored:
            self._writer.end_run(wire_now_ns(), time.time_ns())
            self._writer.close()
        withdraw_facts(self.data_dir)
        self.feed.stop()
        return stored

    def health(self) -> Message:
        """The fields of a `health` message."""
        return {
            "channels": self._board.channels(wire_now_ns()),
            "recorder": self.recorder.health(),
            "doubts": self._board.doubts(),
            "beating": self._all_beat(),
        }

    # --- commands of clients ------------------------------------------------------------------------

    def _commands(self) -> dict[str, Any]:
        return {
            "flush": self._flush,
            "accept_device": self._accept_device,
            "health": self._answer_health,
            "stop": self._answer_stop,
        }

    def _flush(self, message: Message, answer: Answer) -> None:
        def done(stored: bool) -> None:
            """Answer when it is on the disk, or say why it is not."""
            sentence = "" if stored else self.recorder.health()["sentence"]
            answer({"ok": stored, "sentence": sentence, "saved": self.recorder.saved()})

        self.recorder.request_flush(done)

    def _accept_device(self, message: Message, answer: Answer) -> None:
        reader = self.readers.get(str(message.get("channel")))
        if reader is None:
            answer({"ok": False, "sentence": f"there is no channel {message.get('channel')!r}"})
        elif reader.accept_device():
            self._bus.event(
                Event(
                    wire_now_ns(),
                    reader.name,
                    "device_accepted",
                    f"{reader.name}: the device is accepted",
                )
            )
            answer({"ok": True, "sentence": f"{reader.name}: recording goes on with this device"})
        else:
            answer({"ok": False, "sentence": f"{reader.name}: no device is waiting to be accepted"})

    def _answer_health(self, message: Message, answer: Answer) -> None:
        answer({"ok": True, "sentence": "", **self.health()})

    def _answer_stop(self, message: Message, answer: Answer) -> None:
        answer({"ok": True, "sentence": "capture stores what it has heard, and ends"})
        self.stop()

    def _hello(self) -> Message:
        """Who records what, into which folder, and both clocks at one moment; every listener is told it first."""
        mono_ns, wall_ns = wire_now_ns(), time.time_ns()
        return {
            "run_id": self.run_id,
            "schema": FEED_SCHEMA,
            "folder": folder_mark(self.data_dir),
            "bench_sha256": self._bench_sha256,
            "program": PROGRAM,
            "channels": [
                {
                    "name": channel.name,
                    "quantity": channel.quantity,
                    "unit": channel.unit,
                    "sign": channel.sign,
                    "counts_per_turn": channel.counts_per_turn,
                }
                for channel in self.bench.channels
            ],
            "anchor": {"monotonic_ns": mono_ns, "wall_ns": wall_ns},
        }

    # --- looking after the parts --------------------------------------------------------------------

    def _revive(self) -> None:
        """Start again whatever thread has ended, and tell of it."""
        if not self.recorder.alive:
            self._tell(Event(wire_now_ns(), "", "recorder_dead", "the recorder stopped and was restarted"))
            self.recorder.start()
        if not self.feed.alive:
            self.feed.start()
        for reader in self._ports:
            if not reader.alive:
                self._tell(
                    Event(
                        wire_now_ns(),
                        reader.name,
                        "reader_dead",
                        f"{reader.name}: its reader was restarted",
                    )
                )
                reader.start()
        if self.recorder.hung != self._recorder_was_hung:
            self._recorder_was_hung = self.recorder.hung
            code = "recorder_hung" if self._recorder_was_hung else "recorder_recovered"
            sentence = self.recorder.health()["sentence"] or "the recorder goes on; nothing was lost"
            self._tell(Event(wire_now_ns(), "", code, sentence))

    def _all_beat(self) -> bool:
        oldest = min([self.recorder.beat_ns, *(r.status.beat_ns for r in self._ports)])
        return time.monotonic_ns() - oldest < BEAT_WITHIN_NS

    def _listener_failed(self, listener: Listener, error: Exception) -> None:
        if listener is self.recorder:
            sentence = f"the recorder refused readings ({error!r}); stop and start capture"
            self._tell(Event(wire_now_ns(), "", "recorder_refused", sentence))

    def _tell(self, event: Event) -> None:
        """An event of capture itself: to the log, and to everybody."""
        self._limited_log.warning(event.code, event.sentence)
        self._bus.event(event)

    def _remembered_devices(self) -> dict[str, str]:
        """Devices of the last run, as far as the bench file still gives them the same port."""
        remembered = {}
        ports = {instrument.channel.name: instrument.port for instrument in self.bench.instruments}
        for name, stored in self._writer.devices_of_last_run().items():
            port, _, identity = stored.rpartition(" ")
            if ports.get(name) == port:
                remembered[name] = identity
        return remembered

    def _remember_device(self, channel: str, identity: str) -> None:
        if identity:
            self.recorder.device(channel, f"{self.readers[channel].instrument.port} {identity}")
