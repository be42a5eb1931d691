"""What a running shop has acknowledged, and that all of it is there and nothing else."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from shop_world import World

from api.live import estimate
from api.records import Measurement, MeasurementReader, StoredStreams
from api.store import ShopReader

Fields = dict[str, Any]
SHOWN = ("state", "result", "sentence")


@dataclass
class Kept:
    """What was acknowledged."""

    jobs: set[int] = field(default_factory=set)
    notes: dict[int, list[str]] = field(default_factory=dict)
    measurements: dict[int, Fields] = field(default_factory=dict)
    engines: set[int] = field(default_factory=set)
    cards: set[int] = field(default_factory=set)
    running: int = 0
    rocked: bool = False

    def assert_all_is_there(self, world: World) -> None:
        """Nothing else is there either, and every job opens."""
        rows = world.rows
        assert {row[0] for row in rows("SELECT id FROM jobs")} == self.jobs
        assert {row[0] for row in rows("SELECT id FROM engines")} == self.engines
        assert {row[0] for row in rows("SELECT id FROM cards")} == self.cards
        for job, notes in self.notes.items():
            view = world.get(f"/api/jobs/{job}").json()
            assert [one["what"]["text"] for one in view["facts"] if one["what"]["kind"] == "noted"] == notes
            for paper in ("sheet.json", "sheet.pdf", "job.zip"):
                assert world.get(f"/api/jobs/{job}/{paper}").content
        known = set(self.measurements) | ({self.running} if self.running else set())
        assert {row[0] for row in rows("SELECT id FROM measurements")} == known
        for number, told in self.measurements.items():
            view = world.get(f"/api/measurements/{number}").json()
            assert {name: view[name] for name in SHOWN} == told

    def assert_numbers_come_out_again(self, data: Path) -> int:
        """Compute from its stored readings every number that was measured here; tells how many there were."""
        reader, stored, many = MeasurementReader(ShopReader(data)), StoredStreams(data), 0
        for number, told in self.measurements.items():
            one = reader.get(number)
            if told["state"] == "finished" and one.imported_file is None:
                assert _computed_deg(one, stored) == one.result["centre_deg"]  # type: ignore[index]
                many += 1
        return many


def _computed_deg(one: Measurement, stored: StoredStreams) -> float:
    outcome = estimate(stored.of(one).streams(), one.analysis_settings(), one.gauge_facts())
    return math.nan if outcome.result is None else float(outcome.result["centre_deg"])
