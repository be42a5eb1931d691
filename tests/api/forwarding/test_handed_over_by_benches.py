"""A job that goes from one bench to another through the archive: handed over, taken over, taken back, held."""

from __future__ import annotations

import asyncio
import re
import shutil
from pathlib import Path
from typing import Any

import httpx
import psycopg
import pytest
from benches_of_one_archive import Shop, get, post, told
from kept_shop import add_job

from api.forwarding import Forwarder, handing_over, prove
from api.web.routes import shared


def unfinished(shop: Shop) -> int:
    """Put a job with traces into the east bench's shop."""
    shop.data("east").mkdir(parents=True, exist_ok=True)
    return add_job(shop.data("east"))


async def gone_back(web: httpx.AsyncClient, job_id: int) -> dict[str, Any]:
    """Take the signature off by going back to the step before it."""
    job = await get(web, f"/api/jobs/{job_id}")
    step = next(one["id"] for one in reversed(job["steps"]) if one["id"] not in {"sign", "sign_off"})
    what = {"kind": "went_back", "step": step, "reason": "to be looked at on the other bench"}
    return dict((await post(web, f"/api/jobs/{job_id}/facts", {"what": what}))["job"])


def test_a_job_is_handed_over_and_comes_back(shop: Shop) -> None:
    job_id = unfinished(shop)

    async def work() -> None:
        async with shop.both() as (east, west):
            signed = await post(east, f"/api/jobs/{job_id}/hand_over", {"bench": "west"}, 409)
            assert signed["code"] == "job_signed"
            before = await gone_back(east, job_id)
            await post(east, f"/api/jobs/{job_id}/open")
            given = await post(east, f"/api/jobs/{job_id}/hand_over", {"bench": "west", "by": "Ida Thorne"})
            assert re.fullmatch(r"Held by the bench west since \d\d \w{3} 20\d\d \d\d:\d\d\.", given["held"])
            assert not given["open"]
            guide = await told(
                east, "/api/bench", lambda bench: (bench["guide"] or {}).get("job_id") != job_id
            )
            assert guide["guide"] is None or guide["guide"]["job_id"] is None
            note = {"what": {"kind": "noted", "text": "too late"}}
            for path, body in (("facts", note), ("open", None), ("hand_over", {"bench": "west"})):
                refused = await post(east, f"/api/jobs/{job_id}/{path}", body, 409)
                assert refused["code"] == "held_elsewhere", refused
                assert refused["message"].endswith("Go on with this job there.")
            assert (await east.delete(f"/api/jobs/{job_id}")).status_code == 409
            assert (await get(east, "/api/jobs"))[0]["held"]

            (coming,) = (await told(west, "/api/shared", lambda view: view["coming"]))["coming"]
            assert (coming["bench"], coming["by"]) == ("east", "Ida Thorne")
            taken = await post(west, f"/api/shared/jobs/{coming['number']}")
            assert taken["came"].startswith("Taken over from the bench east")
            assert not taken["held"]
            assert [one["what"]["kind"] for one in taken["facts"]] == [
                one["what"]["kind"] for one in before["facts"]
            ]
            assert taken["cams"] == before["cams"], "its numbers stand"
            await told(west, "/api/shared", lambda view: not view["coming"])
            twice = await post(west, f"/api/shared/jobs/{coming['number']}", None, 404)
            assert twice["code"] == "no_such_hand_over"
            await post(west, f"/api/jobs/{taken['id']}/open")
            await post(west, f"/api/jobs/{taken['id']}/facts", note)

            await post(west, f"/api/jobs/{taken['id']}/hand_over", {"bench": "east"})
            (coming,) = (await told(east, "/api/shared", lambda view: view["coming"]))["coming"]
            back = await post(east, f"/api/shared/jobs/{coming['number']}")
            assert back["facts"][-1]["what"]["kind"] == "noted"
            assert [one["id"] for one in await get(east, "/api/jobs")] == [back["id"]], (
                "it is on the list once"
            )
            await post(east, f"/api/jobs/{back['id']}/facts", note)
            for web in (east, west):
                await told(web, "/api/archive", lambda one: one["state"] == "up to date")

    asyncio.run(work())
    assert not prove(shop.server.url(shop.archive, "lobewright_reader")).trouble


def test_an_offer_is_taken_back_until_the_other_bench_begins_to_take_it(shop: Shop) -> None:
    job_id = unfinished(shop)
    note = {"what": {"kind": "noted", "text": "goes on here"}}

    async def work() -> None:
        async with shop.both() as (east, west):
            await gone_back(east, job_id)
            never = await post(east, f"/api/jobs/{job_id}/take_back", None, 409)
            assert never["message"] == "Not taken back: the job was not handed over."
            await post(east, f"/api/jobs/{job_id}/hand_over", {"bench": "west"})
            (offered,) = (await told(east, "/api/shared", lambda view: view["offered"]))["offered"]
            (coming,) = (await told(west, "/api/shared", lambda view: view["coming"]))["coming"]
            assert offered == {"number": coming["number"], "job_id": job_id, "bench": "west"}
            assert not (await post(east, f"/api/jobs/{job_id}/take_back"))["held"]
            await post(east, f"/api/jobs/{job_id}/open")
            await post(east, f"/api/jobs/{job_id}/facts", note)
            too_late = await post(west, f"/api/shared/jobs/{coming['number']}", None, 404)
            assert too_late["code"] == "no_such_hand_over"
            await told(west, "/api/shared", lambda view: not view["coming"])
            await told(east, "/api/archive", lambda one: one["state"] == "up to date")

            await post(east, f"/api/jobs/{job_id}/hand_over", {"bench": "west"})
            (coming,) = (await told(west, "/api/shared", lambda view: view["coming"]))["coming"]
            taken = await post(west, f"/api/shared/jobs/{coming['number']}")
            assert taken["facts"][-1]["what"]["text"] == "goes on here"
            await told(east, "/api/shared", lambda view: not view["offered"])
            late = await post(east, f"/api/jobs/{job_id}/take_back", None, 409)
            assert late["message"] == "Not taken back: the bench west has taken it over."
            assert (await get(east, f"/api/jobs/{job_id}"))["held"]

    asyncio.run(work())
    assert not prove(shop.server.url(shop.archive, "lobewright_reader")).trouble


def test_of_taking_over_and_taking_back_at_once_one_alone_succeeds(shop: Shop) -> None:
    """However they fall, the job goes on at one bench and at one alone."""
    job_id = unfinished(shop)

    async def work() -> None:
        async with shop.both() as (east, west):
            await gone_back(east, job_id)
            for pause_s in (0.0, 0.004, 0.008, 0.015, 0.03):
                await post(east, f"/api/jobs/{job_id}/hand_over", {"bench": "west"})
                (coming,) = (await told(west, "/api/shared", lambda view: view["coming"]))["coming"]
                take = asyncio.create_task(west.post(f"/api/shared/jobs/{coming['number']}"))
                await asyncio.sleep(pause_s)
                back, taken = await east.post(f"/api/jobs/{job_id}/take_back"), await take
                assert sorted([back.is_success, taken.is_success]) == [False, True]
                held = (await get(east, f"/api/jobs/{job_id}"))["held"]
                assert bool(held) == taken.is_success
                assert len(await get(west, "/api/jobs")) == taken.is_success
                if taken.is_success:
                    break

    asyncio.run(work())


def test_a_job_whose_taking_over_broke_off_stays_with_who_began_to_take_it(
    shop: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whether it was taken in there nobody knows, so it is taken back by nobody; pressed again, it is taken in."""
    job_id = unfinished(shop)

    def killed(*_: Any) -> int:
        raise SystemError("the machine went off")

    async def work() -> None:
        async with shop.both() as (east, west):
            await gone_back(east, job_id)
            await post(east, f"/api/jobs/{job_id}/hand_over", {"bench": "west"})
            (coming,) = (await told(west, "/api/shared", lambda view: view["coming"]))["coming"]
            path = f"/api/shared/jobs/{coming['number']}"
            with monkeypatch.context() as broken:
                broken.setattr(shared, "read_job", killed)
                with pytest.raises(SystemError, match="the machine went off"):
                    await post(west, path)
            await told(east, "/api/shared", lambda view: not view["offered"])
            refused = await post(east, f"/api/jobs/{job_id}/take_back", None, 409)
            assert refused["message"].startswith("Not taken back: the bench west is taking it over since 20")
            assert (await post(west, path))["came"]

    asyncio.run(work())


def test_a_job_whose_file_is_none_can_be_taken_back(shop: Shop) -> None:
    job_id = unfinished(shop)

    async def work() -> None:
        async with shop.both() as (east, west):
            await gone_back(east, job_id)
            await post(east, f"/api/jobs/{job_id}/hand_over", {"bench": "west"})
            (coming,) = (await told(west, "/api/shared", lambda view: view["coming"]))["coming"]
            with psycopg.connect(shop.server.url(shop.archive)) as owner:
                owner.execute("UPDATE lobewright.handed SET file = 'spoilt on the way'")
            await post(west, f"/api/shared/jobs/{coming['number']}", None, 422)
            assert not await get(west, "/api/jobs")
            assert not (await post(east, f"/api/jobs/{job_id}/take_back"))["held"]

    asyncio.run(work())


def test_a_taking_back_whose_answer_is_lost_is_asked_about(
    shop: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    job_id = unfinished(shop)
    really = handing_over._settled

    def cut(*words: Any) -> tuple[int, str]:
        really(*words)
        raise OSError("the line went dead")

    async def work() -> None:
        async with shop.both() as (east, west):
            await gone_back(east, job_id)
            await post(east, f"/api/jobs/{job_id}/hand_over", {"bench": "west"})
            await told(west, "/api/shared", lambda view: view["coming"])
            monkeypatch.setattr(handing_over, "_settled", cut)
            with pytest.raises(OSError, match="the line went dead"):
                await post(east, f"/api/jobs/{job_id}/take_back")
            await told(east, f"/api/jobs/{job_id}", lambda job: not job["held"])
            await post(east, f"/api/jobs/{job_id}/facts", {"what": {"kind": "noted", "text": "goes on"}})
            await told(west, "/api/shared", lambda view: not view["coming"])

    asyncio.run(work())


def test_without_the_archive_nothing_is_handed_over_and_the_job_goes_on_here(shop: Shop) -> None:
    job_id = unfinished(shop)

    async def work() -> None:
        async with shop.both() as (east, _):
            await gone_back(east, job_id)
            for bench, words in (("north", "knows no other bench north"), ("east", "name another one")):
                answer = await east.post(f"/api/jobs/{job_id}/hand_over", json={"bench": bench})
                assert answer.status_code in {409, 422}
                assert words in answer.json()["message"]
            shop.server.kill()
            try:
                refused = await post(east, f"/api/jobs/{job_id}/hand_over", {"bench": "west"}, 503)
                assert refused["code"] == "archive_unreachable"
            finally:
                shop.server.start()
            job = await get(east, f"/api/jobs/{job_id}")
            assert not job["held"]
            await post(east, f"/api/jobs/{job_id}/facts", {"what": {"kind": "noted", "text": "goes on"}})

    asyncio.run(work())


@pytest.mark.parametrize("at", ["before the archive has it", "after the archive has it"])
def test_a_hand_over_that_is_cut_short_is_asked_about(
    shop: Shop, monkeypatch: pytest.MonkeyPatch, at: str
) -> None:
    """Where the answer is lost, the job is only looked at until the archive has said who holds it."""
    job_id = unfinished(shop)
    arrives = at.startswith("after")
    really = handing_over._given

    def cut(*words: Any) -> tuple[int, str]:
        if arrives:
            really(*words)
        raise OSError("the line went dead")

    async def work() -> None:
        async with shop.both() as (east, west):
            await gone_back(east, job_id)
            monkeypatch.setattr(handing_over, "_given", cut)
            with pytest.raises(OSError, match="the line went dead"):
                await post(east, f"/api/jobs/{job_id}/hand_over", {"bench": "west"})
            if arrives:
                await told(east, f"/api/jobs/{job_id}", lambda job: job["held"].startswith("Held by"))
                await told(west, "/api/shared", lambda view: view["coming"])
            else:
                await told(east, f"/api/jobs/{job_id}", lambda job: not job["held"])
                note = {"what": {"kind": "noted", "text": "goes on"}}
                await post(east, f"/api/jobs/{job_id}/facts", note)
                assert not (await get(west, "/api/shared"))["coming"]

    asyncio.run(work())


def test_a_bench_put_back_from_before_a_hand_over_is_refused_by_the_database(
    shop: Shop, tmp_path: Path
) -> None:
    job_id = unfinished(shop)

    async def before() -> None:
        async with shop.both() as (east, _):
            await gone_back(east, job_id)
            await told(east, "/api/archive", lambda one: one["state"] == "up to date")

    async def given() -> None:
        async with shop.both() as (east, _):
            await post(east, f"/api/jobs/{job_id}/hand_over", {"bench": "west"})
            await told(east, "/api/archive", lambda one: one["state"] == "up to date")

    async def learns() -> None:
        async with shop.both() as (east, _):
            job = await told(east, f"/api/jobs/{job_id}", lambda job: job["held"])
            assert "west" in job["held"]

    asyncio.run(before())
    copy = tmp_path / "copy"
    shutil.copytree(shop.data("east"), copy)
    asyncio.run(given())

    shutil.copytree(copy, tmp_path / "second")
    add_a_fact(tmp_path / "second", job_id)
    forwarder = Forwarder(tmp_path / "second", shop.server.url(shop.archive, "lobewright_east"), "east")
    try:
        with pytest.raises(psycopg.Error, match=f"job {job_id} of east is held by west since"):
            while forwarder.step():
                pass
    finally:
        forwarder.close()

    shutil.rmtree(shop.data("east"))
    shutil.copytree(copy, shop.data("east"))
    asyncio.run(learns())


def add_a_fact(data: Path, job_id: int) -> None:
    """Do something in the job without asking anybody, as a copy of the folder without a network would."""
    from sqlite_utils import Database

    from api.store import ShopStore

    store = ShopStore(data)

    def put(db: Database) -> None:
        number = db.execute("SELECT max(number) FROM job_facts WHERE job_id = ?", (job_id,)).fetchone()[0]
        db.table("job_facts").insert(
            {
                "job_id": job_id,
                "number": number + 1,
                "at": "t",
                "by": "Tom Marsh",
                "kind": "noted",
                "what": '{"kind": "noted", "text": "forked"}',
            }
        )

    store.write(put)
    store.close()
