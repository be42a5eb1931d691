"""One thread a port: open it, read it, open it again, for as long as the process lives."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Sequence

from capture.base import (
    Bus,
    Event,
    LimitedLog,
    PortLost,
    PortProgress,
    PortRetryable,
    PortUnusable,
    wire_now_ns,
    wire_pause_s,
)
from capture.bench import ASK_BOARD, CrankInstrument, GaugeInstrument
from capture.port.asking import Asker
from capture.port.backoff import BackOff
from capture.port.channels import PortChannels
from capture.port.devices import KnownDevices
from capture.port.health import ChannelState
from capture.port.serial_port import READ_TIMEOUT_S, Port

log = logging.getLogger(__name__)
HELD_UP_NS = 500_000_000
STILL_COMING_S = 0.05
RESTART_PAUSE_S = 0.2
LONGEST_OPENING_NS = 5_000_000_000
"""A server that does not answer is waited for; a thread that waits is not dead."""
CALL_AGAIN_NS = 3_000_000_000
"""From a channel told silent until its serial server is called anew."""


class PortReader:
    """Reads one instrument for ever; whatever goes wrong is told and tried again.

    Parameters
    ----------
    instruments : CrankInstrument or GaugeInstrument
        One; or all that share a counter board's port, the crank first.
    bus : Bus
        Given readings, gaps and events.
    devices : KnownDevices
        Says whether the device behind the port may be recorded.
    on_device : callable
        Told the channel and the identity of the device whenever one is taken into use.
    since_ns : int, optional
        Since when what the instruments say is this reader's to account for, on their wires' clock; left out: from now
        on. A slow disk, or a busy computer, may lie between the run's begin and its readers'.
    """

    def __init__(
        self,
        instruments: CrankInstrument | GaugeInstrument | Sequence[CrankInstrument | GaugeInstrument],
        bus: Bus,
        devices: KnownDevices,
        on_device: Callable[[str, str], None] = lambda channel, identity: None,
        *,
        since_ns: int | None = None,
    ) -> None:
        instruments = instruments if isinstance(instruments, Sequence) else (instruments,)
        self.instrument = instrument = instruments[0]
        self.channels = PortChannels(instruments, bus, time.monotonic_ns())
        self.name = instrument.channel.name
        self.intake, self.status = self.channels.intakes[0], self.channels.statuses[0]
        self._bus, self._devices, self._on_device = bus, devices, on_device
        self._stop = threading.Event()
        self._progress = PortProgress(instrument.port)
        self._back_off = BackOff()
        self._log = LimitedLog(log)
        self._asker = _asker(instrument)
        self._reason = "start"
        self._since_ns = wire_now_ns() if since_ns is None else since_ns
        self._thread: threading.Thread | None = None
        self._port: Port | None = None
        self._read_ns = 0
        self._awake_ns = 0
        self._heard_ns = 0

    # --- what others call ---------------------------------------------------------------------------

    def start(self) -> None:
        """Start the thread."""
        self._thread = threading.Thread(target=self._run, name=f"port {self.name}", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Ask the thread to end; `join` waits for it."""
        self._stop.set()

    def join(self, timeout_s: float) -> bool:
        """Wait for the thread; tells whether it ended."""
        if self._thread:
            self._thread.join(timeout_s)
        return not self.alive

    @property
    def alive(self) -> bool:
        """Whether the thread runs."""
        return self._thread is not None and self._thread.is_alive()

    @property
    def open_rdev(self) -> int | None:
        """Device number of the open port, or `None`."""
        port = self._port
        return port.rdev if port else None

    def accept_device(self) -> bool:
        """A person accepts the device that waits; false when none does."""
        port = self._port
        if port is None or self.status.port_state is not ChannelState.IN_DOUBT:
            return False
        self._devices.accept(self.name, port.identity)
        return True

    # --- the thread ---------------------------------------------------------------------------------

    def _run(self) -> None:
        """Open again and again: what can come back is tried with growing pauses, a fault of ours told and started over."""
        while not self._stop.is_set():
            try:
                self._session()
            except PortUnusable as error:
                self._closed(error.state if error.state != "offline" else "unusable", str(error))
                self._wait(5.0)
            except PortRetryable as error:
                self._closed(error.state, str(error))
                self._wait(self._back_off.next_pause_s())
            except Exception as error:
                log.exception("the reader of %s failed and is started again", self.name)
                self._tell("reader_failed", f"{self.name}: its reader failed ({error!r}) and was restarted")
                self._closed("offline", f"{self.name}: its reader failed and is being restarted")
                self._reason = "restarted"
                self._wait(RESTART_PAUSE_S)

    def _session(self) -> None:
        self.status.beat_ns = time.monotonic_ns() + LONGEST_OPENING_NS
        with Port(self.instrument) as port:
            try:
                self._opened(port)
                self._read(port)
            finally:
                self._port = None
                self._progress.end()
                self.channels.finish(wire_now_ns())

    def _opened(self, port: Port) -> None:
        now_ns = wire_now_ns()
        self._port, self._read_ns, self._awake_ns = port, now_ns, time.monotonic_ns()
        self._heard_ns = 0
        self._progress.begin()
        self.channels.begin(self._reason, now_ns, self._since_ns)
        if self._asker:
            self._asker.begin(now_ns)
        self._reason = "reopened"
        self._judge_device(port)
        if self.instrument.frame == "board":
            port.write(ASK_BOARD)
        self._tell("port_opened", f"{self.name}: {port.name} is open")

    def _judge_device(self, port: Port) -> None:
        """Another device than before is in doubt, and nothing of it passes, until somebody accepts it."""
        sentence = self._devices.judge(self.name, port.identity)
        if sentence:
            if self.status.port_state is not ChannelState.IN_DOUBT:
                self._log.warning("doubt", sentence)
                self._tell("device_in_doubt", sentence)
            self.channels.closed(ChannelState.IN_DOUBT, sentence)
        else:
            self.channels.opened(wire_now_ns())
            for name in self.channels.names:
                self._on_device(name, port.identity)
        self.channels.hold(in_doubt=bool(sentence))

    def _read(self, port: Port) -> None:
        """Read until told to stop; what comes after the process itself was held up is marked as late."""
        checked_ns = time.monotonic_ns()
        while not self._stop.is_set():
            chunk = port.read(self._patience_s())
            now_ns, awake_ns = wire_now_ns(), time.monotonic_ns()
            late = min(now_ns - self._read_ns, awake_ns - self._awake_ns) > HELD_UP_NS
            self._read_ns, self._awake_ns = now_ns, awake_ns
            self.status.beat_ns = awake_ns
            if chunk:
                self._heard_ns = now_ns
                self._take(port, chunk, now_ns, late=late)
                self._progress.taken(len(chunk))
            if self._asker:
                self._ask(port, self._asker)
                self._progress.asks_at(self._asker.due_ns)
            if awake_ns - checked_ns > HELD_UP_NS:
                checked_ns = awake_ns
                self._check(port, now_ns)
        self._take_the_last(port)

    def _take_the_last(self, port: Port) -> None:
        """Told to stop: what was sent before still counts, though a busy computer may hand it over a moment later."""
        until_s = time.monotonic() + (0.0 if self._asker else STILL_COMING_S)
        while (left_s := until_s - time.monotonic()) > 0.0:
            if chunk := port.read(left_s):
                self.channels.take(chunk, wire_now_ns())

    def _patience_s(self) -> float:
        if not self._asker:
            return READ_TIMEOUT_S
        return wire_pause_s(self._asker.due_ns, READ_TIMEOUT_S)

    def _take(self, port: Port, chunk: bytes, now_ns: int, *, late: bool) -> None:
        if self._asker:
            self._take_answer(chunk, now_ns, self._asker)
            return
        self.channels.take(chunk, now_ns, late=late)
        if late:
            self._take_what_waited(port)

    def _take_what_waited(self, port: Port) -> None:
        """The process was held up: all that had gathered meanwhile is late, not just the first chunk."""
        self._tell("held_up", f"{self.name}: capture was held up; readings of that time are marked late")
        while port.waiting() and not self._stop.is_set():
            chunk = port.read(0.0)
            self._read_ns, self._awake_ns = wire_now_ns(), time.monotonic_ns()
            self.channels.take(chunk, self._read_ns, late=True)
            self._progress.taken(len(chunk))

    def _take_answer(self, chunk: bytes, now_ns: int, asker: Asker) -> None:
        """An answer has its time from the question; one that nobody waits for any more is only counted."""
        frames = self.intake.decoder.feed(chunk)
        if not frames:
            asker.heard(now_ns)
        for frame in frames:
            stamp = asker.answered(now_ns)
            if stamp is not None:
                self.intake.take_answer(frame, stamp)
            else:
                self.intake.late_answer()
        self.status.mute = asker.mute
        self._progress.asks_at(asker.due_ns)

    def _ask(self, port: Port, asker: Asker) -> None:
        if not asker.wants_to_ask(wire_now_ns()):
            self.status.mute = asker.mute
            return
        if asker.unanswered:
            self.intake.decoder.resynchronise(in_step=True)
        request = _request(self.instrument)
        if not port.write(request):
            raise PortLost(f"port {port.name} takes no bytes; is the gauge on?")
        self._progress.asked(len(request))
        asker.asked(wire_now_ns())

    def _check(self, port: Port, now_ns: int) -> None:
        """Twice a second: list rejects, follow a name that moved, look whether a person has decided."""
        self._back_off.succeeded()  # not at opening: a server may let us in and throw us out at once
        self.channels.settle(now_ns)
        if port.moved():
            raise PortLost(f"port {port.name} now leads to another device; opening that")
        if port.at_server and self._fell_silent(now_ns):
            raise PortLost(f"port {port.name} gives nothing any more; calling the serial server again")
        if self.status.port_state is ChannelState.IN_DOUBT:
            self._judge_device(port)

    def _fell_silent(self, now_ns: int) -> bool:
        """Whether a connection that has carried bytes carries none now.

        Servers may lose the device behind them and leave the caller connected to nothing, while a new call
        would be served. One that has carried nothing yet is left alone: calling it again and again heals nothing.
        """
        if not self._heard_ns or (self._asker and not self._asker.mute):
            return False
        return now_ns - self._heard_ns > self.instrument.silent_after_s * 1e9 + CALL_AGAIN_NS

    def _closed(self, state: str, sentence: str) -> None:
        was_open = self.status.port_state in {ChannelState.ONLINE, ChannelState.IN_DOUBT}
        self.status.beat_ns = time.monotonic_ns()
        if was_open or self.status.port_sentence != sentence:
            self._log.warning("port", f"{self.name}: {sentence}")
        if was_open:
            self._tell("port_lost", f"{self.name}: {sentence}")
        self.channels.closed(state, sentence)

    def _wait(self, seconds: float) -> None:
        self.status.beat_ns = time.monotonic_ns()
        self._stop.wait(seconds)

    def _tell(self, code: str, sentence: str) -> None:
        self._bus.event(Event(wire_now_ns(), self.name, code, sentence))


def _asker(instrument: CrankInstrument | GaugeInstrument) -> Asker | None:
    if not isinstance(instrument, GaugeInstrument) or not instrument.request:
        return None
    return Asker(round(instrument.request_interval_s * 1e9), round(instrument.answer_within_s * 1e9))


def _request(instrument: CrankInstrument | GaugeInstrument) -> bytes:
    return instrument.request_bytes if isinstance(instrument, GaugeInstrument) else b""
