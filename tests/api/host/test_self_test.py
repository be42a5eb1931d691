"""`lobewright check` on a healthy bench and on broken ones: real ports, files and processes."""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
import pty
import shutil
import sqlite3
import subprocess
import sys
import time
import tty
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from command import lobewright
from waiting import LOBEWRIGHT

from api.host import State, self_test
from api.host.self_check import Finding, _clock, _disk
from api.store import ShopStore
from capture.bench import parse_bench
from capture.feed import LiveClient
from capture.store import StreamWriter
from capture.store.stream_store import Batch


class Bench:
    """Two pseudo-terminals, a bench file that names them, and a data folder that was used before."""

    def __init__(self, folder: Path) -> None:
        self.file, self.data = folder / "bench.toml", folder / "data"
        self.masters, self.slaves = [], []
        for name in ("crank", "dial"):
            master, slave = pty.openpty()
            tty.setraw(slave)
            (folder / name).symlink_to(os.ttyname(slave))
            self.masters.append(master)
            self.slaves.append(slave)
        self.file.write_text(
            f'[crank]\nport = "{folder / "crank"}"\nframe = "count"\ncounts_per_turn = 3600\n\n'
            f'[[gauge]]\nname = "dial"\nport = "{folder / "dial"}"\nframe = "decimal"\n'
        )
        self.data.mkdir()
        ShopStore(self.data).close()
        self.store(time.time_ns())

    def store(self, wall_ns: int) -> None:
        writer = StreamWriter(self.data)
        channels = parse_bench(self.file.read_bytes()).channels
        writer.begin_run(channels, mono_ns=1, wall_ns=wall_ns, pid=1, boot_id="b", bench="")
        writer.write(Batch())
        writer.end_run(2, wall_ns + 1)
        writer.close()

    def close(self) -> None:
        for one in (*self.masters, *self.slaves):
            with contextlib.suppress(OSError):
                os.close(one)

    def found(self, thorough: bool = True) -> list[Finding]:
        return list(self_test(self.data, self.file, thorough))

    def wrong(self) -> dict[str, str]:
        return {one.topic: one.sentence for one in self.found() if one.state is State.WRONG}


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    made = Bench(tmp_path)
    yield made
    made.close()


def test_nothing_is_wrong_with_a_healthy_bench(bench: Bench) -> None:
    found = bench.found()
    assert [one for one in found if one.state is State.WRONG] == []
    topics = {one.topic for one in found}
    wanted = {"bench file", "port of crank", "port of dial", "permissions", "data folder", "disk", "clock"}
    assert wanted | {"readings", "shop", "service"} <= topics
    for one in found:
        assert one.sentence.endswith("."), one
        assert "\n" not in one.sentence


def test_a_port_that_is_not_there_is_named_with_what_to_do(bench: Bench) -> None:
    (bench.file.parent / "dial").unlink()
    wrong = bench.wrong()
    assert set(wrong) == {"port of dial"}
    assert str(bench.file.parent / "dial") in wrong["port of dial"]


def test_a_port_that_another_program_holds_is_told_with_its_process(bench: Bench) -> None:
    holder = os.open(bench.file.parent / "crank", os.O_RDWR | os.O_NOCTTY)
    fcntl.flock(holder, fcntl.LOCK_EX)
    try:
        wrong = bench.wrong()
    finally:
        os.close(holder)
    assert set(wrong) == {"port of crank"}


def test_every_mistake_of_the_bench_file_is_told(bench: Bench) -> None:
    bench.file.write_text(bench.file.read_text().replace("3600", '"many"').replace('"decimal"', '"decimals"'))
    sentences = [one.sentence for one in bench.found() if one.topic == "bench file"]
    assert len(sentences) == 2
    assert any("line 4" in one for one in sentences)


@pytest.mark.parametrize(("name", "topic"), [("streams.db", "readings"), ("shop.db", "shop")])
def test_a_damaged_database_is_told_with_what_to_do(bench: Bench, name: str, topic: str) -> None:
    path = bench.data / name
    content = bytearray(path.read_bytes())
    content[4096:12288] = os.urandom(8192)
    path.write_bytes(content)
    assert "restore" in bench.wrong()[topic]
    path.write_bytes(b"not a database, but long enough to be taken for one" * 100)
    assert topic in bench.wrong()


def test_a_file_in_place_of_the_data_folder_is_told_and_nothing_falls_over(tmp_path: Path) -> None:
    (tmp_path / "data").write_text("a file")
    for words in (["check"], ["import", write_trace(tmp_path / "lobe.csv")]):
        done = lobewright(*map(str, words), "--data", str(tmp_path / "data"))
        assert done.returncode in (1, 2)
        assert "data is a file" in done.stdout or "cannot be made (File exists)" in done.stderr
        assert "Traceback" not in done.stdout + done.stderr


def write_trace(path: Path) -> Path:
    path.write_text(
        '# measurement {"touches": "inlet_1"}\ntime_s,channel,value\n0,crank_deg,1\n0,dial_mm,1\n'
    )
    return path


def test_a_block_of_readings_that_cannot_be_unpacked_is_found_by_a_thorough_look(bench: Bench) -> None:
    with closing(sqlite3.connect(bench.data / "streams.db")) as connection, connection:
        connection.execute(
            "INSERT INTO blocks (channel_id, segment, first, kept, lines, start_ns, end_ns, data)"
            " VALUES (1, 0, 0, 2, 2, 1, 2, ?)",
            (b"spoiled",),
        )
    assert "1 blocks of readings cannot be unpacked" in bench.wrong()["readings"]
    quickly = bench.found(thorough=False)
    assert [one.state for one in quickly if one.topic == "readings"] == [State.OK], quickly


def test_a_newer_database_is_told_by_name(bench: Bench) -> None:
    with closing(sqlite3.connect(bench.data / "streams.db")) as connection:
        connection.execute("PRAGMA user_version = 99")
    with closing(sqlite3.connect(bench.data / "shop.db")) as connection, connection:
        connection.execute("UPDATE _sqlite_migrations SET name = 'm999_later' WHERE name LIKE 'm002%'")
    wrong = bench.wrong()
    assert "newer" in wrong["readings"]
    assert "m999_later" in wrong["shop"]


def test_a_clock_behind_what_is_stored_or_never_set_is_told(bench: Bench) -> None:
    assert _clock(bench.data, time.time()).state is not State.WRONG
    assert "never set" in _clock(bench.data, 0.0).sentence
    bench.store(time.time_ns() + 3 * 3_600_000_000_000)
    assert "runs behind" in bench.wrong()["clock"]


def test_little_room_on_the_disk_is_told(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    usage = type(shutil.disk_usage("/"))
    for free, state in ((100 << 20, State.WRONG), (1 << 30, State.MIND), (50 << 30, State.OK)):
        monkeypatch.setattr(shutil, "disk_usage", lambda path, free=free: usage(1 << 40, 0, free))
        assert _disk(bench.data / "not" / "yet").state is state


def test_a_service_that_should_be_there_but_does_not_answer_is_told(bench: Bench) -> None:
    (bench.data / "web.json").write_text('{"pid": 1, "url": "http://127.0.0.1:9"}')
    assert "does not answer" in bench.wrong()["service"]


def test_a_measurement_that_was_forgotten_is_minded(bench: Bench) -> None:
    shop = ShopStore(bench.data)
    row = {"what": "tdc", "touches": "piston_1", "gauge": "dial", "start_ns": 1, "settings": "{}"}
    began = {"state": "running", "started_at": "2026-02-03T10:00:00+00:00"}
    shop.write(lambda db: db.table("measurements").insert({**row, **began}))
    shop.close()
    minded = [one for one in bench.found() if one.topic == "measurements"]
    assert [one.state for one in minded] == [State.MIND]
    assert "Number 1" in minded[0].sentence


def test_the_command_ends_with_1_when_something_is_wrong_and_0_when_not(bench: Bench) -> None:
    options = ["check", "--bench", str(bench.file), "--data", str(bench.data)]
    healthy = command(*options, "--json")
    assert healthy.returncode == 0, healthy.stdout
    assert {json.loads(line)["state"] for line in healthy.stdout.splitlines()} <= {"ok", "mind"}
    (bench.file.parent / "dial").unlink()
    broken = command(*options)
    assert broken.returncode == 1
    assert broken.stdout.splitlines()[-1] == "1 wrong."
    assert "Traceback" not in broken.stdout + broken.stderr


def test_while_capture_runs_its_ports_are_asked_of_it_and_left_alone(bench: Bench) -> None:
    capture = subprocess.Popen(
        [sys.executable, "-m", "capture", "--bench", str(bench.file), "--data", str(bench.data)]
    )
    try:
        deadline = time.monotonic() + 30
        while time.monotonic() < deadline:
            os.write(bench.masters[0], b"17\r\n")
            with contextlib.suppress(Exception), LiveClient(bench.data) as client:
                states: dict[str, Any] = {
                    one["name"]: one["state"] for one in client.ask("health")["channels"]
                }
                if states["crank"] == "online" and states["dial"] == "silent":
                    break
            time.sleep(0.1)
        wrong = bench.wrong()
    finally:
        capture.terminate()
        assert capture.wait(15) == 0
    assert set(wrong) == {"port of dial"}
    assert "Traceback" not in wrong["port of dial"]


def command(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([*LOBEWRIGHT, *words], capture_output=True, text=True, check=False)
