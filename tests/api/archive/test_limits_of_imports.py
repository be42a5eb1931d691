"""What a trace file says of its encoder is taken over; where it says nothing, that is said with the number."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from api.archive import import_told
from api.base import MisuseError
from api.records import Measurement
from api.store import ShopStore
from simulated_devices.traces import random_lobe


@pytest.fixture(scope="module")
def rows() -> str:
    trace = random_lobe(np.random.default_rng(5), "stepped_nose").trace
    return "time_s,channel,value\n" + "".join(f"{t!r},{name},{value!r}\n" for t, name, value in trace.rows())


def taken_in(folder: Path, rows: str, settings: dict[str, Any] | None) -> Measurement:
    told = f"# measurement {json.dumps({'settings': settings})}\n" if settings is not None else ""
    (folder / "lobe.csv").write_text(told + rows)
    shop = ShopStore(folder / "shop")
    try:
        return import_told(folder / "lobe.csv", "inlet_1", None, shop, folder / "shop")
    finally:
        shop.close()


@pytest.mark.parametrize(
    ("settings", "limit_deg", "warned"),
    [
        (None, 0.1, True),
        ({"drop_mm": 1.0}, 0.1, True),
        ({"encoder_error_deg": 0.1, "encoder_supposed": True}, 0.1, True),
        ({"encoder_error_deg": 0.1}, 0.1, False),
        ({"encoder_error_deg": 0.02, "encoder_supposed": False}, 0.02, False),
    ],
)
def test_a_trace_file_s_encoder(
    tmp_path: Path, rows: str, settings: dict[str, Any] | None, limit_deg: float, warned: bool
) -> None:
    measured = taken_in(tmp_path, rows, settings)
    assert measured.result is not None, measured.error
    assert measured.settings["encoder_error_deg"] == limit_deg
    assert ("encoder_not_stated" in {one["code"] for one in measured.result["warnings"]}) is warned


@pytest.mark.parametrize("touches", ["nose_1", "inlet", "piston_", "inlet 1"])
def test_what_no_gauge_can_touch_is_not_taken_for_a_lobe(tmp_path: Path, rows: str, touches: str) -> None:
    (tmp_path / "lobe.csv").write_text(rows)
    shop = ShopStore(tmp_path / "shop")
    try:
        with pytest.raises(MisuseError, match="a gauge cannot touch"):
            import_told(tmp_path / "lobe.csv", touches, None, shop, tmp_path / "shop")
    finally:
        shop.close()
