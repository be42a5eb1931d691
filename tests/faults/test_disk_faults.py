"""Faults 23, 25 to 28: a full disk, a failing disk, readers in the way, a copy cut short."""

from __future__ import annotations

import errno
import random
import shutil
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from waiting import within_s

from capture.base import Channel, Readings, Segment
from capture.store import Recorder, RecorderLimits, StreamReader, StreamWriter
from capture.store.blocks import Block
from capture.store.stream_store import Batch, integrity

pytestmark = pytest.mark.faults

CRANK = Channel("crank", "crank", "deg", counts_per_turn=3600)
SEGMENT = Segment(0, "start")


@pytest.fixture(name="small_disk")
def _small_disk(tmp_path: Path) -> Iterator[Path]:
    place = tmp_path / "disk"
    place.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", place]
    if subprocess.run(command, check=False, capture_output=True).returncode:
        pytest.skip("no leave to mount a tmpfs here: the full disk is not injected")
    yield place
    subprocess.run(["umount", "-l", place], check=True)


def test_a_full_disk_raises_an_alarm_and_sixty_seconds_of_readings_are_saved_when_there_is_room(
    make_bench: Any, helpers: Any, measured: Any, small_disk: Path
) -> None:
    """60 s at 50 lines/s are sent as 3,000 lines in less time: what counts is that they wait in memory."""
    bench = make_bench({"crank": {"rate_hz": 500}, "plunger": {"rate_hz": 20}}, data=small_disk / "data")
    client = bench.client()
    helpers.wait_for(client, helpers.is_state("crank", "online"), 30)
    ballast = small_disk / "ballast"
    with ballast.open("wb", buffering=0) as file:
        try:
            while True:
                file.write(bytes(4096))
        except OSError as error:
            assert error.errno == errno.ENOSPC
    full_s = time.monotonic()
    helpers.wait_for(client, helpers.is_event("recorder_disk_full"), 8)
    told_s = time.monotonic() - full_s
    time.sleep(8)
    client = bench.client()  # the first, which read nothing meanwhile, may have been cut off
    waiting = client.ask("health")["recorder"]
    flushed = client.ask("flush")
    ballast.unlink()
    helpers.wait_for(client, helpers.is_event("recorder_recovered"), 8)
    assert client.ask("flush")["ok"]
    bench.stop()
    accounts = bench.check_always()
    assert told_s < within_s(2.0)
    assert waiting["state"] == "disk_full"
    assert not flushed["ok"], "it must not say saved"
    assert waiting["queued"] >= 3000
    assert not accounts["crank"].inside
    measured(
        23,
        "disk full (2 MB tmpfs), then room",
        f"alarm after {told_s:.2f} s; {waiting['queued']} readings waited {waiting['unsaved_s']:.0f} s "
        "in memory, all stored when there was room",
    )


def test_memory_holds_a_full_bench_for_more_than_sixty_seconds(tmp_path: Path, measured: Any) -> None:
    """Four channels at 1,000 lines/s for 60 s, with a store that takes nothing meanwhile."""
    channels = [Channel(f"g{number}", "gauge", "mm") for number in range(4)]
    writer = StreamWriter(tmp_path)
    writer.begin_run(channels, mono_ns=0, wall_ns=0, pid=1, boot_id="b", bench="")
    write, full = writer.write, True

    def write_when_there_is_room(batch: Batch) -> None:
        if full:
            raise sqlite3.OperationalError("database or disk is full")
        write(batch)

    writer.write = write_when_there_is_room  # type: ignore[method-assign]
    recorder = Recorder(writer, channels, limits=RecorderLimits(retry_every_s=0.1))
    recorder.start()
    for second in range(60):
        for channel in channels:
            numbers = range(second * 1000, second * 1000 + 1000)
            stamps = tuple(number * 10**6 for number in numbers)
            recorder.readings(Readings(channel, SEGMENT, numbers[0], stamps, tuple(numbers)))
    until_s = time.monotonic() + 30
    while recorder.health()["state"] != "disk_full" and time.monotonic() < until_s:
        time.sleep(0.05)
    assert recorder.health()["state"] == "disk_full"
    assert recorder.health()["queued"] == 240_000
    full = False
    assert recorder.stop(20)
    writer.close()
    reader = StreamReader(tmp_path)
    assert [reader.read(1, channel.name).lines for channel in channels] == [60_000] * 4
    measured(23, "disk full (2 MB tmpfs), then room", "60 s of 4 x 1,000 lines/s (240,000) kept and stored")


def test_a_disk_that_fails_is_never_said_to_have_saved(
    make_bench: Any, helpers: Any, measured: Any, switches: Any
) -> None:
    bench = make_bench(environment=switches.environment)
    client = bench.client()
    helpers.wait_for(client, lambda m: m["kind"] == "saved", 30)
    assert client.ask("flush")["ok"]
    switches.set(sync_errno=errno.EIO)
    failed_s = time.monotonic()
    saved_after: list[dict[str, int]] = []
    alarm = helpers.wait_for(client, helpers.is_event("recorder_write_failed"), 6)
    told_s = time.monotonic() - failed_s
    answer = client.ask("flush")
    until_s = time.monotonic() + 2
    while time.monotonic() < until_s:
        message = client.receive(0.2)
        if message and message["kind"] == "saved":
            saved_after.append(message["channels"])
    switches.set()
    helpers.wait_for(client, helpers.is_event("recorder_recovered"), 8)
    bench.stop()
    accounts = bench.check_always()
    assert not answer["ok"]
    assert saved_after == []
    assert "check the disk" in alarm["sentence"]
    assert not accounts["crank"].inside
    measured(
        25,
        "fsync fails (EIO)",
        f"alarm after {told_s:.2f} s, never said saved, all stored when it worked again",
    )


def test_a_reader_that_holds_a_cursor_raises_an_alarm_at_64_mb_and_the_log_shrinks_after(
    tmp_path: Path, measured: Any
) -> None:
    writer = StreamWriter(tmp_path)
    writer.begin_run([CRANK], mono_ns=0, wall_ns=0, pid=1, boot_id="b", bench="")
    events: list[str] = []
    recorder = Recorder(writer, [CRANK], on_event=lambda event: events.append(event.code))
    rng = random.Random(26)
    first = 0

    def write_a_second(seconds: int) -> None:
        nonlocal first
        blocks = []
        for _ in range(seconds):
            stamps = [first * 10**6 + rng.randrange(10**6) for first in range(first, first + 250)]
            raw = [rng.randrange(2**40) for _ in stamps]
            blocks.append(Block(CRANK, SEGMENT, first, sorted(stamps), raw, [0] * 250))
            first += 250
        writer.write(Batch(blocks=blocks))
        recorder._look_at_wal()

    write_a_second(10)
    with closing(sqlite3.connect(f"file:{writer.path}?mode=ro", uri=True)) as reader:
        cursor = reader.execute("SELECT * FROM blocks")
        cursor.fetchone()
        while writer.wal_bytes() < 70 * 1024 * 1024:
            write_a_second(800)
        largest = writer.wal_bytes()
        alarmed = recorder.health()
        cursor.close()
    write_a_second(1)
    write_a_second(1)
    shrunk = writer.wal_bytes()
    writer.close()
    assert "recorder_wal_large" in events
    assert "recorder_recovered" in events
    assert alarmed["state"] in {"dead", "wal_large"}  # its thread was never started here
    assert shrunk < 8 * 1024 * 1024
    assert integrity(writer.path) == "ok"
    measured(
        26,
        "a reader holds a cursor for long",
        f"alarm at 64 MB (log grew to {largest / 2**20:.0f} MB), {shrunk / 2**20:.1f} MB after it left",
    )


def test_an_outside_reader_that_opens_and_closes_harms_nothing(
    make_bench: Any, helpers: Any, measured: Any
) -> None:
    bench = make_bench()
    client = bench.client()
    helpers.wait_for(client, lambda m: m["kind"] == "saved", 30)
    code = (
        "import sqlite3, sys\n"
        "c = sqlite3.connect(sys.argv[1])\n"
        "print(c.execute('SELECT coalesce(sum(lines), 0) FROM blocks').fetchone()[0])\n"
        "c.close()\n"
    )
    seen = []
    for _ in range(4):
        out = subprocess.run(
            [sys.executable, "-c", code, bench.data / "streams.db"],
            check=True,
            capture_output=True,
            text=True,
        )
        seen.append(int(out.stdout))
        assert (bench.data / "streams.db-wal").exists()
        time.sleep(0.6)
    bench.stop()
    accounts = bench.check_always()
    assert seen == sorted(seen)
    assert seen[0] < seen[-1]
    assert not accounts["crank"].inside
    measured(
        27,
        "an outside reader opens and closes",
        f"log survives 4 times, saw {seen[0]} then {seen[-1]} readings, 0 lost",
    )


def test_a_copy_whose_log_is_cut_anywhere_opens_and_loses_only_the_tail(
    tmp_path: Path, measured: Any
) -> None:
    original = tmp_path / "original"
    original.mkdir()
    writer = StreamWriter(original)
    writer.begin_run([CRANK], mono_ns=0, wall_ns=0, pid=1, boot_id="b", bench="")
    writer.write(Batch(segments=[(CRANK, SEGMENT, 0, 0)]))
    for number in range(200):
        stamps = [(number * 20 + k) * 10**6 for k in range(20)]
        block = Block(CRANK, SEGMENT, number * 20, stamps, [number * 20 + k for k in range(20)], [0] * 20)
        writer.write(Batch(blocks=[block]))
    names = ("streams.db", "streams.db-wal")
    for name in names:
        shutil.copy(original / name, tmp_path / name)
    writer.close()
    log = (tmp_path / "streams.db-wal").read_bytes()
    base = (tmp_path / "streams.db").read_bytes()
    rng = random.Random(28)
    cuts = [*sorted(rng.randrange(len(log)) for _ in range(199)), len(log)]
    kept_before = 0
    for cut in cuts:
        place = tmp_path / "copy"
        shutil.rmtree(place, ignore_errors=True)
        place.mkdir()
        (place / "streams.db").write_bytes(base)
        (place / "streams.db-wal").write_bytes(log[:cut])
        with closing(sqlite3.connect(place / "streams.db")) as connection:
            assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
            tables = {row[0] for row in connection.execute("SELECT name FROM sqlite_master")}
        if "blocks" not in tables:
            continue
        reader = StreamReader(place)
        if not reader.runs():
            continue
        readings = reader.read(1, "crank")
        assert list(readings.raw) == list(range(len(readings)))
        assert len(readings) >= kept_before
        kept_before = len(readings)
    assert kept_before == 4000
    measured(28, "copy of file + WAL, WAL cut at 200 places", "every copy opens whole; only the tail is lost")
