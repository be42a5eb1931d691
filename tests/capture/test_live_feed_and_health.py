from __future__ import annotations

import asyncio
import json
import os
import pty
import socket
import threading
import time
import tty
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest
from waiting import until, within_s

from capture.base import Bus, Channel, Event, FeedAbsent, FeedLost, FolderLock, Readings, Segment
from capture.bench import parse_bench
from capture.daemon import Capture
from capture.feed import AsyncLiveClient, LiveClient, LiveFeed
from capture.port import HealthBoard, KnownDevices, ListedPort, as_text, sniff, suggested_bench
from capture.port.health import ChannelStatus
from capture.port.intake import Intake
from capture.port.listing import recognise
from capture.store import StreamReader

S = 1_000_000_000
CRANK = Channel("crank", "crank", "deg", counts_per_turn=3600)


class Bench:
    """A capture in this process with a pty for a crank."""

    def __init__(self, folder: Path) -> None:
        self.master, self.slave = pty.openpty()
        tty.setraw(self.slave)
        text = f'[crank]\nport = "{os.ttyname(self.slave)}"\nframe = "count"\ncounts_per_turn = 3600\n'
        self.data = folder
        self.capture = Capture(parse_bench(text.encode()), text, folder)
        self.capture.start()
        self.count = 0

    def turn(self, lines: int) -> None:
        for _ in range(lines):
            os.write(self.master, b"%d\r\n" % self.count)
            self.count += 1
            time.sleep(0.001)

    def wait_online(self) -> None:
        until_s = time.monotonic() + 5
        while not self.capture.readers["crank"].intake.accepted:
            self.turn(5)
            assert time.monotonic() < until_s

    def end(self) -> bool:
        stored = self.capture.shut_down()
        for fd in (self.master, self.slave):
            os.close(fd)
        return stored


def flushed(client: LiveClient, last: int) -> dict[str, Any] | None:
    """What a flush answers, once so much is stored by it."""
    answer = client.ask("flush")
    assert answer["ok"]
    return answer if answer["saved"]["crank"] >= last else None


@pytest.fixture(name="bench")
def _bench(tmp_path: Path) -> Iterator[Bench]:
    bench = Bench(tmp_path)
    yield bench
    if (tmp_path / "capture.json").exists():
        bench.end()


def test_readings_come_live_in_order_and_a_flush_makes_them_readable(bench: Bench) -> None:
    bench.wait_online()
    with LiveClient(bench.data) as client:
        assert client.hello["run_id"] == 1
        assert client.hello["channels"][0]["name"] == "crank"
        first = client.hello["next"]["crank"]
        bench.turn(300)
        answer = until(lambda: flushed(client, first + 299), "all is read and stored")
        values, sequence = [], []
        while not sequence or sequence[-1] < answer["saved"]["crank"]:
            message = client.receive(within_s(5.0))
            assert message, f"read up to {sequence[-1:]}, stored up to {answer['saved']}"
            if message["kind"] == "readings":
                sequence += range(message["first"], message["first"] + len(message["value"]))
                values += message["value"]
    stored = StreamReader(bench.data).read(1, "crank")
    assert sequence == list(range(first, first + len(sequence)))
    assert len(values) >= 300
    assert values == list(stored.value[first : first + len(values)])
    assert answer["saved"]["crank"] == len(stored) - 1


def test_the_asynchronous_client_hears_the_same_and_may_ask_meanwhile(bench: Bench) -> None:
    async def listen() -> tuple[dict[str, Any], dict[str, Any], int]:
        async with AsyncLiveClient(bench.data) as client:
            heard = 0

            async def gather() -> None:
                nonlocal heard
                async for message in client:
                    heard += message["kind"] == "readings"

            task = asyncio.create_task(gather())
            await asyncio.to_thread(bench.turn, 200)
            flushed = await client.ask("flush")
            refused = await client.ask("no_such_command")
            task.cancel()
            return flushed, refused, heard

    bench.wait_online()
    flushed, refused, heard = asyncio.run(listen())
    assert flushed["ok"]
    assert not refused["ok"]
    assert "accept_device" in refused["sentence"]
    assert heard > 3


@pytest.mark.parametrize(
    "line", [b"rubbish\n", b"[]\n", b"3\n", b'{"command": []}\n', b'{"id": 1}\n', b"\xff\xfe\n"]
)
def test_a_command_that_is_none_is_answered_and_harms_nobody(bench: Bench, line: bytes) -> None:
    with LiveClient(bench.data) as client:
        client._socket.sendall(line)
        answer = next(m for m in iter(lambda: client.receive(2), None) if m["kind"] == "answer")
        assert not answer["ok"]
        assert client.ask("health")["ok"]


def test_a_question_that_is_never_answered_ends_however_much_is_said_meanwhile(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(bench.capture.recorder, "request_flush", lambda done: None)  # as one that hangs
    enough = threading.Event()

    def turn_on() -> bool:
        until_s = time.monotonic() + 20
        while not enough.is_set() and time.monotonic() < until_s:
            bench.turn(5)
        return enough.is_set()

    bench.wait_online()
    with LiveClient(bench.data, 0.5) as client, ThreadPoolExecutor(1) as hand:
        turning = hand.submit(turn_on)
        with pytest.raises(FeedLost, match="did not answer 'flush'"):
            client.ask("flush")
        enough.set()
        assert turning.result(), "it was still being told"
        message = client.receive(5)
        assert message is not None
        assert message["kind"] == "readings", "what it was told meanwhile is kept"


def test_a_client_that_sends_without_end_is_let_go(bench: Bench) -> None:
    with LiveClient(bench.data) as greedy, LiveClient(bench.data) as other:
        with pytest.raises((FeedLost, OSError)):
            for _ in range(10_000):
                greedy._socket.sendall(b"x" * 4096)
                greedy.receive(0.001)
        assert other.ask("health")["ok"]


def test_a_client_that_never_reads_is_cut_and_the_others_go_on() -> None:
    feed = LiveFeed(lambda: {"run_id": 1}, {})
    feed.start()
    stuck, fine = (socket.socket(socket.AF_UNIX) for _ in range(2))
    for one in (stuck, fine):
        one.connect(str(feed.path))
    fine.settimeout(0.05)
    got, until_s, number = 0, time.monotonic() + 20, 0
    segment = Segment(0, "start")
    while not feed.cut_clients and time.monotonic() < until_s:
        stamps = tuple(range(number * 2000, number * 2000 + 2000))
        feed.readings(Readings(CRANK, segment, number * 2000, stamps, stamps))
        number += 1
        time.sleep(0.02)
        try:
            while True:
                got += len(fine.recv(1 << 20))
        except TimeoutError:
            pass
    feed.stop()
    stuck.close()
    fine.close()
    assert feed.cut_clients == 1
    assert got > 1_000_000


def test_without_a_capture_the_client_says_what_to_do(tmp_path: Path) -> None:
    with pytest.raises(FeedAbsent, match="start it"):
        LiveClient(tmp_path)
    (tmp_path / "capture.json").write_text(json.dumps({"socket": str(tmp_path / "gone")}))
    with pytest.raises(FeedAbsent, match="start it"):
        LiveClient(tmp_path)
    (tmp_path / "capture.json").write_text("{")
    with pytest.raises(FeedAbsent, match="start it"):
        LiveClient(tmp_path)


def test_when_capture_ends_the_client_is_told_and_everything_is_stored(bench: Bench) -> None:
    bench.wait_online()
    client = LiveClient(bench.data)
    bench.turn(50)
    time.sleep(0.1)
    assert bench.end()
    with pytest.raises(FeedLost, match="connect again"):
        while client.receive(2) is not None:
            pass
    client.close()
    reader = StreamReader(bench.data)
    stored = list(reader.read(1, "crank").every_raw())
    assert stored == list(range(bench.count))[-len(stored) :]
    assert not bench.capture.feed.path.exists()


def test_a_listener_that_raises_harms_no_other(heard: Any) -> None:
    class Broken:
        def readings(self, readings: Readings) -> None:
            raise RuntimeError("made to fail")

        gap = event = readings  # type: ignore[assignment]

    told: list[Exception] = []
    bus = Bus(lambda listener, error: told.append(error))
    bus.add(Broken())  # type: ignore[arg-type]
    bus.add(heard)
    for number in range(5):
        bus.readings(Readings(CRANK, Segment(0, "start"), number, (number,), (number,)))
    bus.event(Event(0, "", "x", "y"))
    assert heard.raw == list(range(5))
    assert len(told) == 1


def test_health_names_silence_garble_and_age(heard: Any) -> None:
    instrument = parse_bench(
        b'[crank]\nport = "/dev/c"\nframe = "count"\ncounts_per_turn = 3600'
    ).instruments[0]
    intake = Intake(instrument, heard)
    status = ChannelStatus(intake, "/dev/c", 1.5)
    board = HealthBoard([status], heard)
    intake.begin("start", 0)
    status.opened(0)
    intake.take(b"\n", 1)
    for number in range(100):
        intake.take(b"%d\n" % number, number * S // 100)
    board.tick(0)
    board.tick(S)
    (now,) = board.channels(S)
    assert (now["state"], now["rate_hz"], now["age_s"]) == ("online", pytest.approx(0.0), pytest.approx(0.01))
    board.tick(3 * S)
    (now,) = board.channels(3 * S)
    assert now["state"] == "silent"
    assert now["age_s"] == pytest.approx(2.01)
    for number in range(20):
        intake.take(b"\xff<script>\n", 3 * S + number)
    board.tick(4 * S)
    (now,) = board.channels(4 * S)
    assert now["state"] == "garbled"
    assert "\\xff" in now["sentence"]
    assert [event.code for event in heard.events] == ["channel_online", "channel_silent", "channel_garbled"]


def test_a_device_line_becomes_harmless_text() -> None:
    assert as_text(b"\x1b[2J\x00\xff<b>\x7f" + b"a" * 100) == "\\x1b[2J\\x00\\xff<b>\\x7f" + "a" * 70


def test_a_device_known_as_another_channels_waits_until_it_is_accepted() -> None:
    devices = KnownDevices({"inlet": "usb:1:2:A:1-1", "exhaust": "usb:1:2:B:1-2"})
    assert devices.judge("inlet", "usb:1:2:A:1-1") == ""
    assert "was exhaust" in devices.judge("inlet", "usb:1:2:B:1-2")
    assert "another adapter" in devices.judge("inlet", "usb:1:2:C:1-1")
    devices.accept("inlet", "usb:1:2:C:1-1")
    assert devices.judge("inlet", "usb:1:2:C:1-1") == ""
    assert devices.judge("plunger", "node:5:6") == ""
    assert devices.judge("plunger", "node:5:7") == "", "a plain node may be made anew"
    assert "was plunger" in devices.judge("crank", "node:5:7")


def test_a_folder_lock_is_released_when_it_is_left(tmp_path: Path) -> None:
    with FolderLock(tmp_path):
        pass
    with FolderLock(tmp_path):
        pass


@pytest.mark.parametrize(
    ("heard_bytes", "kind"),
    [
        (b"\n+1.00\r\n+1.01\r\n+1.02\r\n", "decimal"),
        (b"\n1\n2\n3\n", "count"),
        (b"\n1 0\n2 0\n3 1\n", "count_index"),
        (b"\n1 100\n2 200\n3 300\n", "count_micros"),
        (b"\nA+1.00\nA+1.01\nA+1.02\n", "tagged"),
        (b"\xff\xfe\n\x81\n\x92\n", None),
        (b"", None),
    ],
)
def test_what_a_port_sends_is_recognised(heard_bytes: bytes, kind: str | None) -> None:
    found = recognise(heard_bytes)
    assert (found[0] if found else None) == kind


def test_a_silent_port_is_said_to_be_silent_and_the_suggestion_is_a_bench_file() -> None:
    master, slave = pty.openpty()
    tty.setraw(slave)
    silent = sniff(ListedPort(os.ttyname(slave), ""), listen_s=0.1)
    os.close(master)
    os.close(slave)
    assert "silent" in silent.sentence
    from dataclasses import replace

    crank = replace(silent, frame="count", baud=115200, framing="8N1")
    gauge = replace(silent, port=ListedPort("/dev/g", ""), frame="decimal", baud=9600, framing="8N1")
    bench = parse_bench(suggested_bench([crank, gauge, silent]).encode())
    assert [channel.name for channel in bench.channels] == ["crank", "gauge_1"]
