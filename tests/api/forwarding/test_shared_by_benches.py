"""Two benches, two shops' databases, one archive: what they share, what is asked, what is refused."""

from __future__ import annotations

import asyncio

import psycopg
import pytest
from benches_of_one_archive import Shop, get, lifted, post, told
from on_file import TARN, WHINFELL

from api.forwarding import prove, sharing


def test_what_one_bench_keeps_is_on_the_other_at_once_with_who_and_when(
    shop: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing is looked for by itself within the time there is: a notification brings it."""
    monkeypatch.setattr(sharing, "LOOKS_EVERY_S", 10_000.0)

    async def work() -> None:
        async with shop.both() as (east, west):
            kept = await post(east, "/api/cards", {"card": WHINFELL, "by": "Ida Thorne"})
            engine = {"layout": "twin cam", "engine": TARN, "by": "Ida Thorne"}
            made = await post(east, "/api/engines", engine)
            (card,) = await told(west, "/api/cards", len)
            assert card["card"] == kept["card"]
            assert (card["from_bench"], card["by"], card["at"]) == ("east", "Ida Thorne", kept["at"])
            assert card["version"] == kept["version"]
            assert (await told(west, "/api/engines", len))[0]["engine"] == made["engine"]
            changed = await post(west, f"/api/cards/{card['id']}", lifted(9.6) | {"by": "Tom Marsh"})
            back = await told(
                east, f"/api/cards/{kept['id']}", lambda one: one["version"] == changed["version"]
            )
            assert back["card"]["inlet"]["lift_mm"] == 9.6
            assert (back["from_bench"], back["by"], back["asked"]) == ("west", "Tom Marsh", [])
            history = await get(east, f"/api/cards/{kept['id']}/versions")
            assert [one["card"]["inlet"]["lift_mm"] for one in history["versions"]] == [9.6, 9.4]
            assert [one["from_bench"] for one in history["versions"]] == ["west", ""]

    asyncio.run(work())
    assert not prove(shop.server.url(shop.archive, "lobewright_reader")).trouble


def test_the_same_card_typed_at_both_benches_is_one(shop: Shop) -> None:
    async def work() -> None:
        async with shop.both() as (east, west):
            here = await post(east, "/api/cards", {"card": WHINFELL})
            there = await post(west, "/api/cards", {"card": WHINFELL})
            assert here["version"] == there["version"]
            mark = await post(east, "/api/cards", lifted(8.0, "Whinfell 240"))
            await told(west, "/api/cards", lambda cards: mark["version"] in {one["version"] for one in cards})
            for web in (east, west):
                assert len(await get(web, "/api/cards")) == 2

    asyncio.run(work())


def test_changes_made_apart_are_both_kept_and_asked_about(shop: Shop) -> None:
    async def work() -> None:
        async with shop.both() as (east, west):
            kept = await post(east, "/api/cards", {"card": WHINFELL, "by": "Ida Thorne"})
            engine = await post(east, "/api/engines", {"layout": "twin cam", "engine": TARN})
            (card,) = await told(west, "/api/cards", len)
            entry = {"reference": "HL-3", "engine_id": engine["id"], "card_id": kept["id"], "open": False}
            job = await post(east, "/api/jobs", entry)
            shop.server.kill()
            try:
                of_east, of_west = f"/api/cards/{kept['id']}", f"/api/cards/{card['id']}"
                mine = await post(east, of_east, lifted(9.6) | {"by": "Ida Thorne"})
                await post(west, of_west, lifted(9.2) | {"by": "Tom Marsh"})
            finally:
                shop.server.start()
            for web, path, other, lift in ((east, of_east, "west", 9.6), (west, of_west, "east", 9.2)):
                asking = await told(web, path, lambda one: one["asked"])
                assert asking["card"]["inlet"]["lift_mm"] == lift, (
                    "what is shown stays until somebody answers"
                )
                ours, theirs = asking["asked"]
                assert (ours["from_bench"], theirs["from_bench"]) == ("", other)
                assert ours["differs"] == []
                assert theirs["differs"] == [
                    {"what": "inlet lift", "here": f"{lift} mm", "there": f"{18.8 - lift:.1f} mm"}
                ]
                refused = await post(web, path, lifted(9.9), 409)
                assert refused["code"] == "answer_first"
            answer = {"version": mine["version"], "by": "Tom Marsh"}
            settled = await post(west, f"{of_west}/right", answer)
            for web, path in ((east, of_east), (west, of_west)):
                one = await told(web, path, lambda one: one["version"] == settled["version"])
                assert one["asked"] == []
                assert one["card"]["inlet"]["lift_mm"] == 9.6
                history = await get(web, f"{path}/versions")
                lifts = sorted(one["card"]["inlet"]["lift_mm"] for one in history["versions"])
                assert lifts == [9.2, 9.4, 9.6, 9.6], "both stay on file"
            again = await post(west, f"{of_west}/right", answer, 409)
            assert again["code"] == "not_asked"
            begun = (await get(east, f"/api/jobs/{job['id']}"))["job"]["card"]
            assert begun["inlet"]["lift_mm"] == 9.4, "a job keeps what it began with"

    asyncio.run(work())


def test_a_version_that_is_not_what_it_says_is_not_taken_in(shop: Shop) -> None:
    async def work() -> None:
        async with shop.both() as (east, west):
            await post(east, "/api/cards", {"card": WHINFELL})
            await told(west, "/api/cards", len)
            url = shop.server.url(shop.archive, "lobewright_east")
            body = b'{"kind": "cards", "item": "x", "parents": "[]", "body": "{}", "bench": "", "by": "", "at": ""}'
            with psycopg.connect(url) as forger:
                forger.execute(
                    "INSERT INTO lobewright.documents_east (bench, kind, key, version, sha256, body)"
                    " VALUES ('east', 'versions', %s, 99999, sha256(%s), %s)",
                    ("f" * 64, body, body),
                )
            view = await told(west, "/api/shared", lambda view: view["sentence"])
            assert "of the bench east cannot be taken in here" in view["sentence"]
            assert len(await get(west, "/api/cards")) == 1

    asyncio.run(work())
