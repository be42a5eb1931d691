"""What anyone standing at the bench can see, as plain data."""

from __future__ import annotations

from typing import Any

import numpy as np

from simulated_devices.live.bench import LiveBench
from simulated_devices.live.live_line import GaugeLiveLine, LiveLine
from simulated_devices.live.world import WorldState


def state(bench: LiveBench) -> dict[str, Any]:
    """The whole state: crank, hand, script, cams, gauges and cables; not the truth."""
    now = bench.world.advance(bench.clock.now_s())
    return {
        "shop": bench.scenario.shop,
        "engine": bench.scenario.engine.name,
        "targets": list(bench.engine.targets),
        "crank": _crank(bench, now),
        "hand": _hand(bench),
        "script": _script(bench),
        "builder": {"mode": bench.builder.mode, "say": bench.builder.say},
        "cams": _cams(bench),
        "gauges": {name: _gauge(line, bench.clock.now_s()) for name, line in bench.gauges.items()},
        "pushed_valves": sorted(bench.world.pushed_valves),
        "cables": {name: _cable(line) for name, line in bench.lines.items()},
    }


def _crank(bench: LiveBench, now: WorldState) -> dict[str, Any]:
    device = bench.crank.device
    encoder = device.encoder
    seen = np.asarray(now.crank_deg + bench.world.coupling_slip_deg)
    count = int(encoder.counts(seen)) - device.count_shift
    return {
        "deg": now.crank_deg % 720.0,
        "unwrapped_deg": now.crank_deg,
        "encoder_deg": encoder.direction * (count + 0.5) * 360.0 / encoder.counts_per_turn,
        "count": count,
        "speed_deg_s": now.speed_deg_s,
    }


def _hand(bench: LiveBench) -> dict[str, Any]:
    hand = bench.world.hand
    return {
        "doing": hand.doing,
        "busy": hand.busy,
        "paused": hand.paused,
        "speed_deg_s": hand.manner.speed_deg_s,
        "wander": hand.manner.wander,
    }


def _script(bench: LiveBench) -> dict[str, Any]:
    script = bench.script
    return {
        "steps": script.names,
        "done": list(script.done),
        "running": script.running,
        "step": script.step,
        "say": script.say,
    }


def _cams(bench: LiveBench) -> dict[str, Any]:
    return {
        name: {
            "phase_deg": cam.phase_deg % 720.0,
            "bolts_tight": cam.bolts_tight,
            # As a mark on the pulley shows it: how far from where it stood, positive when earlier.
            "moved_deg": bench.engine.cams[name].pulley_deg - cam.late_deg,
            "moving": cam.to_move_deg != 0.0,
            "slack_deg": cam.slack_deg,
        }
        for name, cam in bench.world.cams.items()
    }


def _gauge(line: GaugeLiveLine, now_s: float) -> dict[str, Any]:
    gauge = line.gauge
    return {
        "onto": line.mounting.touches if line.mounting else "",
        "value": line.shown,
        "unit": gauge.unit,
        "plunger_mm": float(gauge.plunger_mm(np.asarray(line.pushed_mm(now_s)))),
        "travel_mm": gauge.travel_mm,
    }


def _cable(line: LiveLine) -> dict[str, Any]:
    return {
        "plugged": line.port.plugged,
        "read": line.port.in_use,
        "accepted": line.port.accepted,
        "dropped": line.port.dropped,
        "last_line": line.last_line,
        "faults": [fault.name for fault in line.faults],
    }
