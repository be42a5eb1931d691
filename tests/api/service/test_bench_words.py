"""The instruments page tells port and way of speaking as the bench file does, and keeps what capture tells."""

from __future__ import annotations

from pathlib import Path

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


def test_a_bench_file_that_was_spoilt_meanwhile_hides_nothing_that_capture_tells(tmp_path: Path) -> None:
    (tmp_path / "bench.toml").write_text("[crank")
    assert described(SPECS, tmp_path / "bench.toml") == SPECS
    assert described(SPECS, tmp_path / "none.toml") == SPECS
    assert described(SPECS, None) == SPECS
