"""Lines as instruments say them, on pseudo-terminals, whole or spoilt."""

from simulated_devices.wire.line_faults import LINE_FAULTS, LineFault, Outgoing
from simulated_devices.wire.line_formats import CRANK_FORMATS, GAUGE_FORMATS, CrankLine, GaugeLine, places
from simulated_devices.wire.pty_line import PtyLine

__all__ = [
    "CRANK_FORMATS",
    "GAUGE_FORMATS",
    "LINE_FAULTS",
    "CrankLine",
    "GaugeLine",
    "LineFault",
    "Outgoing",
    "PtyLine",
    "places",
]
