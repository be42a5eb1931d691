"""Databases of every layout there ever was, from the first on, opened by this program: nothing of them is lost.

`before/layouts` holds each layout as SQL, written by the program that first had it, and one store of readings with what
had been said to it. The shop's rows are those that release 0.1 left.
"""

from __future__ import annotations

import json
import sqlite3
import tarfile
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from api.store import ShopStore
from api.store.shop_schema import SCHEMA
from capture.store import StreamReader, StreamWriter
from capture.store.stream_store import integrity

KEPT = Path(__file__).with_name("before")
LAYOUTS = KEPT / "layouts"
SHOP_LAYOUTS = sorted(path.stem for path in LAYOUTS.glob("shop-*.sql"))
JOBS_SINCE = 2
NOT_OURS = ("_sqlite_migrations", "request_keys", "sqlite_sequence")


def made(layout: str, path: Path) -> None:
    path.unlink(missing_ok=True)
    with closing(sqlite3.connect(path)) as db:
        db.executescript((LAYOUTS / f"{layout}.sql").read_text(encoding="utf-8"))


def columns(db: sqlite3.Connection, table: str) -> list[str]:
    return [row[1] for row in db.execute(f"PRAGMA table_info({table})")]


def tables(db: sqlite3.Connection) -> list[str]:
    names = [
        row[0] for row in db.execute("SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY name")
    ]
    return [name for name in names if name not in NOT_OURS]


def contents(path: Path, like: Path) -> dict[str, list[tuple[Any, ...]]]:
    """All rows of a file, in the tables and columns that another one has."""
    with closing(sqlite3.connect(path)) as db, closing(sqlite3.connect(like)) as other:
        return {
            table: db.execute(
                f"SELECT {', '.join(columns(other, table))} FROM {table} ORDER BY rowid"
            ).fetchall()
            for table in tables(other)
        }


def layout_of(path: Path) -> dict[str, list[tuple[Any, ...]]]:
    """Each table's columns: name, type, whether it may be empty, place in the key."""
    with closing(sqlite3.connect(path)) as db:
        names = [row[0] for row in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        return {
            name: sorted((row[1], row[2], row[3], row[5]) for row in db.execute(f"PRAGMA table_info({name})"))
            for name in names
        }


@pytest.fixture
def data(tmp_path: Path) -> Path:
    """The data folder as release 0.1 left it."""
    with tarfile.open(KEPT / "shop-0.1.tar.xz") as archive:
        archive.extractall(tmp_path, filter="data")
    return tmp_path


def filled(layout: str, data: Path) -> Path:
    """The same shop in an earlier layout, as far as that has tables and columns for it; gives what it was."""
    kept, shop = data / "kept.db", data / "shop.db"
    shop.rename(kept)
    made(layout, shop)
    with closing(sqlite3.connect(shop)) as db:
        db.execute("ATTACH ? AS kept", (str(kept),))
        for table in tables(db):
            there = {row[1] for row in db.execute(f"PRAGMA kept.table_info({table})")}
            names = ", ".join(name for name in columns(db, table) if name in there)
            if names:  # a table that came later than what is filled in stays empty
                db.execute(f"INSERT INTO main.{table} ({names}) SELECT {names} FROM kept.{table}")
        db.commit()
    kept.unlink()
    before = data / "as-it-was.db"
    before.write_bytes(shop.read_bytes())
    return before


def test_no_layout_is_without_a_file_here() -> None:
    """Whoever appends a change keeps the layout it leads to as well: `.schema` and the rows of `_sqlite_migrations`."""
    assert len(SHOP_LAYOUTS) == len(list(SCHEMA.pending(ShopLess().db)))


class ShopLess:
    """An empty database, to ask what would be done to it."""

    def __init__(self) -> None:
        from sqlite_utils import Database

        self.db = Database(memory=True)


@pytest.mark.slow
@pytest.mark.parametrize("layout", SHOP_LAYOUTS)
def test_a_shop_of_any_layout_opens_with_all_that_was_in_it(
    layout: str, data: Path, recorded: Any, tmp_path_factory: pytest.TempPathFactory
) -> None:
    before = filled(layout, data)
    sheet = json.loads((KEPT / "sheet.json").read_text(encoding="utf-8"))
    shop = recorded(data=data)
    now, then = contents(data / "shop.db", before), contents(before, before)
    for there in (now, then):  # what a later layout adds by itself is listed after what had changed before
        there["changes"] = there.get("changes", [])[: len(then.get("changes", []))]
    assert now == then
    new = tmp_path_factory.mktemp("new")
    ShopStore(new).close()
    assert layout_of(data / "shop.db") == layout_of(new / "shop.db")
    listed = shop.get("/api/measurements?limit=100")["measurements"]
    assert len(listed) == 10
    for one in listed:
        assert shop.client.get(f"/api/measurements/{one['id']}/trace").status_code == 200
    if int(layout.rpartition("-")[2]) >= JOBS_SINCE:
        shown = shop.get("/api/jobs/1/sheet.json")
        assert shown["signed_by"] == sheet["signed_by"]
        for name in ("value_deg", "u95_deg", "call"):
            assert [one[name] for one in shown["measurements"]] == [
                one[name] for one in sheet["measurements"]
            ]
    copies = list(data.glob("shop-before-upgrade-*.db"))
    assert len(copies) == (0 if layout == SHOP_LAYOUTS[-1] else 1)
    for copy in copies:
        assert contents(copy, before) == contents(before, before)


def test_readings_of_the_first_layout_come_back_to_the_last_digit_and_can_be_added_to(tmp_path: Path) -> None:
    made("streams-1", tmp_path / "streams.db")
    said = json.loads((LAYOUTS / "streams-1.json").read_text(encoding="utf-8"))
    StreamWriter(tmp_path).close()
    reader = StreamReader(tmp_path)
    assert integrity(tmp_path / "streams.db") == "ok"
    for name, lines in said.items():
        back = reader.read(1, name)
        assert list(back.every_raw()) == [raw for _, raw in lines]
        told = {t_ns: raw for t_ns, raw in lines}
        assert all(told[int(t)] == int(raw) for t, raw in zip(back.t_ns, back.raw, strict=True))
