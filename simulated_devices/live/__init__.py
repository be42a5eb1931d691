"""The simulated bench at work: its world, its lines, its commands and control page."""

from simulated_devices.live.bench import LiveBench
from simulated_devices.live.control import ControlServer, parse_address

__all__ = [
    "ControlServer",
    "LiveBench",
    "parse_address",
]
