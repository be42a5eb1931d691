"""The instruments page tells port and way of speaking as the bench file does, and keeps what capture tells."""

from __future__ import annotations

from pathlib import Path

from analysis.base import USUAL_ENCODER_ERROR_DEG, USUAL_GAUGE_ERROR_MM, USUAL_RETRACE_MM
from api.service import described

BENCH = """
[crank]
port = "/dev/serial/by-id/usb-counter"
frame = "count"
counts_per_turn = 3600
direction = -1

[[gauge]]
name = "dial_a"
port = "COM5"
frame = "decimal"
request = "?\\r"
step_mm = 0.01
"""
SPECS = [
    {"name": "crank", "quantity": "crank", "unit": "deg", "sign": 1, "counts_per_turn": 2000},
    {"name": "dial_a", "quantity": "gauge", "unit": "mm", "sign": -1, "counts_per_turn": 0},
]


def test_port_and_speech_are_told_beside_what_capture_runs(tmp_path: Path) -> None:
    (tmp_path / "bench.toml").write_text(BENCH)
    crank, gauge = described(SPECS, tmp_path / "bench.toml")
    assert (crank["port"], crank["direction"], crank["baud"]) == ("/dev/serial/by-id/usb-counter", -1, 115200)
    assert crank["counts_per_turn"] == 2000, "capture is still running what it was started with"
    assert (gauge["port"], gauge["request"], gauge["step_mm"], gauge["sign"]) == ("COM5", "?\r", 0.01, -1)
    assert "tag" not in gauge
    assert "error_mm" not in gauge


def test_limits_that_nobody_stated_are_told_as_supposed(tmp_path: Path) -> None:
    (tmp_path / "bench.toml").write_text(BENCH)
    crank, gauge = described(SPECS, tmp_path / "bench.toml")
    assert crank["supposed"] == {"error_deg": USUAL_ENCODER_ERROR_DEG}
    assert gauge["supposed"] == {"error_mm": USUAL_GAUGE_ERROR_MM, "retrace_mm": USUAL_RETRACE_MM}
    stated = BENCH.replace("direction = -1", "direction = -1\nerror_deg = 0.05")
    (tmp_path / "bench.toml").write_text(stated + "error_mm = 0.02\nretrace_mm = 0.003\n")
    crank, gauge = described(SPECS, tmp_path / "bench.toml")
    assert crank["error_deg"] == 0.05
    assert "supposed" not in crank
    assert "supposed" not in gauge


def test_a_bench_file_that_was_spoilt_meanwhile_hides_nothing_that_capture_tells(tmp_path: Path) -> None:
    (tmp_path / "bench.toml").write_text("[crank")
    assert described(SPECS, tmp_path / "bench.toml") == SPECS
    assert described(SPECS, tmp_path / "none.toml") == SPECS
    assert described(SPECS, None) == SPECS
