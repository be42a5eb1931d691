"""What pages draw of a trace is made once: by the import, by a finish, or when it is first asked for."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import pytest

from api.archive import import_told
from api.base import ServiceConfig
from api.measure import DRAWINGS_FOLDER, kept_drawings
from api.records import Measurement
from api.store import IMPORTED_FOLDER, ShopStore
from api.web import create_app
from simulated_devices.traces import random_tdc

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def trace_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("trace") / "piston.csv"
    trace = random_tdc(np.random.default_rng(5), "rocking").trace
    rows = "".join(f"{t!r},{channel},{value!r}\n" for t, channel, value in trace.rows())
    path.write_text("time_s,channel,value\n" + rows)
    return path


def take_in(trace_file: Path, folder: Path, touches: str = "piston_1") -> Measurement:
    shop = ShopStore(folder)
    try:
        return import_told(trace_file, touches, None, shop, folder)
    finally:
        shop.close()


def asked(folder: Path, number: int, query: str = "", **headers: str) -> httpx.Response:
    """Ask a service that was started on the folder for this question alone."""

    async def ask() -> httpx.Response:
        app = create_app(ServiceConfig(folder))
        transport = httpx.ASGITransport(app, client=("127.0.0.1", 5000), raise_app_exceptions=False)
        async with (
            app.router.lifespan_context(app),
            httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1") as web,
        ):
            return await web.get(f"/api/measurements/{number}/trace{query}", headers=headers)

    return asyncio.run(ask())


def drawn(folder: Path, number: int, **headers: str) -> dict[str, Any]:
    answer = asked(folder, number, **headers)
    assert answer.status_code == 200, answer.text
    view: dict[str, Any] = answer.json()
    return view


def drawings(folder: Path) -> list[Path]:
    return sorted((folder / DRAWINGS_FOLDER).iterdir())


def without_readings(folder: Path) -> None:
    for path in (folder / IMPORTED_FOLDER).iterdir():
        path.unlink()


def test_an_imported_trace_is_drawn_after_a_restart_without_its_readings_being_read_again(
    trace_file: Path, tmp_path: Path
) -> None:
    number = take_in(trace_file, tmp_path).id
    (drawing,) = drawings(tmp_path)
    drawing.unlink()
    anew = drawn(tmp_path, number)  # composed from the readings, and kept again
    assert len(anew["curve"]["lift_mm"]) > 100
    without_readings(tmp_path)
    assert drawn(tmp_path, number) == anew
    assert asked(tmp_path, number, "?max_points=500").status_code >= 400, "only the page's own is kept"


def test_a_screen_that_cannot_unpack_is_given_the_same_drawing(trace_file: Path, tmp_path: Path) -> None:
    number = take_in(trace_file, tmp_path).id
    plain = {"Accept-Encoding": "identity"}
    assert "content-encoding" not in asked(tmp_path, number, **plain).headers
    assert drawn(tmp_path, number, **plain) == drawn(tmp_path, number)


@pytest.mark.parametrize("spoil", [lambda packed: packed[:-200], lambda _: b"", lambda _: b"no drawing"])
def test_a_damaged_drawing_is_drawn_anew(trace_file: Path, tmp_path: Path, spoil: Any) -> None:
    number = take_in(trace_file, tmp_path).id
    (drawing,) = drawings(tmp_path)
    whole, before = drawing.read_bytes(), drawn(tmp_path, number)
    drawing.write_bytes(spoil(whole))
    assert drawn(tmp_path, number) == before
    assert drawing.read_bytes() == whole


def test_what_was_measured_otherwise_is_not_shown_by_the_old_drawing(
    trace_file: Path, tmp_path: Path
) -> None:
    number = take_in(trace_file, tmp_path).id
    before = drawn(tmp_path, number)
    shop = ShopStore(tmp_path)
    change = "UPDATE measurements SET result = json_set(result, '$.lag_s', 0.5) WHERE id = ?"
    shop.write(lambda db: db.execute(change, (number,)))
    shop.close()
    after = drawn(tmp_path, number)
    assert after["lag_s"] == 0.5
    assert after["true_deg"] != before["true_deg"]


def test_so_many_drawings_are_kept_and_the_oldest_go(
    trace_file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(kept_drawings, "KEPT", 2)
    first = take_in(trace_file, tmp_path, "piston_1").id
    numbers = [take_in(trace_file, tmp_path, f"piston_{cylinder}").id for cylinder in (2, 3)]
    assert len(drawings(tmp_path)) == 2
    without_readings(tmp_path)
    assert [asked(tmp_path, number).status_code for number in numbers] == [200, 200]
    assert asked(tmp_path, first).status_code >= 400


def test_where_no_drawing_can_be_kept_traces_come_in_and_are_shown(
    trace_file: Path, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    (tmp_path / DRAWINGS_FOLDER).write_text("a file where the folder should be")
    number = take_in(trace_file, tmp_path).id
    assert "was not kept" in caplog.text
    assert drawn(tmp_path, number)["readings"] > 0
