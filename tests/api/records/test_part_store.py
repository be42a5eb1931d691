"""Results of parts in the shop's file: kept as they were, listed for who carries them on, an older file brought up."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest
from sqlite_utils import Database

from analysis.timing import PartFigure, PartMeasured
from api.base import NotFoundError
from api.records import PartReader, ToldPart, keeping_part, throwing_away, trouble_in_shop
from api.store import ShopStore
from api.store.shop_schema import SCHEMA

FLANGE = ToldPart(
    id=0,
    at="2031-03-02T10:11:00+00:00",
    measured=PartMeasured(
        "Flywheel flange",
        "swash",
        (PartFigure("full swing", 0.1 + 0.2, 0.004, "mm"),),
        "…",
        "beyond",
        "dial_a",
        None,
        0.05,
    ),
    entry={"most_mm": 0.05, "face_radius_mm": 90.0},
    told={"crank_deg": [0.0, 1.0], "reading_mm": [0.0, 1 / 3]},
    job_id=None,
    run_id=4,
    start_ns=10**15,
    end_ns=10**15 + 7,
    facts={"lag_s": 0.06},
)


def test_a_result_comes_back_to_the_last_digit(tmp_path: Path) -> None:
    store = ShopStore(tmp_path)
    number = store.write(keeping_part(FLANGE))
    read = PartReader(store.read)
    assert read.get(number) == replace(FLANGE, id=number)
    store.write(throwing_away(number, "2031-03-03T00:00:00+00:00"))
    assert read.listed() == []
    assert read.get(number).thrown_at == "2031-03-03T00:00:00+00:00"
    with pytest.raises(NotFoundError):
        read.get(number + 1)
    store.close()
    assert trouble_in_shop(tmp_path / "shop.db", thorough=True) == []


def test_the_list_goes_on_before_a_number_and_by_job(tmp_path: Path) -> None:
    store = ShopStore(tmp_path)
    numbers = [store.write(keeping_part(replace(FLANGE, job_id=job))) for job in (1, 2, 1)]
    read = PartReader(store.read)
    assert [one.id for one in read.listed(limit=2)] == numbers[:0:-1]
    assert [one.id for one in read.listed(before=numbers[1])] == numbers[:1]
    assert [one.id for one in read.listed(job_id=1)] == [numbers[2], numbers[0]]
    store.close()


def test_a_file_from_before_parts_were_kept_is_whole_and_is_brought_up(tmp_path: Path) -> None:
    path = tmp_path / "shop.db"
    with closing(sqlite3.connect(path)) as old:
        SCHEMA.apply(Database(old), stop_before="m007_parts")
        old.commit()
    assert trouble_in_shop(path, thorough=True) == []
    store = ShopStore(tmp_path)
    number = store.write(keeping_part(FLANGE))
    listed = store.read.rows("SELECT kind, key FROM changes")
    assert {"kind": "parts", "key": str(number)} in listed
    store.close()
    assert list(tmp_path.glob("*m006*")), "what was there before was copied first"
