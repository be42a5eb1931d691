"""The shop's file: one writer, readers that only read, changes whole or not at all, newer files refused."""

from __future__ import annotations

import asyncio
import sqlite3
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from api.base import ConflictError, NotFoundError, StoreError
from api.records import Measurement, MeasurementReader, MeasurementStore, adding
from api.store import ShopReader, ShopStore

RUNNING = Measurement(
    id=0, what="tdc", touches="piston_1", gauge="dial", start_ns=5, state="running", started_at="2026-01-02"
)


@pytest.fixture
def shop(tmp_path: Path):
    store = ShopStore(tmp_path)
    yield store
    store.close()


def test_a_measurement_comes_back_as_it_was_kept(shop: ShopStore) -> None:
    number = shop.write(adding(RUNNING))
    kept = MeasurementReader(shop.read).get(number)
    assert kept == Measurement(**{**{f: getattr(RUNNING, f) for f in RUNNING.__slots__}, "id": number})


def test_the_file_is_durable_and_has_a_write_ahead_log(shop: ShopStore) -> None:
    assert shop.write(lambda db: db.execute("PRAGMA journal_mode").fetchone()[0]) == "wal"
    assert shop.write(lambda db: db.execute("PRAGMA synchronous").fetchone()[0]) == 2


def test_a_change_that_fails_leaves_nothing_behind(shop: ShopStore) -> None:
    def half(db: object) -> None:
        adding(RUNNING)(db)  # type: ignore[arg-type]
        raise ValueError

    with pytest.raises(ValueError):
        shop.write(half)
    assert MeasurementReader(shop.read).listed() == []


def test_readers_cannot_write(shop: ShopStore) -> None:
    with pytest.raises(sqlite3.OperationalError, match="readonly"):
        shop.read.rows("DELETE FROM measurements RETURNING id")


def test_a_reader_that_keeps_its_connection_sees_every_change_and_another_file_put_in_its_place(
    shop: ShopStore, tmp_path: Path
) -> None:
    count = "SELECT count(*) AS n FROM measurements"
    for n in range(3):
        assert shop.read.rows(count) == [{"n": n}]
        shop.write(adding(RUNNING))
    elsewhere = tmp_path / "elsewhere"
    other = ShopStore(elsewhere)
    other.close()
    (elsewhere / "shop.db").replace(tmp_path / "shop.db")
    for left in ("shop.db-wal", "shop.db-shm"):
        (tmp_path / left).unlink()
    assert shop.read.rows(count) == [{"n": 0}]


def test_readers_that_ask_at_the_same_time_get_each_its_own_answer(shop: ShopStore) -> None:
    def asked(n: int) -> list[int]:
        return [shop.read.rows("SELECT ? AS n", (n,))[0]["n"] for _ in range(200)]

    with ThreadPoolExecutor(8) as threads:
        assert list(threads.map(asked, range(8))) == [[n] * 200 for n in range(8)]


def test_a_store_that_is_closed_leaves_its_file_whole_without_a_log(tmp_path: Path) -> None:
    store = ShopStore(tmp_path)
    store.write(adding(RUNNING))
    assert MeasurementReader(store.read).listed()
    store.close()
    assert [path.name for path in tmp_path.glob("shop.db*")] == ["shop.db"]
    assert len(MeasurementReader(store.read).listed()) == 1, "who still asks is answered"


def test_a_second_service_on_the_folder_is_refused_by_name(shop: ShopStore, tmp_path: Path) -> None:
    program = "from pathlib import Path; from api.store import ShopStore; ShopStore(Path({!r}))"
    done = subprocess.run(
        [sys.executable, "-c", program.format(str(tmp_path))], capture_output=True, text=True, check=False
    )
    assert done.returncode != 0
    assert "another Lobewright (process" in done.stderr


def test_a_newer_file_is_refused_by_name(tmp_path: Path) -> None:
    store = ShopStore(tmp_path)
    newer = {"migration_set": "lobewright.shop", "name": "m999_later", "applied_at": "2031"}
    store.write(lambda db: db.table("_sqlite_migrations").insert(newer))
    store.close()
    before = (tmp_path / "shop.db").read_bytes()
    for opening in (lambda: ShopStore(tmp_path), lambda: ShopReader(tmp_path).rows("SELECT 1")):
        with pytest.raises(StoreError, match=r"shop\.db was written by a newer Lobewright .*m999_later"):
            opening()
    assert (tmp_path / "shop.db").read_bytes() == before


def test_a_file_that_is_no_database_is_told(tmp_path: Path) -> None:
    (tmp_path / "shop.db").write_bytes(b"not a database at all, but long enough to be looked at" * 40)
    with pytest.raises(StoreError, match="cannot be used"):
        ShopStore(tmp_path)


async def _end_twice(shop: ShopStore, second: str) -> None:
    store = MeasurementStore(shop)
    number = (await store.add(RUNNING)).id
    await store.end(number, "finished", {"end_ns": 9})
    with pytest.raises(ConflictError, match="another screen was faster"):
        await store.end(number, second, {"end_ns": 10})  # type: ignore[arg-type]
    assert store.get(number).end_ns == 9
    with pytest.raises(NotFoundError):
        store.get(number + 1)


@pytest.mark.parametrize("second", ["finished", "discarded"])
def test_of_two_that_end_one_measurement_one_is_told(shop: ShopStore, second: str) -> None:
    asyncio.run(_end_twice(shop, second))
