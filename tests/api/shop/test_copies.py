"""What a shop shows of a bench is what the bench itself shows: its sheets, its readings, its list, and nothing half come."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import psycopg
import pytest
from kept_shop import add_job, add_run, change, measured
from postgres import Server

from api.base import ConflictError, ServiceConfig, ServiceError, StoreError
from api.records import MeasurementReader, StoredStreams, contents_of
from api.service import Service
from api.sheet import job_sheet
from api.shop import Benches
from api.store import ShopReader, ShopStore

Send = Callable[[Path, str], None]


def sheet_of(service: Service, job: int) -> dict[str, Any]:
    """The sheet as it is made now, but for when."""

    async def made() -> str:
        return (await job_sheet(service, job)).model_dump_json()

    told: dict[str, Any] = json.loads(asyncio.run(made()))
    told.pop("made_at", None)
    return told


def at_the_bench(data: Path, job: int) -> dict[str, Any]:
    service = Service(ServiceConfig(data))
    try:
        return sheet_of(service, job)
    finally:
        service.shop.close()


def copy_of(benches: Benches, name: str = "east") -> Service:
    service = benches.service(name)
    assert service is not None
    return service


def only_measurement(data: Path) -> Any:
    return MeasurementReader(ShopReader(data)).listed(limit=1)[0]


def owner_does(server: Server, archive: str, words: str) -> None:
    with psycopg.connect(server.url(archive)) as owner:
        owner.execute(words.encode())


def test_a_sheet_is_the_same_as_at_the_bench(benches: Benches, send: Send, tmp_path: Path) -> None:
    data = tmp_path / "east"
    job = add_job(data)
    send(data, "east")
    benches.step()
    there = copy_of(benches)
    assert sheet_of(there, job) == at_the_bench(data, job)
    assert contents_of(there.config.data_dir) == contents_of(data)


def test_what_comes_later_is_seen_and_what_was_deleted_is_gone(
    benches: Benches, send: Send, tmp_path: Path
) -> None:
    data = tmp_path / "east"
    job = add_job(data)
    send(data, "east")
    benches.step()
    assert [(line.bench, line.id) for line in benches.index.found()] == [("east", job)]
    shop = ShopStore(data)
    shop.write(lambda db: db.execute("UPDATE jobs SET customer = 'Quillfeather' WHERE id = ?", (job,)))
    shop.close()
    assert not [line for line in benches.index.found() if line.customer == "Quillfeather"]
    send(data, "east")
    benches.step()
    assert benches.index.found()[0].customer == "Quillfeather"
    shop = ShopStore(data)
    shop.write(lambda db: db.execute("UPDATE jobs SET deleted_at = 't' WHERE id = ?", (job,)))
    shop.close()
    send(data, "east")
    benches.step()
    assert benches.index.found() == []


def test_jobs_of_both_benches_stand_in_one_list(benches: Benches, send: Send, tmp_path: Path) -> None:
    for name in ("east", "west"):
        add_job(tmp_path / name)
        send(tmp_path / name, name)
    benches.step()
    found = benches.index.found()
    assert {line.bench for line in found} == {"east", "west"}
    assert len({line.engine for line in found}) == 1
    assert benches.index.found(engine=f"  {found[0].engine.upper()} ") == found
    assert {line.bench for line in benches.index.found("west")} == {"west"}


def test_readings_are_fetched_for_the_span_alone_and_are_the_same(
    benches: Benches, send: Send, tmp_path: Path
) -> None:
    data = tmp_path / "east"
    change(data, "engines", {"name": "A", "body": "{}", "at": "t", "by": "Ida Thorne"})
    run = add_run(data, 400)
    number = 10**9
    change(data, "measurements", measured(run, None, start_ns=200 * number, end_ns=205 * number))
    send(data, "east")
    benches.step()
    service = copy_of(benches)
    one = only_measurement(data)
    here, there = StoredStreams(data).of(one), service.stored.of(one)
    for name in ("crank_t_ns", "crank_deg", "gauge_t_ns", "gauge_mm"):
        assert np.array_equal(getattr(there, name), getattr(here, name))
    assert len(there.gauge_mm) >= 1250
    kept = contents_of(service.config.data_dir)
    assert 2 * 1250 <= kept.readings <= 2 * 9 * 250  # of twice a hundred thousand


def test_a_trace_of_which_readings_are_still_on_their_way_is_not_drawn(
    server: Server, archive: str, benches: Benches, send: Send, tmp_path: Path
) -> None:
    data = tmp_path / "east"
    change(data, "engines", {"name": "A", "body": "{}", "at": "t", "by": "Ida Thorne"})
    change(data, "measurements", measured(add_run(data, 8), None))
    send(data, "east")
    owner_does(server, archive, "CREATE TABLE later AS SELECT * FROM lobewright.blocks WHERE first = 750")
    for first in (750, 500):
        owner_does(server, archive, f"DELETE FROM lobewright.blocks WHERE first = {first}")
        benches.step()
        with pytest.raises(
            ConflictError, match="Not all readings of this trace have arrived from the bench east"
        ):
            copy_of(benches).stored.of(only_measurement(data))
        if first == 750:
            owner_does(server, archive, "INSERT INTO lobewright.blocks SELECT * FROM later")
            copy_of(benches).stored.of(only_measurement(data))
            copy_of(benches).stored._here.clear()


@pytest.mark.parametrize("what", ["documents SET body = body || ' '", "blocks SET data = data || ' '"])
def test_what_is_not_what_was_sent_is_not_shown(
    server: Server, archive: str, benches: Benches, send: Send, tmp_path: Path, what: str
) -> None:
    data = tmp_path / "east"
    change(data, "engines", {"name": "A", "body": "{}", "at": "t", "by": "Ida Thorne"})
    change(data, "measurements", measured(add_run(data, 8), None))
    send(data, "east")
    owner_does(server, archive, f"UPDATE lobewright.{what}::bytea")
    benches.step()
    if what.startswith("documents"):
        assert "is not what was sent" in benches.lines()[0].trouble
        assert contents_of(copy_of(benches).config.data_dir).measurements == 0
    else:
        with pytest.raises(StoreError, match="of the bench east is not what was sent"):
            copy_of(benches).stored.of(only_measurement(data))


NONSENSE = {
    "no JSON": ("jobs", "1", b"\xff{"),
    "no row": ("jobs", "1", b"[1, 2]"),
    "no such column": ("jobs", "1", b'{"id": 1, "nothing": 2}'),
    "a name that is SQL": ("jobs", "1", b'{"id\\") VALUES (1); --": 1}'),
    "words where a number goes": ("jobs", "1", b'{"id": "one", "reference": 1}'),
    "no such table": ("runs", "1", b'{"sqlite_master": [{"name": "x"}]}'),
    "a number that is none": (
        "job_facts",
        "x/y",
        b'{"job_id": 1, "number": 1, "at": "t", "by": "b", "kind": "k", "what": "w"}',
    ),
    "a job that cannot be read": (
        "jobs",
        "7",
        b'{"id": 7, "reference": "R", "body": "[", "at": "t", "by": "b", "changed_at": "yesterday"}',
    ),
}


@pytest.mark.parametrize("what", NONSENSE)
def test_a_bench_that_sends_nonsense_holds_up_no_other(
    server: Server, archive: str, benches: Benches, send: Send, tmp_path: Path, what: str
) -> None:
    kind, key, body = NONSENSE[what]
    data = tmp_path / "east"
    change(data, "engines", {"name": "A", "body": "{}", "at": "t", "by": "Ida Thorne"})
    send(data, "east")
    with psycopg.connect(server.url(archive, "lobewright_east")) as own:
        own.execute(
            "INSERT INTO lobewright.documents_east (bench, kind, key, version, sha256, body)"
            " VALUES ('east', %s, %s, 99, sha256(%s), %s)",
            (kind, key, body, body),
        )
    add_job(tmp_path / "west")
    send(tmp_path / "west", "west")
    for _ in range(2):
        benches.step()
    assert [line.bench for line in benches.index.found("west")] == ["west"]
    if what == "a job that cannot be read":
        assert [line.reference for line in benches.index.found("east")] == ["R"]
    else:
        assert benches.lines()[0].trouble
    assert not benches.lines()[1].trouble


def test_a_bench_whose_name_is_a_path_is_left_out(
    server: Server, archive: str, benches: Benches, tmp_path: Path
) -> None:
    (tmp_path / "cache" / "precious").mkdir()
    owner_does(server, archive, "INSERT INTO lobewright.benches (name, role) VALUES ('../precious', 'x')")
    benches.step()
    assert benches.names() == ["east", "west"]
    assert (tmp_path / "cache" / "precious").is_dir()


def test_an_archive_that_has_less_than_was_copied_is_copied_anew(
    server: Server, archive: str, reader: str, send: Send, tmp_path: Path
) -> None:
    data, cache = tmp_path / "east", tmp_path / "cache"
    add_job(data)
    send(data, "east")
    cache.mkdir()
    for words, jobs in (("SELECT 1", 1), ("DELETE FROM lobewright.documents WHERE kind = 'jobs'", 0)):
        owner_does(server, archive, words)
        shop = Benches.open(reader, cache)
        shop.step()
        assert len(shop.index.found()) == jobs
        assert contents_of(cache / "benches" / "east").jobs == jobs
        shop.stop()


def test_a_copy_cut_short_goes_on_and_loses_nothing(reader: str, send: Send, tmp_path: Path) -> None:
    data, cache = tmp_path / "east", tmp_path / "cache"
    cache.mkdir()
    job = add_job(data)
    send(data, "east")
    shop = Benches.open(reader, cache)
    shop.step()
    note = cache / "benches" / "east" / "copy.json"
    before = note.read_bytes()
    change(data, "engines", {"name": "A", "body": "{}", "at": "t", "by": "Ida Thorne"})
    send(data, "east")
    shop.step()
    shop.stop()
    note.write_bytes(before)  # killed after the rows were committed, before it was noted
    again = Benches.open(reader, cache)
    again.step()
    assert contents_of(cache / "benches" / "east") == contents_of(data)
    assert [line.id for line in again.index.found()] == [job]
    again.stop()


def test_whatever_would_change_a_copy_is_refused(benches: Benches, send: Send, tmp_path: Path) -> None:
    data = tmp_path / "east"
    add_job(data)
    send(data, "east")
    benches.step()
    service, app = copy_of(benches), benches.app("east")
    assert app is not None
    with pytest.raises(ServiceError, match="to look at only"):
        service.shop.write(lambda db: db.execute("DELETE FROM jobs"))
    asked = [
        (method, path)
        for path, operations in _paths(app)
        for method in operations
        if method not in {"GET", "HEAD"} and not path.endswith("against_table")
    ]
    assert len(asked) > 20

    async def knock() -> list[tuple[int, str]]:
        transport = httpx.ASGITransport(app)
        async with httpx.AsyncClient(transport=transport, base_url="http://localhost") as web:
            answers = [await web.request(method, path, json={}) for method, path in asked]
        return [(one.status_code, one.json()["code"]) for one in answers]

    assert set(asyncio.run(knock())) == {(409, "only_looked_at")}
    assert contents_of(service.config.data_dir) == contents_of(data)


def _paths(app: Any) -> list[tuple[str, set[str]]]:
    from api.cli.routes import served

    found: dict[str, set[str]] = {}
    for one in served(app):
        path = one.path
        for name in ("number", "job_id", "step", "name", "link"):
            path = path.replace(f"{{{name}}}", "1").replace(f"{{{name}:path}}", "1")
        found.setdefault(path, set()).add(one.method)
    return list(found.items())
