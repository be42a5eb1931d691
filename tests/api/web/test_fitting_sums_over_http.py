"""Compression, deck and timing mark over HTTP, against the sums by hand that the analysis is held to."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Any

import httpx
import pytest

from api.base import ServiceConfig
from api.web import create_app


class Asked:
    """The service, run in this process for each question, asked by the bench's own machine."""

    def __init__(self, folder: Path) -> None:
        self._app = create_app(ServiceConfig(folder))

    def post(self, path: str, json: Any) -> httpx.Response:
        async def ask() -> httpx.Response:
            transport = httpx.ASGITransport(self._app, client=("127.0.0.1", 5000))
            async with (
                self._app.router.lifespan_context(self._app),
                httpx.AsyncClient(transport=transport, base_url="http://localhost") as client,
            ):
                return await client.post(path, json=json)

        return asyncio.run(ask())


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Asked:
    return Asked(tmp_path_factory.mktemp("fitting"))


def test_a_published_engine_has_its_ratio(client: Asked) -> None:
    """Pulkrabek, Ex. 2-1 (text from memory): bore and stroke 8.60 cm, 66.6 cm3 left: 8.5."""
    body = {
        "bore_mm": {"value": 86},
        "stroke_mm": {"value": 86},
        "chamber_cm3": {"value": 66.6, "limit": 0.2},
    }
    told = client.post("/api/fitting/compression", json=body).json()
    assert told["ratio"]["value"] == pytest.approx(8.5, abs=0.01)
    assert [one["source"] for one in told["budget"]] == ["chamber"]


def test_deck_heights_by_hand(client: Asked) -> None:
    """By hand: 0.28 and 0.22; 0.06 over 92 mm is 0.0652 mm in 100."""
    crowns = [
        {"cylinder": "1", "first_mm": [0.31], "second_mm": [0.25]},
        {"cylinder": "2", "first_mm": [0.20], "second_mm": [0.24]},
    ]
    told = client.post("/api/fitting/deck", json={"crowns": crowns, "spacing_mm": 92}).json()
    assert [one["deck_mm"]["value"] for one in told["cylinders"]] == pytest.approx([0.28, 0.22])
    assert told["tilt_along"]["value"] == pytest.approx(-6 / 92)


def test_a_mark_two_degrees_late(client: Asked) -> None:
    """By hand: 2 degrees of a rim of 180 mm are pi x 180 / 360 x 2 = 3.14 mm."""
    told = client.post("/api/fitting/mark", json={"mark_deg": 12, "tdc_deg": 10, "rim_mm": 180}).json()
    assert told["late_deg"]["value"] == pytest.approx(2.0)
    assert told["along_rim_mm"]["value"] == pytest.approx(3.1416, abs=1e-3)
    assert "after true TDC" in told["words"]


@pytest.mark.parametrize(
    ("path", "body", "code"),
    [
        (
            "compression",
            {"bore_mm": {"value": 1}, "stroke_mm": {"value": 86}, "chamber_cm3": {"value": 50}},
            "bad_volume",
        ),
        ("deck", {"crowns": [{"cylinder": "1", "first_mm": [0.1], "second_mm": [2.4]}]}, "places_differ"),
        ("deck", {"crowns": [{"cylinder": "1", "first_mm": [0.1], "second_mm": [0.1]}] * 2}, "bad_deck"),
        ("mark", {"mark_deg": 0, "tdc_deg": 0, "rim_mm": 1}, None),
    ],
)
def test_what_cannot_be_is_told_by_code_and_sentence(
    client: Asked, path: str, body: Any, code: str | None
) -> None:
    answer = client.post(f"/api/fitting/{path}", json=body)
    assert answer.status_code == 422
    told = answer.json()
    assert code in (None, told["code"])
    assert told["message"].endswith(".")
