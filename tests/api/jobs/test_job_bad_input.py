"""Bad input over the web API: one sentence each, nothing lost."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from fastapi import FastAPI
from on_file import TARN_WITH_PIN, WHINFELL

from api.base import ServiceConfig
from api.web import create_app


class Shop:
    """The service without a bench, asked inside its own event loop."""

    def __init__(self, app: FastAPI) -> None:
        self._app = app

    def ask(self, method: str, path: str, body: Any = None) -> httpx.Response:
        import anyio

        async def call() -> httpx.Response:
            async with self._app.router.lifespan_context(self._app):
                transport = httpx.ASGITransport(self._app)
                async with httpx.AsyncClient(transport=transport, base_url="http://localhost") as client:
                    return await client.request(method, path, json=body)

        return anyio.run(call)

    def refused(self, path: str, body: Any, status: int = 422) -> dict[str, Any]:
        answer = self.ask("POST", path, body)
        assert answer.status_code == status, answer.text
        told: dict[str, Any] = answer.json()
        assert told["message"].strip().endswith((".", "?")), told
        assert "Traceback" not in told["message"]
        return told

    def made(self, path: str, body: Any) -> dict[str, Any]:
        answer = self.ask("POST", path, body)
        assert answer.status_code == 201, answer.text
        kept: dict[str, Any] = answer.json()
        return kept

    def job(self) -> int:
        engine = self.made("/api/engines", {"layout": "twin cam", "engine": TARN_WITH_PIN})
        card = self.made("/api/cards", {"card": WHINFELL})
        entry = {
            "reference": "HL-3",
            "engine_id": engine["id"],
            "card_id": card["id"],
            "builder": "Ida Thorne",
        }
        return int(self.made("/api/jobs", entry)["id"])


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[Shop]:
    yield Shop(create_app(ServiceConfig(tmp_path)))


def card_with(**inlet: Any) -> dict[str, Any]:
    return {"card": WHINFELL | {"inlet": WHINFELL["inlet"] | inlet}}


def test_a_card_that_mixes_inch_and_mm_is_asked_about_and_kept_once_confirmed(shop: Shop) -> None:
    mixed = card_with(lift_mm="0.370 in", drop_mm="1.27 mm")
    told = shop.refused("/api/cards", mixed)
    assert told["code"] == "questioned"
    assert [one["code"] for one in told["questions"]] == ["mixed_units"]
    kept = shop.made("/api/cards", mixed | {"confirmed": ["mixed_units"]})
    assert kept["card"]["inlet"]["lift_mm"] == pytest.approx(9.398)


def test_a_lift_that_looks_like_inch_is_asked_about(shop: Shop) -> None:
    told = shop.refused("/api/cards", card_with(lift_mm=0.37))
    assert "Is it inch?" in told["message"]


@pytest.mark.parametrize("given", [-112, "112 ATDC"])
def test_an_exhaust_given_after_tdc_is_refused(shop: Shop, given: Any) -> None:
    card = WHINFELL | {"exhaust": WHINFELL["exhaust"] | {"full_lift_deg": given}}
    told = shop.refused("/api/cards", {"card": card, "confirmed": ["exhaust_full_lift_deg"]})
    assert told["code"] == "other_side_of_tdc"
    assert "BTDC" in told["message"]


def test_a_centre_of_210_is_refused(shop: Shop) -> None:
    told = shop.refused("/api/cards", card_with(full_lift_deg=210))
    assert told["code"] == "centre_impossible"


def test_a_tolerance_of_nothing_is_refused(shop: Shop) -> None:
    told = shop.refused("/api/cards", {"card": WHINFELL | {"tolerance_deg": 0}})
    assert told["code"] == "tolerance_impossible"


def test_a_job_with_a_tolerance_of_nothing_is_refused_and_none_is_begun(shop: Shop) -> None:
    engine = shop.made("/api/engines", {"layout": "twin cam", "engine": TARN_WITH_PIN})
    card = shop.made("/api/cards", {"card": WHINFELL})
    body = {"reference": "x", "engine_id": engine["id"], "card_id": card["id"], "tolerance_deg": 0}
    assert "tolerance_deg" in shop.refused("/api/jobs", body)["message"]
    assert shop.ask("GET", "/api/jobs").json() == []


def test_what_was_refused_is_not_among_the_cards(shop: Shop) -> None:
    for mistake in (card_with(full_lift_deg=210), card_with(lift_mm="9.4 furlongs"), card_with(lift_mm=0.37)):
        shop.refused("/api/cards", mistake)
    assert shop.ask("GET", "/api/cards").json() == []


def test_a_length_in_no_known_unit_is_refused(shop: Shop) -> None:
    assert shop.refused("/api/cards", card_with(lift_mm="9.4 furlongs"))["code"] == "not_a_length"


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ({"firing_order": ["1", "3", "4"]}, "firing_order"),
        ({"cylinders": ["1", "1", "3", "4"]}, "cylinder_twice"),
        ({"rod_mm": 35}, "impossible_engine"),
        ({"stroke_mm": -80}, "impossible_engine"),
        ({"stroke_mm": 3.15, "rod_mm": 5.31}, "questioned"),
        ({"nonsense": 1}, "not_as_expected"),
    ],
)
def test_an_engine_that_cannot_be_is_refused(shop: Shop, change: dict[str, Any], code: str) -> None:
    told = shop.refused("/api/engines", {"layout": "twin cam", "engine": TARN_WITH_PIN | change})
    assert told["code"] == code


def test_a_job_of_an_engine_that_is_not_there_is_refused(shop: Shop) -> None:
    body = {"reference": "HL-3", "engine_id": 9, "card_id": 9}
    assert shop.refused("/api/jobs", body, 404)["code"] == "no_such_engine"


def test_a_job_with_a_cylinder_that_is_not_there_is_refused(shop: Shop) -> None:
    engine = shop.made("/api/engines", {"layout": "twin cam", "engine": TARN_WITH_PIN})
    card = shop.made("/api/cards", {"card": WHINFELL})
    body = {"reference": "x", "engine_id": engine["id"], "card_id": card["id"], "cylinders_wanted": ["7"]}
    assert shop.refused("/api/jobs", body)["code"] == "no_such_cylinder"


@pytest.mark.parametrize(
    ("what", "code", "step"),
    [
        (
            {"kind": "tdc_measured", "cylinder": "1", "centre_deg": 3, "u95_deg": 0.1},
            "not_yet",
            "bench_check",
        ),
        ({"kind": "stroke_found", "overlap_tdc_deg": 3}, "not_yet", "true_tdc"),
        ({"kind": "decided", "cam": "inlet", "decision": "correct"}, "not_yet", "lobe.inlet"),
        ({"kind": "moved", "cam": "inlet", "way": "cam_turned"}, "not_yet", "verdict.inlet"),
        ({"kind": "tightened", "cam": "inlet", "to": "torqued"}, "not_yet", "nipped.inlet"),
        ({"kind": "skipped", "step": "true_tdc", "reason": "In a hurry"}, "may_not_skip", "true_tdc"),
        ({"kind": "skipped", "step": "bench_check", "reason": ""}, "no_reason", "bench_check"),
        ({"kind": "signed_off"}, "unfinished", "bench_check"),
    ],
)
def test_no_block_of_the_procedure_is_got_past_over_http(
    shop: Shop, what: dict[str, Any], code: str, step: str
) -> None:
    number = shop.job()
    told = shop.refused(f"/api/jobs/{number}/facts", {"what": what}, 409)
    assert (told["code"], told["step"]) == (code, step)
    assert shop.ask("GET", f"/api/jobs/{number}").json()["facts"] == []


def test_the_second_of_two_presses_of_one_moment_is_told_that_it_was_done(shop: Shop) -> None:
    number = shop.job()
    skip = {"what": {"kind": "skipped", "step": "bench_check", "reason": "By hand today"}}
    action = shop.made(f"/api/jobs/{number}/facts", skip)["job"]["guide"]["action"]
    assert shop.ask("POST", action).status_code == 200
    again = shop.ask("POST", action)
    assert again.status_code == 409
    assert again.json()["code"] == "pressed_already"
    noted = shop.ask("GET", f"/api/jobs/{number}").json()["facts"]
    assert [one["what"]["kind"] for one in noted] == ["skipped", "clearance_noted", "clearance_noted"]


def test_a_deleted_job_is_gone_from_the_list_and_says_so(shop: Shop) -> None:
    number = shop.job()
    assert shop.ask("DELETE", f"/api/jobs/{number}").status_code == 204
    assert shop.ask("GET", "/api/jobs").json() == []
    assert shop.ask("GET", f"/api/jobs/{number}").json()["code"] == "no_such_job"


def test_a_lobe_read_backward_by_hand_is_refused(shop: Shop) -> None:
    number = shop.job()
    pair = {"before_deg": 98, "after_deg": 118, "drop_mm": 1.27}
    body = {"what": "lobe", "valve": "inlet", "pairs": [pair], "read_forward": False}
    assert shop.refused(f"/api/jobs/{number}/by_hand", body)["code"] == "read_backward"
