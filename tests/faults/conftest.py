"""A real bench to break: instruments in one process, capture in another, faults in between."""

from __future__ import annotations

import ctypes
import json
import os
import signal
import struct
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from waiting import within_s

from capture.base import FeedError, Gap, read_facts
from capture.feed import LiveClient
from capture.store import StreamReader
from capture.store.stream_store import integrity
from simulated_devices.wire.line import read_journal

HERE = Path(__file__).parent
ROW = "fault_row"
TABLE: list[dict[str, Any]] = []
"""What the tests of this run measured, in the process that prints it."""


@dataclass
class Accounted:
    """Journal against store, of one channel over all runs."""

    journal: int
    stored: int
    missing: list[tuple[int, int]]  # value, journal time
    inside: list[tuple[int, int]]  # of these, between the first and the last that was stored
    unexplained: list[tuple[int, int]]
    invented: list[int]


@dataclass
class FaultBench:
    """Instruments and a capture process, with everything a test needs to break and to judge them."""

    folder: Path
    instruments: dict[str, dict[str, Any]]
    bench_keys: dict[str, dict[str, Any]]
    environment: dict[str, str] = field(default_factory=dict)
    data: Path = Path()
    obeys_modes: bool = False
    sender: subprocess.Popen[str] | None = None
    capture: subprocess.Popen[bytes] | None = None
    clients: list[LiveClient] = field(default_factory=list)
    log_path: Path = Path()
    before_capture: Callable[[], object] | None = None
    told_to_stop_ns: list[int] = field(default_factory=list)

    def start(self) -> None:
        self.data = self.data if self.data != Path() else self.folder / "data"
        self.log_path = self.folder / "capture.log"
        self.write_bench_file()
        self.sender = subprocess.Popen(
            [sys.executable, HERE / "sender_process.py", self.folder, json.dumps(self.instruments)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert self.sender.stdout is not None
        assert json.loads(self.sender.stdout.readline()) == {"ready": True}
        if self.before_capture:
            self.before_capture()
        self.start_capture()

    def write_bench_file(self) -> None:
        tables = []
        for name, settings in self.instruments.items():
            count = settings.get("kind", "count" if name == "crank" else "decimal") == "count"
            keys: dict[str, Any] = {"port": str(self.folder / name), "frame": "count" if count else "decimal"}
            keys |= {"counts_per_turn": 3600, "fastest_rpm": 1200.0} if name == "crank" else {"name": name}
            keys |= self.bench_keys.get(name, {})
            head = "[crank]" if name == "crank" else "[[gauge]]"
            tables.append("\n".join([head, *(f"{key} = {json.dumps(value)}" for key, value in keys.items())]))
        (self.folder / "bench.toml").write_text("\n\n".join(tables) + "\n")

    def start_capture(self) -> None:
        with self.log_path.open("ab") as log:
            self.capture = subprocess.Popen(
                [sys.executable, "-m", "capture", "--bench", self.folder / "bench.toml", "--data", self.data],
                stderr=log,
                env={**os.environ, "PYTHONFAULTHANDLER": "1", **self.environment},
                preexec_fn=obey_file_modes if self.obeys_modes else None,  # noqa: PLW1509 - no threads here
            )

    def client(self, timeout_s: float = 40.0) -> LiveClient:
        """A client of the capture process that runs now."""
        until_s = time.monotonic() + timeout_s
        while True:
            facts = read_facts(self.data)
            if facts and self.capture and facts["pid"] == self.capture.pid:
                try:
                    client = LiveClient(self.data)
                except FeedError:
                    pass
                else:
                    self.clients.append(client)
                    return client
            assert time.monotonic() < until_s, self.log()
            time.sleep(0.02)

    def order(self, do: str, line: str = "crank", **fields: Any) -> dict[str, Any]:
        """Order the instruments' process to do something."""
        assert self.sender and self.sender.stdin and self.sender.stdout
        self.sender.stdin.write(json.dumps({"do": do, "line": line, **fields}) + "\n")
        self.sender.stdin.flush()
        answer: dict[str, Any] = json.loads(self.sender.stdout.readline())
        assert "error" not in answer, answer
        return answer

    def kill_capture(self, number: int = signal.SIGKILL, timeout_s: float = 10.0) -> int:
        assert self.capture
        if number == signal.SIGTERM:
            self.told_to_stop_ns.append(time.monotonic_ns())
        self.capture.send_signal(number)
        return self.capture.wait(timeout_s)

    def stop(self) -> None:
        """Stop capture in good order, then the instruments."""
        for client in self.clients:
            client.close()
        self.clients.clear()
        if self.capture and self.capture.poll() is None:
            self.capture.send_signal(signal.SIGCONT)
            self.told_to_stop_ns.append(time.monotonic_ns())
            self.capture.send_signal(signal.SIGTERM)
            try:
                assert self.capture.wait(30) == 0, self.log()
            except subprocess.TimeoutExpired:
                self.capture.send_signal(signal.SIGABRT)  # where each thread stands goes to its log
                self.capture.wait(10)
                pytest.fail(f"told to stop, it did not: {self.log()}")
        self.stop_sender()

    def stop_sender(self) -> None:
        if self.sender:
            self.sender.terminate()
            self.sender.wait(5)
            for stream in (self.sender.stdin, self.sender.stdout):
                if stream:
                    stream.close()
            self.sender = None

    def end(self) -> None:
        """Whatever happened, leave no process behind."""
        for client in self.clients:
            client.close()
        if self.capture and self.capture.poll() is None:
            self.capture.send_signal(signal.SIGCONT)
            self.capture.kill()
            self.capture.wait(5)
        self.stop_sender()

    def log(self) -> str:
        return self.log_path.read_text()

    @property
    def reader(self) -> StreamReader:
        return StreamReader(self.data)

    def journal(self, name: str) -> list[tuple[int, bytes, bool]]:
        return read_journal(self.folder / f"{name}.journal")

    def stored(self, name: str) -> list[int]:
        """What the device said, line by line, as far as it is stored."""
        values: list[int] = []
        for run in self.reader.runs():
            shifts = {
                segment.number: segment.shift
                for channel in self.reader.channels(run.id)
                if channel.name == name
                for segment in channel.segments
            }
            readings = self.reader.read(run.id, name)
            for raw, number, folded in zip(readings.raw, readings.segment, readings.folded, strict=True):
                values += [int(raw) - shifts[int(number)]] * (1 + int(folded))
        return values

    def gaps(self, name: str) -> list[Gap]:
        return [gap for run in self.reader.runs() for gap in self.reader.gaps(run.id, name)]

    def account(self, name: str, slack_ns: int = 50_000_000) -> Accounted:
        """Compare journal and store; a missing line is explained when it lies in a listed gap."""
        said = [
            (int(sent.strip(b"\r\n\0").replace(b".", b"")), at_ns)
            for at_ns, sent, spoiled in self.journal(name)
            if not spoiled
        ]
        stored = self.stored(name)
        kept = set(stored)
        gaps = self.gaps(name)
        runs = self.reader.runs()
        first_ns = {run.started_mono_ns for run in runs}
        missing = [(value, at_ns) for value, at_ns in said if value not in kept]
        stored_at = [at_ns for value, at_ns in said if value in kept] or [0]
        inside = [(value, at_ns) for value, at_ns in missing if stored_at[0] < at_ns < stored_at[-1]]
        stopped_ns = (
            self.told_to_stop_ns[-1] if runs[-1].ending == "stopped" and self.told_to_stop_ns else None
        )
        unexplained = [
            (value, at_ns)
            for value, at_ns in missing
            if not any(gap.start_ns - slack_ns <= at_ns <= gap.end_ns + slack_ns for gap in gaps)
            and at_ns >= min(first_ns)
            and not (stopped_ns is not None and at_ns > stopped_ns - slack_ns)
        ]
        known = {value for value, _ in said}
        invented = [value for value in stored if value not in known]
        return Accounted(len(said), len(stored), missing, inside, unexplained, invented)

    def check_always(self, *names: str) -> dict[str, Accounted]:
        """What must hold after every fault: the store is whole, and store plus gaps is the journal."""
        assert integrity(self.reader.path) == "ok"
        accounts = {}
        for name in names or tuple(self.instruments):
            account = self.account(name)
            assert not account.unexplained, (name, account.unexplained[:5], self.gaps(name))
            assert not account.invented, (name, account.invented[:5])
            accounts[name] = account
        return accounts


def obey_file_modes() -> None:
    """Between fork and exec: even as root, open only what the file's mode allows."""
    for capability in (1, 2):  # CAP_DAC_OVERRIDE, CAP_DAC_READ_SEARCH
        ctypes.CDLL(None).prctl(24, capability, 0, 0, 0)  # PR_CAPBSET_DROP


def wait_for(
    client: LiveClient, wanted: Callable[[dict[str, Any]], bool], timeout_s: float
) -> dict[str, Any]:
    """The first message that is wanted; fails when none comes in time."""
    timeout_s = within_s(timeout_s)
    until_s = time.monotonic() + timeout_s
    while (left_s := until_s - time.monotonic()) > 0:
        message = client.receive(left_s)
        if message is not None and wanted(message):
            return message
    pytest.fail(f"no such message within {timeout_s} s")


def state_of(message: dict[str, Any], channel: str) -> dict[str, Any]:
    """One channel of a health message."""
    found: dict[str, Any] = next(one for one in message["channels"] if one["name"] == channel)
    return found


def is_state(channel: str, *states: str) -> Callable[[dict[str, Any]], bool]:
    """Wanted: a health message, or the event, in which a channel is in one of these states."""

    def wanted(message: dict[str, Any]) -> bool:
        if message["kind"] == "event":
            return message["channel"] == channel and message["code"] in {f"channel_{s}" for s in states}
        return message["kind"] == "health" and state_of(message, channel)["state"] in states

    return wanted


def is_event(code: str, channel: str = "") -> Callable[[dict[str, Any]], bool]:
    """Wanted: an event."""
    return lambda m: m["kind"] == "event" and m["code"] == code and (not channel or m["channel"] == channel)


def is_reading(channel: str) -> Callable[[dict[str, Any]], bool]:
    """Wanted: readings of a channel."""
    return lambda m: m["kind"] == "readings" and m["channel"] == channel


@pytest.fixture(name="helpers")
def _helpers() -> Any:
    """The functions above, for test files that cannot import a conftest."""

    class Helpers:
        pass

    for function in (wait_for, state_of, is_state, is_event, is_reading):
        setattr(Helpers, function.__name__, staticmethod(function))
    return Helpers


@pytest.fixture(name="make_bench")
def _make_bench(tmp_path: Path) -> Iterator[Callable[..., FaultBench]]:
    benches: list[FaultBench] = []

    def make(
        instruments: dict[str, dict[str, Any]] | None = None,
        bench_keys: dict[str, dict[str, Any]] | None = None,
        *,
        start: bool = True,
        **fields: Any,
    ) -> FaultBench:
        usual: dict[str, dict[str, Any]] = {"crank": {"rate_hz": 500}, "plunger": {"rate_hz": 20}}
        folder = tmp_path / f"bench{len(benches)}"
        folder.mkdir()
        bench = FaultBench(folder, instruments or usual, bench_keys or {}, **fields)
        benches.append(bench)
        if start:
            bench.start()
        return bench

    yield make
    for bench in benches:
        bench.end()


class Switches:
    """The shared file that the preload library obeys."""

    def __init__(self, library: Path, path: Path) -> None:
        self.path = path
        path.write_bytes(bytes(32))
        self.environment = {"LD_PRELOAD": str(library), "FAULT_SWITCHES": str(path)}

    def set(self, *, clock_ns: int = 0, sync_ms: int = 0, sync_errno: int = 0) -> None:
        with self.path.open("r+b") as file:
            file.write(struct.pack("=qqq", clock_ns, sync_ms, sync_errno))

    def syncs(self) -> int:
        return int(struct.unpack("=qqqq", self.path.read_bytes())[3])


@pytest.fixture(name="preload_library", scope="session")
def _preload_library(tmp_path_factory: pytest.TempPathFactory) -> Path:
    library = tmp_path_factory.mktemp("preload") / "faults.so"
    try:
        subprocess.run(
            ["gcc", "-shared", "-fPIC", "-O2", "-o", library, HERE / "preload.c", "-ldl"], check=True
        )
    except FileNotFoundError:
        pytest.skip("no gcc here: disk and clock faults that need a preload library are not injected")
    return library


@pytest.fixture(name="switches")
def _switches(preload_library: Path, tmp_path: Path) -> Switches:
    return Switches(preload_library, tmp_path / "switches")


@pytest.fixture(name="measured")
def _measured(request: pytest.FixtureRequest) -> Any:
    """Write a row of the table of faults: `measured(number, injected, what_was_measured)`."""

    def note(number: int, injected: str, figures: str) -> None:
        row = {"number": number, "injected": injected, "figures": figures}
        request.node.user_properties.append(
            (ROW, row)
        )  # goes with the report, also from a worker of another process

    return note


def pytest_runtest_logreport(report: pytest.TestReport) -> None:
    if report.when == "teardown":
        TABLE.extend(row for name, row in report.user_properties if name == ROW)


def pytest_terminal_summary(terminalreporter: Any) -> None:
    figures: dict[int, list[str]] = {}
    for row in TABLE:
        figures.setdefault(row["number"], []).append(row["figures"])
    injected = {row["number"]: row["injected"] for row in TABLE}
    rows = [f"{number:>3} | {injected[number]} | {'; '.join(figures[number])}" for number in sorted(figures)]
    if not rows:
        return
    terminalreporter.section("faults injected and what was measured")
    for row in rows:
        terminalreporter.write_line(row)
