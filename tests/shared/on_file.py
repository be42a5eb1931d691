"""An engine and a card as a shop has them on file, and bench files of instruments that are nowhere."""

from __future__ import annotations

from typing import Any

TARN: dict[str, Any] = {
    "name": "Tarn 1.8 twin-cam",
    "cylinders": ["1", "2", "3", "4"],
    "firing_order": ["1", "3", "4", "2"],
    "stroke_mm": 80,
    "rod_mm": 135,
}
TARN_WITH_PIN = TARN | {"pin_offset_mm": 0.8, "pin_side_known": True}
WHINFELL: dict[str, Any] = {
    "name": "Whinfell 262",
    "way": "full_lift",
    "inlet": {"full_lift_deg": 108, "drop_mm": 1.27, "lift_mm": 9.4, "checking_clearance_mm": 0.25},
    "exhaust": {"full_lift_deg": 112, "drop_mm": 1.27, "lift_mm": 9.1, "checking_clearance_mm": 0.3},
}
CRANK_BENCH = '[crank]\nport = "/dev/ttyNONE0"\nframe = "count"\ncounts_per_turn = 3600\n'
GAUGE_BENCH = f'{CRANK_BENCH}\n[[gauge]]\nname = "dial"\nport = "/dev/ttyNONE1"\nframe = "decimal"\n'


def bench_of_archive(url: str, name: str) -> str:
    """The bench file of one of an archive's benches."""
    return f'{CRANK_BENCH}[archive]\nurl = "{url}"\nname = "{name}"\n'
