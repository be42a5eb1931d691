"""A serial port from opening to readings: reader thread, what may be believed, stamps, health."""

from capture.port.devices import KnownDevices, holders
from capture.port.health import HealthBoard, as_text
from capture.port.listing import LISTEN_S, ListedPort, listed_ports, sniff, suggested_bench
from capture.port.reader import PortReader
from capture.port.serial_port import Port

__all__ = [
    "LISTEN_S",
    "HealthBoard",
    "KnownDevices",
    "ListedPort",
    "Port",
    "PortReader",
    "as_text",
    "holders",
    "listed_ports",
    "sniff",
    "suggested_bench",
]
