"""Fault 41: the same POST again, because its answer was lost, a button was pressed twice, or two screens asked."""

from __future__ import annotations

import secrets
import signal
import socket
import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import httpx
import pytest
from attacked_shop import AttackedShop, attacked_shop, begin_job
from on_file import TARN, WHINFELL

pytestmark = [pytest.mark.faults]


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[AttackedShop]:
    with attacked_shop(tmp_path_factory.mktemp("twice")) as running:
        yield running


def key() -> dict[str, str]:
    return {"Request-Key": secrets.token_hex(16)}


def asked_at_once(shop: AttackedShop, path: str, body: Any, headers: dict[str, str], times: int = 8) -> Any:
    gate = threading.Barrier(times)

    def one(_: int) -> httpx.Response:
        with httpx.Client(base_url=str(shop.bench.base_url), timeout=30) as client:
            gate.wait(10)
            return client.post(path, json=body, headers=headers)

    with ThreadPoolExecutor(times) as screens:
        return list(screens.map(one, range(times)))


def test_one_key_makes_one_thing_however_often_and_however_fast(shop: AttackedShop, measured: Any) -> None:
    job = begin_job(shop, "Stall 9")
    note = {"what": {"kind": "noted", "text": "Chain tensioner changed"}, "by": "Ida"}
    for path, body, listed in (
        ("/api/engines", {"layout": "twin cam", "engine": TARN | {"name": "Once 1"}}, "/api/engines"),
        ("/api/cards", {"card": WHINFELL | {"name": "Once 2"}}, "/api/cards"),
        ("/api/jobs", {"reference": "Once 3", "engine_id": 1, "card_id": 1}, "/api/jobs"),
        (f"/api/jobs/{job}/facts", note, None),
    ):
        before = len(shop.bench.get(listed).json()) if listed else _facts(shop, job)
        answers = asked_at_once(shop, path, body, key())
        assert {answer.status_code for answer in answers} == {201}, [one.text[:200] for one in answers]
        assert len({answer.text for answer in answers}) == 1
        after = len(shop.bench.get(listed).json()) if listed else _facts(shop, job)
        assert after == before + 1, path
    measured(41, "the same POST again", "8 at once with one key: one engine, card, job, fact")


def _facts(shop: AttackedShop, job: int) -> int:
    return len(shop.bench.get(f"/api/jobs/{job}").json()["facts"])


def test_a_twin_without_a_key_is_found_inside_the_write(shop: AttackedShop) -> None:
    for path, body in (
        ("/api/engines", {"layout": "twin cam", "engine": TARN | {"name": "Twin 1"}}),
        ("/api/cards", {"card": WHINFELL | {"name": "Twin 2"}}),
        ("/api/jobs", {"reference": "Twin 3", "engine_id": 1, "card_id": 1}),
    ):
        answers = asked_at_once(shop, path, body, {}, 5)
        assert {answer.status_code for answer in answers} == {201}, [one.text[:200] for one in answers]
        assert len({answer.json()["id"] for answer in answers}) == 1, path


def test_an_answer_that_was_lost_is_given_again(shop: AttackedShop) -> None:
    body = {"layout": "twin cam", "engine": TARN | {"name": "Lost answer"}}
    headers = key()
    request = httpx.Request("POST", f"http://127.0.0.1:{shop.port}/api/engines", json=body, headers=headers)
    lines = [f"{name}: {value}" for name, value in request.headers.items() if name != "connection"]
    with socket.create_connection(("127.0.0.1", shop.port)) as gone:
        gone.sendall("\r\n".join(["POST /api/engines HTTP/1.1", *lines, "", ""]).encode() + request.content)
    again = shop.bench.post("/api/engines", json=body, headers=headers)
    assert again.status_code == 201
    names = [one["engine"]["name"] for one in shop.bench.get("/api/engines").json()]
    assert names.count("Lost answer") == 1


def test_a_key_belongs_to_one_request_and_to_one_caller(shop: AttackedShop) -> None:
    headers = key()
    body = {"layout": "twin cam", "engine": TARN | {"name": "Mine"}}
    assert shop.bench.post("/api/engines", json=body, headers=headers).status_code == 201
    other = shop.bench.post("/api/engines", json=body | {"by": "Jem"}, headers=headers)
    assert (other.status_code, other.json()["code"]) == (422, "request_key_used")
    stranger = httpx.post(f"{shop.far_url}/api/engines", json=body, headers=headers)
    assert stranger.status_code == 401
    for bad in ("x", "x" * 200, "a b c d e f g h"):
        told = shop.bench.post("/api/engines", json=body, headers={"Request-Key": bad})
        assert (told.status_code, told.json()["code"]) == (422, "bad_request_key")


def test_a_refusal_is_no_result_and_can_be_asked_again(shop: AttackedShop) -> None:
    headers = key()
    no_engine = {"reference": "Refused first", "engine_id": 9_999, "card_id": 1}
    assert shop.bench.post("/api/jobs", json=no_engine, headers=headers).status_code == 404
    there = shop.bench.post("/api/jobs", json=no_engine | {"engine_id": 1}, headers=headers)
    assert there.status_code == 201


def test_a_key_is_known_again_after_the_service_was_killed(tmp_path: Path, measured: Any) -> None:
    headers = key()
    body = {"layout": "twin cam", "engine": TARN}
    with attacked_shop(tmp_path) as first:
        made = first.bench.post("/api/engines", json=body, headers=headers)
        assert made.status_code == 201
        first.process.send_signal(signal.SIGKILL)
        first.process.wait(10)
    (tmp_path / "data" / "web.json").unlink(missing_ok=True)
    with attacked_shop(tmp_path) as second:
        again = second.bench.post("/api/engines", json=body, headers=headers)
        assert (again.status_code, again.json()) == (201, made.json())
        assert len(second.bench.get("/api/engines").json()) == 1
    measured(41, "the same POST again", "known after SIGKILL")
