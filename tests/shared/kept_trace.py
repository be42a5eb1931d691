"""Trace files that are kept beside their tests, as the program reads them."""

from __future__ import annotations

from pathlib import Path

from analysis.base import Streams
from api.records import CRANK, read_trace


def kept_streams(path: Path, gauge: str = "dial_a") -> Streams:
    """Give crank and gauge of a trace file."""
    trace = read_trace(path)
    crank, readings = trace.channels[CRANK], trace.gauge_mm(gauge)
    return Streams(crank.time_s, crank.value, readings.time_s, readings.value)
