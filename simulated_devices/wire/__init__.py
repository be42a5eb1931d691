"""Lines as instruments say them, on pseudo-terminals or TCP ports, whole or spoilt."""

from simulated_devices.wire.line import JournalledLine
from simulated_devices.wire.line_faults import LINE_FAULTS, LineFault, Outgoing
from simulated_devices.wire.line_formats import CRANK_FORMATS, GAUGE_FORMATS, CrankLine, GaugeLine, places
from simulated_devices.wire.ports import HAS_PTYS, port_names, simulated_line

__all__ = [
    "CRANK_FORMATS",
    "GAUGE_FORMATS",
    "HAS_PTYS",
    "LINE_FAULTS",
    "CrankLine",
    "GaugeLine",
    "JournalledLine",
    "LineFault",
    "Outgoing",
    "places",
    "port_names",
    "simulated_line",
]
