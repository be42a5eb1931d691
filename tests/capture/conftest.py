"""Golden recordings: raw bytes beside the readings expected of them, rebuilt with one command.

python tests/capture/golden_recordings.py --rebuild
"""

from __future__ import annotations

from typing import Any

import pytest

from capture.base import Event, Gap, Readings


class Heard:
    """A listener that keeps everything."""

    def __init__(self) -> None:
        self.all: list[Readings] = []
        self.gaps: list[Gap] = []
        self.events: list[Event] = []

    def readings(self, readings: Readings) -> None:
        self.all.append(readings)

    def gap(self, gap: Gap) -> None:
        self.gaps.append(gap)

    def event(self, event: Event) -> None:
        self.events.append(event)

    @property
    def raw(self) -> list[int]:
        return [raw for readings in self.all for raw in readings.raw]

    @property
    def stamps(self) -> list[int]:
        return [t_ns for readings in self.all for t_ns in readings.t_ns]


@pytest.fixture(name="heard")
def _heard() -> Any:
    return Heard()
