"""Everything once and only once, whoever is killed; what was tampered with is named; a lost bench comes back."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import random
import re
import signal
import subprocess
import sys
import threading
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import psycopg
import pytest
from command import lobewright
from kept_shop import add_job, add_run, change, measured, signed_off
from postgres import Server
from waiting import until

from analysis.timing import PartFigure, PartMeasured
from api.base import ConflictError, ServiceConfig, StoreError
from api.forwarding import Forwarder, prepare, prove, restore_from_archive
from api.forwarding.kept import KeptHere
from api.live import estimate
from api.records import MeasurementReader, StoredStreams, ToldPart, contents_of, keeping_part
from api.service import Service
from api.sheet import job_sheet
from api.store import ShopReader, ShopStore
from capture.store import StreamReader

SENDER = """
import os, sys
from pathlib import Path
from api.forwarding import Forwarder
import psycopg
for _ in sys.stdin:
    child = os.fork()
    if child:
        print(child, flush=True)
        print(os.waitpid(child, 0)[1], flush=True)
        continue
    forwarder = Forwarder(Path(sys.argv[1]), sys.argv[2], "east")
    while forwarder.step():
        pass
    os._exit(0)
"""
"""Forks a sender for each line it reads, tells its number, and how it ended: to begin a program anew takes longer."""


def send_all(data: Path, url: str, name: str = "east") -> None:
    forwarder = Forwarder(data, url, name)
    try:
        while forwarder.step():
            pass
    finally:
        forwarder.close()


@pytest.fixture
def east(server: Server, archive: str) -> str:
    return server.url(archive, "lobewright_east")


@pytest.fixture
def reader(server: Server, archive: str) -> str:
    return server.url(archive, "lobewright_reader")


def count(url: str, table: str) -> int:
    with psycopg.connect(url) as connection:
        row = connection.execute(f"SELECT count(*) FROM lobewright.{table}".encode()).fetchone()
    assert row is not None
    return int(row[0])


def same_streams(one: Path, other: Path) -> None:
    """Every reading of every channel is the same, to the last digit."""
    first, second = StreamReader(one), StreamReader(other)
    assert first.runs() == second.runs()
    for run in first.runs():
        for channel in first.channels(run.id):
            here, there = (reader.read(run.id, channel.name) for reader in (first, second))
            for name in ("t_ns", "raw", "sequence", "folded", "value", "segment"):
                assert np.array_equal(getattr(here, name), getattr(there, name))


def test_killed_at_any_moment_everything_arrives_once(east: str, reader: str, tmp_path: Path) -> None:
    data, rng = tmp_path / "data", random.Random(8)
    add_job(data)
    for seed in range(2):
        add_run(data, 1500, seed=seed)
    killed = 0
    words = [sys.executable, "-c", SENDER, str(data), east]
    with subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as sender:
        assert sender.stdin is not None
        assert sender.stdout is not None
        for _ in range(12):
            print("go", file=sender.stdin, flush=True)
            child = int(sender.stdout.readline())
            time.sleep(rng.random() * 0.4)
            with contextlib.suppress(ProcessLookupError):  # it had ended
                os.kill(child, signal.SIGKILL)
            if sender.stdout.readline() == "0\n":
                break
            killed += 1
            until(lambda: alone(reader), "the server has seen it go")
        sender.stdin.close()
    assert killed
    send_all(data, east)
    send_all(data, east)
    assert not prove(reader).trouble
    assert count(reader, "blocks") == 2 * 2 * 1500
    restore_from_archive(reader, "east", tmp_path / "new")
    same_streams(data, tmp_path / "new")


def alone(url: str) -> bool:
    with psycopg.connect(url) as connection:
        row = connection.execute("SELECT count(*) FROM pg_locks WHERE locktype = 'advisory'").fetchone()
    return row == (0,)


def test_a_server_that_is_killed_is_waited_for(
    server: Server, east: str, reader: str, tmp_path: Path
) -> None:
    data = tmp_path / "data"
    add_run(data, 5)
    add_job(data)
    forwarder = Forwarder(data, east, "east")
    forwarder.start()
    try:
        until(lambda: forwarder.standing().state == "up to date", "it has gone")
        server.kill()
        change(data, "engines", {"name": "A", "body": "{}", "at": "t", "by": "Ida Thorne"})
        add_run(data, 7, seed=2)
        until(lambda: forwarder.standing().state == "waiting", "it is seen that nobody answers")
        assert "wait on this machine; the bench measures on" in forwarder.standing().sentence
        server.start()
        until(lambda: forwarder.standing().state == "up to date", "it goes on by itself")
    finally:
        forwarder.stop()
        if not server.running:
            server.start()
    assert not prove(reader).trouble
    assert count(reader, "blocks") == 2 * (5 + 7)


def test_an_archive_put_back_from_an_older_copy_gets_again_what_it_lost(
    server: Server, archive: str, east: str, reader: str, tmp_path: Path
) -> None:
    data = tmp_path / "data"
    add_job(data)
    add_run(data, 5, ended=False)
    send_all(data, east)
    before = count(reader, "blocks"), count(reader, "documents"), count(reader, "signoffs")
    with psycopg.connect(server.url(archive)) as owner:
        for table in ("signoffs", "documents", "blocks"):
            owner.execute(f"DELETE FROM lobewright.{table}".encode())
    send_all(data, east)
    assert (count(reader, "blocks"), count(reader, "documents"), count(reader, "signoffs")) == before
    with psycopg.connect(server.url(archive)) as owner:
        owner.execute("DELETE FROM lobewright.blocks WHERE first >= 500")
    send_all(data, east)
    assert count(reader, "blocks") >= 2 * 4


def test_signed_jobs_go_first_and_each_goes_on_from_the_one_before(
    east: str, reader: str, tmp_path: Path
) -> None:
    data = tmp_path / "data"
    job = add_job(data)
    run = add_run(data, 40)
    change(data, "measurements", measured(run, job))
    for number in (500, 501):
        change(data, "job_facts", signed_off(job, number))
    forwarder = Forwarder(data, east, "east")
    assert forwarder.step()
    assert count(reader, "signoffs") == 1
    assert count(reader, "blocks") < 2 * 40
    while forwarder.step():
        pass
    forwarder.close()
    assert count(reader, "signoffs") == 3
    with psycopg.connect(reader) as connection:
        rows = connection.execute("SELECT before, seal FROM lobewright.signoffs ORDER BY number").fetchall()
    assert [before for before, _ in rows] == [b"", *(seal for _, seal in rows[:-1])]


def test_results_of_parts_arrive_are_sealed_with_their_sheet_and_come_back(
    server: Server, archive: str, east: str, reader: str, tmp_path: Path
) -> None:
    data = tmp_path / "data"
    job = add_job(data)
    run = add_run(data, 40)
    told = PartMeasured("Flange", "runout", (PartFigure("full swing", 0.04, 0.01, "mm"),), "", gauge="dial_a")
    span = {"run_id": run, "start_ns": 20 * 10**9, "end_ns": 22 * 10**9}
    with contextlib.closing(ShopStore(data)) as shop:
        shop.write(
            keeping_part(ToldPart(0, "t", told, {}, {"reading_mm": [0.1]}, job_id=job, fact=400, **span))
        )
        shop.write(keeping_part(ToldPart(0, "t", replace(told, part=""), {}, {})))
    change(data, "job_facts", signed_off(job, 500))
    send_all(data, east)
    with psycopg.connect(reader) as connection:
        last = "SELECT manifest FROM lobewright.signoffs ORDER BY number DESC LIMIT 1"
        manifest = json.loads(connection.execute(last).fetchone()[0])  # type: ignore[index]
    assert [one[:2] for one in manifest["documents"] if one[0] == "parts"] == [["parts", "1"]]
    assert len(manifest["blocks"]) >= 2, "crank and gauge of what it was told from"
    back = tmp_path / "back"
    restore_from_archive(reader, "east", back)
    rows = "SELECT * FROM parts ORDER BY id"
    assert ShopReader(back).rows(rows) == ShopReader(data).rows(rows)


TAMPERED = {
    "a document": ("UPDATE documents SET body = body || ' ' WHERE kind = 'jobs'", "jobs 1, version"),
    "a document and its hash": (
        "UPDATE documents SET body = body || ' ', sha256 = sha256(body || ' ') WHERE kind = 'job_facts' AND key = '1/2'",
        r"sign-off 1 \(job 1\): job_facts 1/2, version \d+, was changed",
    ),
    "a trace that is gone": (
        "DELETE FROM documents WHERE kind = 'imported' AND key = (SELECT min(key) FROM documents WHERE kind = 'imported')",
        r"sign-off 1 \(job 1\): imported .+ is missing",
    ),
    "readings": ("UPDATE blocks SET data = data || ' ' WHERE first = 750", "readings from 750 of channel 1"),
    "the stamp of readings": (
        "UPDATE blocks SET start_ns = start_ns + 1 WHERE first = 750",
        "readings from 750",
    ),
    "signed readings that are gone": (
        "DELETE FROM blocks WHERE first = 750",
        "readings from 750 of channel 1 are missing",
    ),
    "a sign-off that is gone": ("DELETE FROM signoffs WHERE number = 1", "sign-off 1 is missing"),
    "the last sign-off that is gone": (
        "DELETE FROM signoffs WHERE number = 2",
        "job 1 is signed off without a seal",
    ),
    "a seal": ("UPDATE signoffs SET seal = 'x' WHERE number = 1", "does not bear its own seal"),
    "what was signed": ("UPDATE signoffs SET manifest = manifest || ' ' WHERE number = 1", "own seal"),
}


@pytest.fixture(scope="module")
def signed(server: Server, tmp_path_factory: pytest.TempPathFactory) -> str:
    """Name of an archive with two sign-offs over imported traces and a stored run."""
    data = tmp_path_factory.mktemp("signed") / "data"
    job = add_job(data)
    change(data, "measurements", measured(add_run(data, 8), job))
    change(data, "job_facts", signed_off(job, 500))
    prepare(server.new_database("signed"), ["east"])
    send_all(data, server.url("signed", "lobewright_east"))
    return "signed"


@pytest.mark.parametrize("what", TAMPERED)
def test_what_was_tampered_with_is_named(server: Server, signed: str, what: str) -> None:
    change, words = TAMPERED[what]
    with psycopg.connect(server.url("postgres"), autocommit=True) as owner:
        owner.execute("DROP DATABASE IF EXISTS tampered WITH (FORCE)")
        owner.execute(f"CREATE DATABASE tampered TEMPLATE {signed}".encode())
    url = server.url("tampered")
    assert lobewright("verify", "--archive", url).returncode == 0
    with psycopg.connect(url) as owner:
        owner.execute("SET search_path = lobewright")
        assert owner.execute(change.encode()).rowcount >= 1
    told = lobewright("verify", "--archive", url)
    assert told.returncode == 2
    assert [line for line in told.stdout.splitlines() if line.startswith("east: ")]
    assert re.search(words, told.stdout), told.stdout
    assert "is not whole" in told.stderr


def test_spoilt_readings_are_not_restored(server: Server, archive: str, east: str, tmp_path: Path) -> None:
    add_run(tmp_path / "data", 5)
    add_job(tmp_path / "data")
    send_all(tmp_path / "data", east)
    with psycopg.connect(server.url(archive)) as owner:
        owner.execute("UPDATE lobewright.blocks SET data = data || ' ' WHERE first = 500")
    with pytest.raises(StoreError, match="the readings from 500 of channel 1 is not what was sent"):
        restore_from_archive(server.url(archive), "east", tmp_path / "new")
    assert not [path for path in (tmp_path / "new").iterdir() if path.suffix != ".lock"]


def test_a_folder_put_back_from_a_copy_is_refused(east: str, tmp_path: Path) -> None:
    data = tmp_path / "data"
    add_job(data)
    send_all(data, east)
    lobewright("backup", str(tmp_path / "copy.zip"), "--data", str(data))
    change(data, "engines", {"name": "A", "body": "{}", "at": "t", "by": "Ida Thorne"})
    send_all(data, east)
    done = lobewright("restore", str(tmp_path / "copy.zip"), "--data", str(data), "--replace")
    assert done.returncode == 0, done.stderr
    with pytest.raises(ConflictError, match="another data folder under the name 'east'"):
        send_all(data, east)


def test_two_ways_under_one_name_are_refused(east: str, reader: str, tmp_path: Path) -> None:
    data = tmp_path / "data"
    add_job(data)
    send_all(data, east)
    restore_from_archive(reader, "east", tmp_path / "new")
    for folder, name in ((data, "A"), (tmp_path / "new", "B")):
        change(folder, "engines", {"name": name, "body": "{}", "at": "t", "by": "Ida Thorne"})
    send_all(data, east)
    before = count(reader, "documents")
    with pytest.raises(ConflictError, match="two folders have worked under one name"):
        send_all(tmp_path / "new", east)
    assert count(reader, "documents") == before


def test_every_sheet_of_a_restored_bench_recomputes(east: str, reader: str, tmp_path: Path) -> None:
    data, new = tmp_path / "data", tmp_path / "new"
    job = add_job(data)
    change(data, "measurements", measured(add_run(data, 8), None))
    send_all(data, east)
    done = lobewright("restore", "--archive", reader, "--bench", "east", "--data", str(new))
    assert done.returncode == 0, done.stderr
    assert contents_of(new) == contents_of(data)
    same_streams(data, new)
    assert sheet(new, job) == sheet(data, job)
    stored = StoredStreams(new)
    again = 0
    for one in MeasurementReader(ShopReader(new)).listed(job_id=job, limit=1000)[::5]:
        here = StoredStreams(data).of(one).streams()
        there = stored.of(one).streams()
        assert np.array_equal(there.gauge_mm, here.gauge_mm)
        first, second = (estimate(s, one.analysis_settings(), one.gauge_facts()) for s in (here, there))
        assert second.result == first.result
        again += first.result is not None
    assert again >= 2
    change(new, "engines", {"name": "A", "body": "{}", "at": "t", "by": "Ida Thorne"})
    before = count(reader, "documents"), count(reader, "signoffs"), count(reader, "blocks")
    send_all(new, east)  # the new folder goes on where the lost one ended
    after = count(reader, "documents"), count(reader, "signoffs"), count(reader, "blocks")
    assert after == (before[0] + 1, *before[1:])


def sheet(data: Path, job: int) -> dict[str, object]:
    """The sheet as it is made now, but for when."""

    async def made() -> str:
        service = Service(ServiceConfig(data))
        try:
            return (await job_sheet(service, job)).model_dump_json()
        finally:
            service.shop.close()

    told: dict[str, object] = json.loads(asyncio.run(made()))
    told.pop("made_at", None)
    return told


def test_a_growing_block_is_sent_once_it_is_measured_on(east: str, reader: str, tmp_path: Path) -> None:
    data = tmp_path / "data"
    change(data, "engines", {"name": "A", "body": "{}", "at": "t", "by": "Ida Thorne"})
    run = add_run(data, 6, ended=False)
    send_all(data, east)
    assert count(reader, "blocks") == 2 * 5
    change(data, "measurements", measured(run, None))
    send_all(data, east)
    assert count(reader, "blocks") == 2 * 6
    assert KeptHere(data).waiting(10**6) == 0


def test_without_an_archive_nothing_is_begun(tmp_path: Path) -> None:
    before = threading.active_count()
    service = Service(ServiceConfig(tmp_path))
    assert service.forwarder is None
    service.shop.close()
    assert not (tmp_path / "archive.json").exists()
    assert threading.active_count() == before
