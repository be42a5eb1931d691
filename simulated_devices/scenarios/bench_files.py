"""Writes the bench file that fits a scenario: which instrument is on which port, and how it speaks."""

from __future__ import annotations

import json
from pathlib import Path

from simulated_devices.scenarios.scenario import EncoderTable, GaugeTable, Scenario, WireTable
from simulated_devices.wire import CRANK_FORMATS, GAUGE_FORMATS, port_names

_MM_PER_IN = 25.4


def bench_file(scenario: Scenario, links: Path, first_tcp_port: int | None = None) -> str:
    """The text of the bench file, TOML; ports as `simulated_devices.wire.port_names` names them."""
    ports = port_names(scenario.channels, links, first_tcp_port)
    parts = [f"# Simulated bench of {scenario.shop}: {scenario.engine.name}", "", "[crank]"]
    parts += _crank(scenario.encoder, ports["crank"])
    for gauge in scenario.gauge:
        parts += ["", "[[gauge]]", *_gauge(gauge, ports[gauge.name])]
    return "\n".join(parts) + "\n"


def _crank(table: EncoderTable, port: str) -> list[str]:
    return [
        *_wire(table, port),
        f"counts_per_turn = {table.counts_per_turn}",
        f"direction = {table.direction}",
        f"error_deg = {table.error_deg}",
    ]


def _gauge(table: GaugeTable, port: str) -> list[str]:
    rows = [f"name = {_text(table.name)}", *_wire(table, port)]
    rows += [f"unit = {_text(table.unit)}", f"sign = {table.polarity}"]
    step_mm = table.step * (_MM_PER_IN if table.unit == "in" else 1.0)
    rows += [f"step_mm = {round(step_mm, 9)}", f"error_mm = {table.error_mm}"]
    if table.frame == "tagged":
        rows.append(f"tag = {_text(table.tag)}")
    if table.request:
        rows += [f"request = {_text(table.request)}", f"request_interval_s = {round(1.0 / table.rate_hz, 4)}"]
    return rows


def _wire(table: WireTable, port: str) -> list[str]:
    known = (*CRANK_FORMATS, *GAUGE_FORMATS)
    assert table.frame in known
    frame = "pattern" if table.frame == "template" else table.frame
    rows = [f"port = {_text(port)}", f"baud = {table.baud}", f"frame = {_text(frame)}"]
    return [*rows, f"pattern = {_text(table.pattern)}"] if table.frame == "template" else rows


def _text(value: str) -> str:
    """A TOML basic string; JSON writes the same escapes."""
    return json.dumps(value, ensure_ascii=False)
