"""Whole traces with their truth, at once and without a bench; random good benches."""

from simulated_devices.traces.offline import Course, Fault, Plunger, Setup, Trace, record
from simulated_devices.traces.random_benches import (
    Bench,
    random_crank,
    random_encoder,
    random_gauge,
    random_lobe,
    random_tdc,
    random_valve,
)
from simulated_devices.traces.round_part import record_round

__all__ = [
    "Bench",
    "Course",
    "Fault",
    "Plunger",
    "Setup",
    "Trace",
    "random_crank",
    "random_encoder",
    "random_gauge",
    "random_lobe",
    "random_tdc",
    "random_valve",
    "record",
    "record_round",
]
