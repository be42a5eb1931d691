"""The bench's time: this machine's, or one of its own, which goes on only as fast as the bench's lines are taken.

A bench that keeps its own time is the same however busy the machine is. Its folder, named by `BENCH_CLOCK`, is shared
with whoever reads the lines: ``now`` holds the time in nanoseconds (eight bytes, this machine's order), set here alone;
``NAME.progress`` holds, while the port NAME is open for reading, when its reader will next ask something, how many bytes
were asked, and how many of the port's were read and stamped; it is emptied when the port is closed. Time stands at a
line until it was taken, and at a question until it was asked. While somebody waits for it, it goes as fast as that
allows; otherwise at a pace that is given, or not at all.
"""

from __future__ import annotations

import math
import mmap
import os
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple, Protocol

from simulated_devices.machine.errors import SimulatorError

BENCH_CLOCK = "LOBEWRIGHT_BENCH_CLOCK"
BENCH_PACE = "LOBEWRIGHT_BENCH_PACE"
STARTS_AT_NS = 1_000_000_000_000
_LOOK_S, _LONGEST_LOOK_S = 0.00005, 0.001
_LOOKS_A_READER = 20
_MADE_UP_FOR_S = 0.1


class Progress(NamedTuple):
    """How far a port's reader is: when it will ask, and bytes since it opened the port."""

    asks_at_ns: int
    asked: int
    taken: int


class Speaker(Protocol):
    """What has its turns on a clock: a line."""

    @property
    def port_name(self) -> str:
        """Name under which its reader says how far it is."""

    @property
    def written(self) -> int:
        """Bytes that its port has accepted."""

    @property
    def listens(self) -> bool:
        """Whether it can be asked."""

    def received(self) -> int:
        """Bytes that were written to its port, as far as they have come."""

    def rest_s(self, now_s: float) -> float:
        """How long until its next turn."""

    def turn(self, now_s: float) -> None:
        """Say what is due."""

    def heard(self) -> bool:
        """Whether anybody has its port open."""


class MachineClock:
    """The machine's monotonic time; every speaker has a thread of its own."""

    def __init__(self) -> None:
        self._ended: dict[Speaker, tuple[threading.Event, threading.Thread]] = {}

    def now_s(self) -> float:
        """Now, seconds."""
        return time.monotonic()

    def now_ns(self) -> int:
        """Now, nanoseconds."""
        return time.monotonic_ns()

    def sleep(self, seconds: float, *, hurry: bool = True) -> None:
        """Wait; in a hurry where somebody waits for the end of it."""
        time.sleep(seconds)

    def drive(self, speaker: Speaker) -> None:
        """Give a speaker its turns until it is let go."""
        ended = threading.Event()
        thread = threading.Thread(target=self._run, args=(speaker, ended), name="line", daemon=True)
        self._ended[speaker] = ended, thread
        thread.start()

    def let_go(self, speaker: Speaker) -> None:
        """No more turns."""
        if speaker in self._ended:
            ended, thread = self._ended.pop(speaker)
            ended.set()
            thread.join(5.0)

    def _run(self, speaker: Speaker, ended: threading.Event) -> None:
        while not ended.wait(speaker.rest_s(self.now_s())):
            speaker.turn(self.now_s())


class BenchClock(MachineClock):
    """A time of the bench's own, shared through a folder.

    Parameters
    ----------
    folder : Path
        Made if it is not there.
    pace : float
        Seconds that pass in a second of the machine while nobody waits, at most; 0: time stands still then.
    """

    def __init__(self, folder: Path, pace: float = 1.0) -> None:
        super().__init__()
        self._folder, self._pace = folder, pace
        self._page = _page(folder)
        self._now_s = self._reached_s = self._page[0] / 1e9
        self._change = threading.Condition()
        self._due_s: dict[Speaker, float] = {}
        self._waited_for: list[float] = []
        self._sleep_until: list[float] = []
        self._readers: dict[str, int] = {}
        self._paced_from = (time.monotonic(), self._now_s)
        self._turning = threading.Lock()
        self._thread = threading.Thread(target=self._go_on, name="clock", daemon=True)
        self._started = False

    def now_s(self) -> float:
        """Now, seconds."""
        return self._now_s

    def now_ns(self) -> int:
        """Now, nanoseconds."""
        return self._page[0]

    def sleep(self, seconds: float, *, hurry: bool = True) -> None:
        """Wait until the bench has come so far; in a hurry time goes on as fast as it can meanwhile."""
        with self._change:
            until_s = self._reached_s + seconds
            self._sleep_until.append(until_s)
            if hurry:
                self._waited_for.append(until_s)
                self._change.notify_all()
            self._change.wait_for(lambda: self._reached_s >= until_s or not self._due_s)
            self._sleep_until.remove(until_s)
            if hurry:
                self._waited_for.remove(until_s)

    def drive(self, speaker: Speaker) -> None:
        """Give a speaker its turns until it is let go."""
        with self._change:
            self._due_s[speaker] = self._now_s + speaker.rest_s(self._now_s)
            self._change.notify_all()
            if not self._started:
                self._started = True
                self._thread.start()

    def let_go(self, speaker: Speaker) -> None:
        """No more turns; one that is being taken ends first."""
        with self._change:
            self._due_s.pop(speaker, None)
            self._change.notify_all()
        with self._turning:
            pass

    def _go_on(self) -> None:
        while (due := self._next()) is not None:
            speaker, at_s = due
            with self._turning:
                if speaker in self._due_s:
                    self._turn(speaker, at_s)

    def _next(self) -> tuple[Speaker, float] | None:
        """The speaker whose turn it is, and its time, once that has come; `None` when all were let go."""
        with self._change:
            while self._due_s:
                speaker = min(self._due_s, key=lambda one: self._due_s[one])
                at_s = self._due_s[speaker]
                ahead_s = self._ahead_s(at_s)
                if ahead_s is not None and ahead_s <= 0.0:
                    return speaker, at_s
                self._change.wait(ahead_s)
            return None

    def _ahead_s(self, at_s: float) -> float | None:
        """For how long the machine still waits for a time of the bench; `None`: until somebody else does."""
        machine_s = time.monotonic()
        if any(until_s > self._reached_s for until_s in self._waited_for):
            self._paced_from = machine_s, at_s
            return 0.0
        if not self._pace:
            return None
        ahead_s = self._paced_from[0] + (at_s - self._paced_from[1]) / self._pace - machine_s
        if ahead_s < -_MADE_UP_FOR_S:  # what the machine was too busy for is not made up for
            self._paced_from = machine_s, at_s
        return ahead_s

    def _turn(self, speaker: Speaker, at_s: float) -> None:
        """Let one speaker speak, and wait until whoever listens has read all of it."""
        for other in [one for one in self._due_s if one.listens]:
            self._let_it_be_asked(other, round(at_s * 1e9))
        self._set(at_s)
        before, reader = speaker.written, self._progress(speaker)
        speaker.turn(at_s)
        if reader and speaker.written > before:
            whole = reader.taken + speaker.written - before
            self._until(speaker, lambda now: not reader.taken <= now.taken < whole)
        with self._change:
            self._reached_s = at_s
            if speaker in self._due_s:
                self._due_s[speaker] = at_s + speaker.rest_s(at_s)
            if (
                min(self._sleep_until, default=math.inf) <= at_s
            ):  # waking anybody at every line would cost most
                self._change.notify_all()

    def _set(self, now_s: float) -> None:
        self._now_s, self._page[0] = now_s, round(now_s * 1e9)

    def _let_it_be_asked(self, speaker: Speaker, upto_ns: int) -> None:
        """Stop on the way wherever the reader of a line wants to ask, until the question has come."""
        while (reader := self._progress(speaker)) and reader.asks_at_ns <= upto_ns:
            due_ns, received = reader.asks_at_ns, speaker.received()
            self._set(max(self._page[0], due_ns) / 1e9)
            if not self._until(speaker, lambda now, due_ns=due_ns: now.asks_at_ns != due_ns):  # type: ignore[misc]
                return
            after = self._progress(speaker)
            come = received + (after.asked - reader.asked if after else 0)
            self._until(speaker, lambda _, come=come: speaker.received() >= come)  # type: ignore[misc]

    def _until(self, speaker: Speaker, met: Callable[[Progress], bool]) -> bool:
        """Wait until the reader of a line is so far; false when there is none any more."""
        looks, pause_s = 0, _LOOK_S
        while speaker in self._due_s and (reader := self._progress(speaker)) and not met(reader):
            looks += 1
            if looks % _LOOKS_A_READER == 0 and not speaker.heard():
                return False
            time.sleep(pause_s)
            pause_s = min(2 * pause_s, _LONGEST_LOOK_S)
        return speaker in self._due_s and self._progress(speaker) is not None

    def _progress(self, speaker: Speaker) -> Progress | None:
        """How far the reader of this port is; `None` where it does not say."""
        name = speaker.port_name
        try:
            if name not in self._readers:
                self._readers[name] = os.open(self._folder / f"{name}.progress", os.O_RDONLY)
            os.lseek(self._readers[name], 0, os.SEEK_SET)
            content = os.read(self._readers[name], 24)
        except OSError:
            return None
        if len(content) < 24:  # it has ended; the next begins with a file of its own
            os.close(self._readers.pop(name))
            return None
        return Progress(*memoryview(content).cast("Q"))


def _page(folder: Path) -> memoryview:
    path = folder / "now"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if not path.exists():
            path.write_bytes(STARTS_AT_NS.to_bytes(8, sys.byteorder))
        with path.open("r+b") as file:
            return memoryview(mmap.mmap(file.fileno(), 8)).cast("Q")
    except (OSError, ValueError) as error:
        raise SimulatorError(
            f"{BENCH_CLOCK} names {folder}, where no time can be kept ({error}); choose another folder or unset it"
        ) from error


def clock_asked_for() -> MachineClock:
    """The clock that the environment asks for: one in a folder, or this machine's."""
    folder = os.environ.get(BENCH_CLOCK)
    if not folder:
        return MachineClock()
    try:
        pace = float(os.environ.get(BENCH_PACE) or 1.0)
    except ValueError:
        pace = -1.0
    if not 0.0 <= pace <= 1000.0:
        raise SimulatorError(f"{BENCH_PACE} is no pace; set it to a number from 0 to 1000, or unset it")
    return BenchClock(Path(folder), pace)
