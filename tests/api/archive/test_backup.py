"""A backup's proof, the way back; copies before upgrades; retention."""

from __future__ import annotations

import asyncio
import datetime as dt
import hashlib
import json
import random
import sqlite3
import time
import zipfile
from contextlib import closing
from pathlib import Path
from typing import Any

import httpx
import pytest
from command import lobewright
from sqlite_utils.migrations import Migrations

from analysis.timing import PartFigure, PartMeasured
from api.archive import TidyRules, back_up, restore, tidy, verify
from api.base import ConflictError, MisuseError, ServiceConfig, StoreError
from api.records import ToldPart, keeping_part
from api.store import ShopReader, ShopStore, shop_store
from api.store.shop_schema import SCHEMA
from api.web import create_app
from capture.base import Channel, Segment, StoreUnusable
from capture.store import StreamReader, StreamWriter, schema
from capture.store.blocks import Block
from capture.store.stream_store import Batch, integrity

DAY_NS = 86_400 * 10**9


# -- stores made by hand


CRANK = Channel("crank", "crank", "deg", counts_per_turn=3600)


def measurement(run_id: int, start_ns: int, end_ns: int, job_id: int | None, **more: Any) -> dict[str, Any]:
    row = {"what": "tdc", "touches": "piston_1", "gauge": "crank", "settings": "{}", "state": "finished"}
    row |= {"started_at": "2020-01-01T00:00:00+00:00", "run_id": run_id, "job_id": job_id}
    return {**row, "start_ns": start_ns, "end_ns": end_ns, **more}


def store_run(data: Path, started_wall_ns: int, seconds: int) -> int:
    """A run of one block a second, 250 readings each."""
    writer = StreamWriter(data)
    run_id = writer.begin_run(
        [CRANK], mono_ns=0, wall_ns=started_wall_ns, pid=1, boot_id=f"boot{started_wall_ns}", bench=""
    )
    segment, noise, batch = Segment(0, "fresh", 0, 0), random.Random(run_id), Batch()
    batch.segments.append((CRANK, segment, 0, 1))
    for second in range(seconds):
        block = Block(CRANK, segment, second * 250)
        for place in range(250):
            block.t_ns.append(second * 10**9 + place * 4_000_000 + 1)
            block.raw.append(noise.randrange(10**6))
            block.folded.append(0)
        batch.blocks.append(block)
    writer.write(batch)
    writer.end_run(seconds * 10**9, started_wall_ns + seconds * 10**9)
    writer.close()
    return run_id


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    """Two runs of a minute, ten years and a day ago; a signed job, an open one and a lone measurement in each."""
    data = tmp_path / "data"
    data.mkdir()
    store = ShopStore(data)
    jobs = [
        {"reference": f"HL-{n}", "body": "{}", "at": "t", "by": "Ida Thorne", "changed_at": "t"}
        for n in (1, 2)
    ]
    jobs[0]["signed_at"] = "2020-02-02T00:00:00+00:00"
    now_ns = time.time_ns()
    for age_days in (3653, 1):
        run_id = store_run(data, now_ns - age_days * DAY_NS, 60)
        rows = [
            measurement(run_id, 10 * 10**9, 15 * 10**9, 1),
            measurement(run_id, 30 * 10**9, 35 * 10**9, 2),
        ]
        rows.append(measurement(run_id, 50 * 10**9, 52 * 10**9, None))
        store.write(lambda db, rows=rows: db.table("measurements").insert_all(rows))
    store.write(lambda db: db.table("jobs").insert_all(jobs))
    store.close()
    return data


def whole(data: Path, run_id: int, start_s: int, end_s: int) -> bool:
    found = StreamReader(data).read(run_id, "crank", start_s * 10**9, end_s * 10**9)
    return len(found) == (end_s - start_s) * 250


def rules(days: float, **more: Any) -> TidyRules:
    return TidyRules(time.time_ns() - round(days * DAY_NS), **more)


def test_tidying_by_age_leaves_what_is_young_and_every_measurement(shop: Path) -> None:
    drawing = shop / "drawings" / "one.json.gz"
    drawing.parent.mkdir()
    drawing.write_bytes(b"drawn from readings that may go")
    would = tidy(shop, rules(365), dry_run=True)
    assert whole(shop, 1, 0, 60), "a dry run changes nothing"
    assert drawing.exists()
    done = tidy(shop, rules(365), dry_run=False)
    assert not drawing.exists(), "what is shown is what is stored"
    assert done == would
    assert done.readings == done.blocks * 250
    assert 35 <= done.blocks <= 48
    assert whole(shop, 2, 0, 60)
    for start_s, end_s in ((10, 15), (30, 35), (50, 52)):
        assert whole(shop, 1, start_s, end_s)
    assert not whole(shop, 1, 20, 25)
    assert integrity(shop / "streams.db") == "ok"
    gaps = StreamReader(shop).gaps(1)
    assert {gap.reason for gap in gaps} == {"tidied"}
    assert sum(gap.lines for gap in gaps) == done.readings
    assert len(gaps) == 4, "before, between and after three measurements"
    assert tidy(shop, rules(365), dry_run=False).blocks == 0


def test_readings_that_a_part_was_told_from_stay_like_a_trace(shop: Path) -> None:
    """Told in the open job, in the signed one without a place on its sheet, on its sheet, and thrown away."""
    told = PartMeasured("Flange", "runout", (PartFigure("full swing", 0.04, 0.01, "mm"),), "", gauge="crank")
    store = ShopStore(shop)
    for start_s, job, fact, thrown in (
        (20, 2, 1, ""),
        (24, 1, None, ""),
        (40, 1, 7, ""),
        (44, None, None, "t"),
    ):
        span = {"run_id": 1, "start_ns": start_s * 10**9, "end_ns": (start_s + 2) * 10**9}
        part = ToldPart(0, "t", told, {}, {}, job_id=job, fact=fact, thrown_at=thrown, **span)
        store.write(keeping_part(part))
    store.close()
    tidy(shop, rules(365), dry_run=False)
    assert [whole(shop, 1, start_s, start_s + 2) for start_s in (20, 24, 40)] == [True] * 3
    assert not whole(shop, 1, 45, 46)
    tidy(shop, rules(0, unsigned_measurements=True), dry_run=False)
    assert whole(shop, 1, 40, 42), "it is on a sheet that is signed"
    assert not whole(shop, 1, 20, 22)


def test_traces_of_a_signed_job_stay_whatever_is_asked(shop: Path) -> None:
    before = StreamReader(shop).read_with_neighbours(1, "crank", 10 * 10**9, 15 * 10**9)
    tidy(shop, rules(0, unsigned_measurements=True), dry_run=False)
    tidy(shop, rules(0, unsigned_measurements=True, down_to_bytes=1), dry_run=False)
    after = StreamReader(shop).read_with_neighbours(1, "crank", 10 * 10**9, 15 * 10**9)
    assert before.t_ns.tolist() == after.t_ns.tolist()
    assert before.raw.tolist() == after.raw.tolist()
    for run_id in (1, 2):
        assert whole(shop, run_id, 10, 15)
        assert not whole(shop, run_id, 30, 35)
        assert not whole(shop, run_id, 50, 52)


def test_tidying_by_size_takes_the_oldest_first_and_stops(shop: Path) -> None:
    size = (shop / "streams.db").stat().st_size
    done = tidy(shop, rules(0, down_to_bytes=size - 20_000), dry_run=False)
    assert 0 < done.blocks < 45
    assert whole(shop, 2, 0, 60), "the younger run is not touched while the older one has something"
    assert not whole(shop, 1, 0, 5)
    assert (shop / "streams.db").stat().st_size < size
    assert abs(done.left_bytes - (shop / "streams.db").stat().st_size) < 20_000


def test_imported_traces_go_only_when_asked_and_never_a_signed_jobs(shop: Path) -> None:
    folder = shop / "imported"
    folder.mkdir()
    store = ShopStore(shop)
    for name, job_id in (("signed.csv", 1), ("open.csv", 2)):
        (folder / name).write_text("time_s,channel,value\n")
        row = measurement(1, 0, 1, job_id) | {"run_id": None, "imported_file": name}
        store.write(lambda db, row=row: db.table("measurements").insert(row))
    store.close()
    assert tidy(shop, rules(-1), dry_run=False).files == ()
    assert tidy(shop, rules(1, unsigned_measurements=True), dry_run=False).files == (), "it came today"
    assert tidy(shop, rules(-1, unsigned_measurements=True), dry_run=False).files == ("open.csv",)
    assert [path.name for path in folder.iterdir()] == ["signed.csv"]


def test_tidying_needs_the_folder_to_itself_and_plain_words(shop: Path) -> None:
    store = ShopStore(shop)
    told = lobewright("tidy", "--older-than", "5y", "--data", str(shop))
    store.close()
    assert told.returncode == 2
    assert "stop it" in told.stderr
    for words in ((), ("--older-than", "old"), ("--down-to", "small")):
        misused = lobewright("tidy", *words, "--data", str(shop))
        assert misused.returncode == 2
        assert misused.stderr.count("\n") == 1
    told = lobewright("tidy", "--older-than", "5y", "--dry-run", "--data", str(shop))
    assert (told.returncode, "would go" in told.stdout) == (0, True)
    assert lobewright("tidy", "--older-than", "5y", "--data", str(shop / "nix")).returncode == 2


def test_a_trace_that_was_tidied_away_is_told_in_a_sentence_and_its_row_stays(shop: Path) -> None:
    tidy(shop, rules(0, unsigned_measurements=True), dry_run=False)
    app = create_app(ServiceConfig(shop))

    async def story() -> dict[str, httpx.Response]:
        transport = httpx.ASGITransport(app, raise_app_exceptions=False)
        async with (
            app.router.lifespan_context(app),
            httpx.AsyncClient(transport=transport, base_url="http://localhost") as client,
        ):
            paths = (
                "/api/measurements/2",
                "/api/measurements/2/trace",
                "/api/measurements/2/trace.csv",
                "/traces/2",
            )
            return {path: await client.get(path) for path in paths}

    for path, answer in asyncio.run(story()).items():
        assert answer.status_code < 500, (path, answer.text)
        assert "Traceback" not in answer.text


# -- restoring


def test_a_backup_comes_back_whole_and_what_was_there_is_set_aside(shop: Path, tmp_path: Path) -> None:
    file = tmp_path / "a.lwbackup"
    made = back_up(shop, file)
    assert verify(file).contents == made.contents
    with pytest.raises(ConflictError, match="--replace"):
        restore(file, shop, replace=False)
    store = ShopStore(shop)
    store.write(lambda db: db.execute("DELETE FROM jobs"))
    store.close()
    _, aside = restore(file, shop, replace=True)
    assert aside is not None
    assert ShopReader(shop).row("SELECT count(*) AS n FROM jobs") == {"n": 2}
    assert ShopReader(aside).row("SELECT count(*) AS n FROM jobs") == {"n": 0}
    assert {"shop.db", "streams.db"} <= {path.name for path in aside.iterdir()}
    ShopStore(shop).close()
    store_run(shop, time.time_ns(), 1)
    assert len(StreamReader(shop).runs()) == 3


def test_a_shop_in_use_is_not_restored_over(shop: Path, tmp_path: Path) -> None:
    file = tmp_path / "a.lwbackup"
    back_up(shop, file)
    store = ShopStore(shop)
    with pytest.raises(StoreError, match="stop it"):
        restore(file, shop, replace=True)
    store.close()
    assert whole(shop, 1, 0, 60)


@pytest.mark.parametrize("place", [0.1, 0.3, 0.5, 0.7, 0.9])
def test_a_backup_with_one_spoiled_byte_is_refused_and_changes_nothing(
    shop: Path, tmp_path: Path, place: float
) -> None:
    file = tmp_path / "a.lwbackup"
    back_up(shop, file)
    content = bytearray(file.read_bytes())
    content[int(place * len(content))] ^= 0x40
    file.write_bytes(content)
    with pytest.raises(StoreError, match=r"backup|damaged"):
        verify(file)
    with pytest.raises(StoreError):
        restore(file, tmp_path / "other", replace=False)
    assert not list((tmp_path / "other").glob("*.db"))
    assert not list((tmp_path / "other").glob(".restore*"))


@pytest.mark.parametrize("share", [0.0, 0.2, 0.6, 0.95, 0.999])
def test_a_backup_that_was_cut_off_is_refused_in_one_sentence(
    shop: Path, tmp_path: Path, share: float
) -> None:
    file = tmp_path / "a.lwbackup"
    back_up(shop, file)
    file.write_bytes(file.read_bytes()[: int(share * file.stat().st_size)])
    told = lobewright("verify", str(file))
    assert told.returncode == 2
    assert told.stderr.count("\n") == 1
    assert "Traceback" not in told.stderr


def archive(file: Path, members: dict[str, bytes], **manifest: Any) -> Path:
    sums = {name: hashlib.sha256(content).hexdigest() for name, content in members.items()}
    contents = {"runs": 0, "readings": 0, "measurements": 0, "jobs": 0}
    told = {"format": 1, "program": "0", "made_at": dt.datetime.now(dt.UTC).isoformat(), "contents": contents}
    with zipfile.ZipFile(file, "w") as out:
        for name, content in members.items():
            out.writestr(name, content)
        out.writestr("manifest.json", json.dumps({**told, "sha256": sums, **manifest}))
    return file


@pytest.mark.parametrize(
    "name", ["../evil", "imported/../../evil", "/etc/evil", "imported/", "imported/..", "x.db"]
)
def test_a_backup_cannot_write_outside_the_data_folder(tmp_path: Path, name: str) -> None:
    file = archive(tmp_path / "a.lwbackup", {name: b"evil"})
    with pytest.raises(StoreError, match="no part of a backup"):
        restore(file, tmp_path / "data", replace=False)
    assert not (tmp_path / "evil").exists()


def test_a_backup_of_a_newer_program_and_one_that_is_none_are_refused_by_name(tmp_path: Path) -> None:
    newer = archive(tmp_path / "newer.lwbackup", {}, format=2)
    with pytest.raises(StoreError, match="newer Lobewright"):
        verify(newer)
    other = tmp_path / "other.zip"
    with zipfile.ZipFile(other, "w") as out:
        out.writestr("a", "b")
    with pytest.raises(StoreError, match="no backup"):
        verify(other)
    with pytest.raises(MisuseError):
        verify(tmp_path / "nix")
    with pytest.raises(MisuseError, match="no shop"):
        back_up(tmp_path / "empty", tmp_path / "b.lwbackup")


def test_a_backup_to_a_place_that_cannot_be_written_leaves_nothing(shop: Path, tmp_path: Path) -> None:
    with pytest.raises(MisuseError, match="cannot be written"):
        back_up(shop, tmp_path / "no" / "such" / "a.lwbackup")


# -- upgrades


def later_streams() -> Migrations:
    later = Migrations("streams")
    later()(schema.m001_first_tables)

    @later()
    def m002_later(db: Any) -> None:
        db.table("runs").add_column("later", str)

    return later


def test_an_upgrade_keeps_a_copy_of_the_readings_as_they_were(
    shop: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = StreamReader(shop).read(1, "crank").raw.tolist()
    monkeypatch.setattr(schema, "migrations", later_streams())
    monkeypatch.setattr(schema, "SCHEMA_VERSION", 2)
    schema.open_for_writing(shop / "streams.db").close()
    copy = shop / "streams-before-upgrade-v1.db"
    with closing(sqlite3.connect(copy)) as connection:
        assert connection.execute("PRAGMA user_version").fetchone() == (1,)
    assert StreamReader(shop).read(1, "crank").raw.tolist() == before
    monkeypatch.undo()
    assert StreamReader(copy).read(1, "crank").raw.tolist() == before, "the older program reads the copy"
    with pytest.raises(Exception, match="newer"):
        StreamReader(shop).runs()


def test_an_upgrade_that_cannot_keep_a_copy_is_not_made(shop: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (shop / "streams-before-upgrade-v1.part").mkdir()
    monkeypatch.setattr(schema, "migrations", later_streams())
    monkeypatch.setattr(schema, "SCHEMA_VERSION", 2)
    with pytest.raises(StoreUnusable, match="copy"):
        schema.open_for_writing(shop / "streams.db")
    monkeypatch.undo()
    assert len(StreamReader(shop).runs()) == 2


def test_an_upgrade_keeps_a_copy_of_the_shop_as_it_was(shop: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    newest = [step.name for step in SCHEMA.applied(shop_database(shop))][-1]
    later = Migrations(SCHEMA.name)
    for step in SCHEMA._migrations:
        later(name=step.name)(step.fn)

    @later()
    def m999_later(db: Any) -> None:
        db.table("jobs").add_column("later", str)

    monkeypatch.setattr(shop_store, "SCHEMA", later)
    shop_store._known_changes.cache_clear()
    ShopStore(shop).close()
    monkeypatch.undo()
    shop_store._known_changes.cache_clear()
    copy = shop / f"shop-before-upgrade-{newest.partition('_')[0]}.db"
    with closing(sqlite3.connect(copy)) as connection:
        assert "later" not in {row[1] for row in connection.execute("PRAGMA table_info(jobs)")}
        assert connection.execute("SELECT count(*) FROM jobs").fetchone() == (2,)
    with pytest.raises(StoreError, match="m999_later"):
        ShopStore(shop)


def shop_database(data: Path) -> Any:
    from sqlite_utils import Database

    return Database(sqlite3.connect(data / "shop.db"))
