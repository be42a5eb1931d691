"""Faults 16 to 20: the process stopped, killed, told to end; a thread that fails; a recorder that hangs."""

from __future__ import annotations

import os
import pty
import signal
import threading
import time
import tty
from pathlib import Path
from typing import Any

import pytest
from waiting import within_s

from capture.base import Bus
from capture.bench import parse_bench
from capture.daemon import Capture
from capture.port import KnownDevices, PortReader
from capture.store import StreamReader

pytestmark = pytest.mark.faults


def test_a_process_stopped_for_two_seconds_stores_all_that_was_accepted_and_marks_it_late(
    make_bench: Any, helpers: Any, measured: Any
) -> None:
    bench = make_bench({"crank": {"rate_hz": 1000}, "plunger": {"rate_hz": 20}})
    client = bench.client()
    helpers.wait_for(client, helpers.is_state("crank", "online"), 30)
    time.sleep(1)
    bench.capture.send_signal(signal.SIGSTOP)
    time.sleep(2)
    bench.capture.send_signal(signal.SIGCONT)
    helpers.wait_for(client, helpers.is_event("held_up", "crank"), 3)
    time.sleep(1)
    bench.stop()
    accounts = bench.check_always()
    reasons = {segment.reason for channel in bench.reader.channels(1) for segment in channel.segments}
    assert not accounts["crank"].inside
    assert not accounts["plunger"].inside
    assert {"late", "fresh"} <= reasons
    measured(
        16,
        "SIGSTOP for 2 s at 1 kHz",
        f"{accounts['crank'].stored} stored, 0 accepted lines lost, those that waited marked late",
    )


@pytest.mark.two
def test_thirty_kills_lose_at_most_a_second_each(make_bench: Any, helpers: Any, measured: Any) -> None:
    bench = make_bench({"crank": {"rate_hz": 1000}, "plunger": {"rate_hz": 20}})
    bench.client()
    worst_back_s, kills = 0.0, []
    for number in range(30):
        client = bench.client()
        first_ns = helpers.wait_for(client, helpers.is_reading("crank"), 10)["t_ns"][0]
        time.sleep(0.2 + 0.04 * (number % 15))
        bench.kill_capture()
        kills.append((first_ns, time.monotonic_ns()))
        bench.start_capture()
        client = bench.client()
        helpers.wait_for(client, helpers.is_reading("crank"), 30)
        worst_back_s = max(worst_back_s, (time.monotonic_ns() - kills[-1][1]) / 1e9)
    time.sleep(0.5)
    bench.stop()
    account = bench.check_always()["crank"]
    journal = [at_ns for at_ns, _, _ in bench.journal("crank")]
    lost_s = []
    for first_ns, killed_ns in kills:
        lost = [at_ns for _, at_ns in account.missing if first_ns <= at_ns <= killed_ns]
        lost_s.append((killed_ns - min(lost)) / 1e9 if lost else 0.0)
    assert len(bench.reader.runs()) == 31
    assert max(lost_s) <= 1.0, lost_s
    assert worst_back_s < within_s(4.0)
    measured(
        17,
        "SIGKILL capture, 30 times",
        f"at most {max(lost_s):.2f} s lost (mean {sum(lost_s) / 30:.2f} s), "
        f"back within {worst_back_s:.1f} s; {len(journal)} lines",
    )


def test_sigterm_with_screens_open_ends_quickly_and_stores_everything(
    make_bench: Any, helpers: Any, measured: Any
) -> None:
    bench = make_bench({"crank": {"rate_hz": 1000}, "plunger": {"rate_hz": 20}})
    screens = [bench.client() for _ in range(4)]  # three of them never read
    helpers.wait_for(screens[0], helpers.is_state("crank", "online"), 30)
    time.sleep(1.0)
    began_s = time.monotonic()
    code = bench.kill_capture(signal.SIGTERM)
    took_s = time.monotonic() - began_s
    time.sleep(0.2)
    bench.stop_sender()
    account = bench.check_always()["crank"]
    assert code == 0
    assert took_s < within_s(5.0)
    assert not account.inside
    assert bench.reader.latest_run().ending == "stopped"
    assert not (bench.data / "capture.json").exists()
    measured(18, "SIGTERM with screens open", f"out in {took_s:.2f} s, 0 of {account.journal} lines lost")


def test_an_exception_in_a_reader_thread_restarts_it_and_harms_no_other(measured: Any) -> None:
    class Heard:
        def __init__(self) -> None:
            self.stamps: list[int] = []
            self.codes: list[str] = []
            self.segments: set[int] = set()

        def readings(self, readings: Any) -> None:
            self.stamps += readings.t_ns
            self.segments.add(readings.segment.number)

        def gap(self, gap: Any) -> None: ...
        def event(self, event: Any) -> None:
            self.codes.append(event.code)

    master, slave = pty.openpty()
    tty.setraw(slave)
    text = f'[crank]\nport = "{os.ttyname(slave)}"\nframe = "count"\ncounts_per_turn = 3600'
    instrument = parse_bench(text.encode()).instruments[0]
    bus, heard = Bus(), Heard()
    bus.add(heard)
    reader = PortReader(instrument, bus, KnownDevices())
    feed, failed_ns = reader.intake.decoder.feed, 0

    def feed_that_fails_once(chunk: bytes) -> Any:
        nonlocal failed_ns
        if not failed_ns and len(heard.stamps) > 50:
            failed_ns = time.monotonic_ns()
            raise RuntimeError("made to fail")
        return feed(chunk)

    reader.intake.decoder.feed = feed_that_fails_once  # type: ignore[method-assign]
    reader.start()
    for number in range(600):
        os.write(master, b"%d\r\n" % number)
        time.sleep(0.002)
    reader.stop()
    assert reader.join(2)
    os.close(master)
    os.close(slave)
    back_s = (min(t for t in heard.stamps if t > failed_ns) - failed_ns) / 1e9
    assert "reader_failed" in heard.codes
    assert heard.segments == {0, 1}
    assert back_s < within_s(1.0)
    measured(19, "exception in a reader thread", f"reading again after {back_s:.2f} s, in a new segment")


def test_a_hanging_recorder_is_noticed_its_queue_is_bounded_and_nothing_is_silent(
    make_bench: Any, helpers: Any, measured: Any, switches: Any
) -> None:
    bench = make_bench({"crank": {"rate_hz": 500}}, environment=switches.environment)
    client = bench.client()
    helpers.wait_for(client, helpers.is_state("crank", "online"), 30)
    switches.set(sync_ms=9000)
    hung_s = time.monotonic()
    event = helpers.wait_for(client, helpers.is_event("recorder_hung"), 12)
    noticed_s = time.monotonic() - hung_s
    switches.set()
    helpers.wait_for(client, helpers.is_event("recorder_recovered"), 15)
    bench.stop()
    account = bench.check_always()["crank"]
    assert noticed_s < within_s(10.0)
    assert "does not answer" in event["sentence"]
    assert not account.inside
    measured(
        20,
        "recorder hangs",
        f"noticed after {noticed_s:.1f} s; 0 of {account.journal} lines lost when it went on",
    )


def test_a_full_queue_refuses_and_lists_what_it_could_not_keep(tmp_path: Path, measured: Any) -> None:
    from capture.base import Channel, Readings, Segment
    from capture.store import Recorder, RecorderLimits, StreamWriter

    channel, segment = Channel("crank", "crank", "deg", counts_per_turn=3600), Segment(0, "start")
    writer = StreamWriter(tmp_path)
    writer.begin_run([channel], mono_ns=0, wall_ns=0, pid=1, boot_id="b", bench="")
    held, go_on = threading.Event(), threading.Event()
    write = writer.write

    def write_that_hangs(batch: Any) -> None:
        held.set()
        assert go_on.wait(20)
        write(batch)

    writer.write = write_that_hangs  # type: ignore[method-assign]
    recorder = Recorder(writer, [channel], limits=RecorderLimits(unsaved_readings=1000, commit_every_s=0.05))
    recorder.start()
    for number in range(1500):
        recorder.readings(Readings(channel, segment, number, (number * 10**6,), (number,)))
        if number == 10:
            assert held.wait(5)
    health = recorder.health()
    go_on.set()
    assert recorder.stop()
    writer.close()
    reader = StreamReader(tmp_path)
    lost = [gap for gap in reader.gaps(1) if gap.reason == "not_kept"]
    assert health["state"] == "losing"
    assert health["queued"] == 1000
    assert [gap.lines for gap in lost] == [500]
    assert reader.read(1, "crank").lines + 500 == 1500
    measured(20, "recorder hangs", "queue bounded at its limit; 500 of 1500 refused, told and listed")


def test_a_recorder_thread_that_dies_is_started_again_and_loses_nothing(tmp_path: Path) -> None:
    master, slave = pty.openpty()
    tty.setraw(slave)
    text = f'[crank]\nport = "{os.ttyname(slave)}"\nframe = "count"\ncounts_per_turn = 3600'
    capture = Capture(parse_bench(text.encode()), text, tmp_path)
    capture.start()
    drain, died = capture.recorder._drain, threading.Event()

    def drain_that_fails_once() -> None:
        if not died.is_set() and capture.readers["crank"].intake.accepted > 100:
            died.set()
            raise RuntimeError("made to fail")
        drain()

    capture.recorder._drain = drain_that_fails_once  # type: ignore[method-assign]
    for number in range(400):
        os.write(master, b"%d\n" % number)
        time.sleep(0.002)
        if number % 50 == 0:
            capture.tick()
    assert died.is_set()
    capture.tick()
    time.sleep(0.3)
    assert capture.shut_down()
    os.close(master)
    os.close(slave)
    reader = StreamReader(tmp_path)
    stored = list(reader.read(1, "crank").every_raw())
    assert stored == list(range(400))[-len(stored) :]
    assert "recorder_dead" in {event.code for event in reader.events(1)}
