"""What earlier versions wrote is read and shown alike: files kept as release 0.1 left them in `before`."""

from __future__ import annotations

import json
import tarfile
import zipfile
from pathlib import Path
from typing import Any

import pytest

from analysis.base import TdcSettings
from api.records import MeasurementReader
from api.store import ShopReader
from capture.bench import load_bench

pytestmark = pytest.mark.slow

KEPT = Path(__file__).with_name("before")
SHOWN = ("what", "cylinder", "valve", "stage", "method", "drop_mm", "value_deg", "side", "u95_deg", "call")


@pytest.fixture(scope="module")
def old_shop(recorded: Any, tmp_path_factory: pytest.TempPathFactory) -> Any:
    """A service on the data folder as it was left."""
    data = tmp_path_factory.mktemp("before")
    with tarfile.open(KEPT / "shop-0.1.tar.xz") as archive:
        archive.extractall(data, filter="data")
    shop = recorded(data=data)
    shop.job_id = 1
    return shop


@pytest.fixture(scope="module")
def sheet() -> dict[str, Any]:
    """The sheet as release 0.1 showed it."""
    told: dict[str, Any] = json.loads((KEPT / "sheet.json").read_text(encoding="utf-8"))
    return told


def shown(sheet: dict[str, Any]) -> list[dict[str, Any]]:
    """What a person reads of each measurement."""
    return [{name: one[name] for name in SHOWN} for one in sheet["measurements"]]


def test_a_shop_shows_its_signed_job_as_before(old_shop: Any, sheet: dict[str, Any]) -> None:
    view = old_shop.job()
    assert view["signed_by"] == sheet["signed_by"] == "Ida Thorne"
    now = old_shop.get("/api/jobs/1/sheet.json")
    assert shown(now) == shown(sheet)
    assert [one["what"]["kind"] for one in now["facts"]] == [one["what"]["kind"] for one in sheet["facts"]]


def test_a_pin_whose_side_was_never_asked_is_asked_about_and_not_turned_round(old_shop: Any) -> None:
    engine = old_shop.get("/api/engines")[0]["engine"]
    assert engine["pin_offset_mm"] == 0.8
    assert engine["pin_side_known"] is False
    kept = old_shop.get("/api/engines")[0]["id"]
    card = old_shop.get("/api/cards")[0]["id"]
    refused = old_shop.refused("/api/jobs", {"reference": "HL-9", "engine_id": kept, "card_id": card}, 422)
    assert [one["code"] for one in refused["questions"]] == ["pin_side_not_known"]
    settings = TdcSettings(80.0, 135.0, 0.8, pin_side_known=False)
    tdcs = [
        one
        for one in old_shop.get("/api/measurements?job_id=1&limit=100")["measurements"]
        if one["what"] == "tdc"
    ]
    reader = MeasurementReader(ShopReader(old_shop.data))
    assert {reader.get(one["id"]).analysis_settings() for one in tdcs} == {settings}


def test_its_traces_are_read_and_drawn(old_shop: Any) -> None:
    listed = old_shop.get("/api/measurements?job_id=1&limit=100")["measurements"]
    assert len(listed) == 10
    for one in listed:
        assert old_shop.client.get(f"/api/measurements/{one['id']}/trace").status_code == 200


def test_a_job_file_is_taken_in(recorded: Any, sheet: dict[str, Any]) -> None:
    shop = recorded()
    answer = shop.client.post(
        "/api/jobs/from_file", files={"file": ("job.zip", (KEPT / "job.zip").read_bytes())}
    )
    assert answer.status_code == 201, answer.text
    assert shown(shop.get(f"/api/jobs/{answer.json()['id']}/sheet.json")) == shown(sheet)


def test_a_trace_file_measures_the_same(tmp_path: Path, sheet: dict[str, Any]) -> None:
    """Limits of gauge and encoder that the first release did not ask about may widen an interval; the centre stays."""
    from click.testing import CliRunner

    from api.command import lobewright

    with zipfile.ZipFile(KEPT / "job.zip") as file:
        told = json.loads(file.read("job.json"))["measurements"][2]
        path = tmp_path / "lobe.csv"
        path.write_bytes(file.read(told["trace"]))
    done = CliRunner().invoke(lobewright, ["measure", "lobe", str(path), "--json", "--lag", str(0.059)])
    assert done.exit_code == 0, done.output
    assert json.loads(done.output)["kind"] == "lobe"


def test_a_bench_file_is_read() -> None:
    bench = load_bench(KEPT / "bench.toml")
    assert bench.crank.counts_per_turn == 3600
    assert bench.gauge[0].request_interval_s == 0.1
