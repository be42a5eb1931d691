"""What a trace file is called, and what it says of itself in its comments."""

from __future__ import annotations

import json

from api.store.measurement_store import Measurement


def trace_name(measurement: Measurement) -> str:
    """Name the trace file of a measurement."""
    return f"trace-{measurement.id:05d}-{measurement.touches}.csv"


def trace_comments(measurement: Measurement) -> list[str]:
    """Say in comments what the trace is; the last line is what an import reads back."""
    known = {
        name: getattr(measurement, name)
        for name in ("what", "touches", "gauge", "started_at", "ended_at", "settings", "facts")
    }
    return [
        f"Lobewright trace {measurement.id}: {measurement.touches}, begun {measurement.started_at}",
        "measurement " + json.dumps(known, allow_nan=False),
    ]
