"""Messages of a bench that has measured a lobe for five minutes and goes on, for the pages' benchmark."""

from __future__ import annotations

import json
import math
import time
from collections.abc import Iterator

LONG_TRACE_S, GAUGE_HZ, MESSAGES_HZ, TURN_DEG_S = 300, 20, 60, 30


def lift_mm(deg: float) -> float:
    """Lift of a plain lobe."""
    return 9.0 * math.exp(-((((deg - 110.0 + 360.0) % 720.0 - 360.0) / 55.0) ** 2))


def feed_of_a_lobe() -> Iterator[list[str]]:
    """Messages of a bench: everything so far first, then a reading at a time; a new centre five times a second."""
    degrees = [at * TURN_DEG_S / GAUGE_HZ for at in range(LONG_TRACE_S * GAUGE_HZ)]
    measurement = {
        "id": 1,
        "job_id": None,
        "what": "lobe",
        "touches": "inlet_1",
        "gauge": "dial_a",
        "state": "running",
    }
    measurement |= {"started_at": "2025-11-25T10:00:00Z", "result": None, "sentence": ""}
    channel = {
        "state": "online",
        "age_s": 0,
        "rate_hz": 20,
        "accepted": 1,
        "rejected": 0,
        "sentence": "",
        "last_lines": [],
    }
    channels = [
        {"name": "crank", "quantity": "crank", **channel},
        {"name": "dial_a", "quantity": "gauge", **channel},
    ]
    guide = {
        "kind": "guide",
        "job_id": None,
        "sentence": "Turn.",
        "number": None,
        "action": "",
        "cautions": [],
    }
    hello = {"kind": "hello", "version": "", "run_id": 1, "channels": channels, "recorder": None}
    yield [
        json.dumps(hello | {"latest": _latest(0.0), "measurement": measurement, "guide": guide}),
        json.dumps(_points(0, degrees)),
    ]
    health = {"kind": "health", "channels": channels, "recorder": None, "capture_alive": True, "sentence": ""}
    for tick in range(10**9):
        deg = degrees[-1] + TURN_DEG_S / MESSAGES_HZ
        degrees.append(deg)
        messages = [_points(len(degrees) - 1, [deg])]
        if tick % 12 == 0:
            messages.append(_centre(tick))
        if tick % 30 == 0:
            messages.append(health)
        yield [json.dumps(message) for message in messages]


def _latest(deg: float) -> dict:
    wall = time.time() * 1e3
    return {
        name: {"value": value, "wire_ns": 0, "wall_ms": wall}
        for name, value in (("crank", deg), ("dial_a", lift_mm(deg)))
    }


def _points(first: int, degrees: list[float]) -> dict:
    points = {
        "measurement_id": 1,
        "first": first,
        "crank_deg": degrees,
        "gauge_mm": [lift_mm(deg) for deg in degrees],
    }
    return {
        "kind": "readings",
        "latest": _latest(degrees[-1]),
        "points": points | {"way": [1] * len(degrees)},
    }


def _centre(tick: int) -> dict:
    degrees = [3.0 * at for at in range(240)]
    result = {
        "centre_deg": 110.0 + 0.01 * math.sin(tick),
        "u95_deg": 0.1,
        "drop_mm": 1.27,
        "passes": [],
        "warnings": [],
    }
    return {
        "kind": "centre",
        "measurement_id": 1,
        "result": result,
        "curve_deg": degrees,
        "curve_mm": [lift_mm(deg) for deg in degrees],
    }
