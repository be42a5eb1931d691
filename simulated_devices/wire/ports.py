"""Which kind of line a system can give an instrument, and what its port is called."""

from __future__ import annotations

import sys
from importlib.util import find_spec
from pathlib import Path

from simulated_devices.machine import MachineClock
from simulated_devices.wire.line import JournalledLine
from simulated_devices.wire.socket_line import LOOPBACK, SocketLine

HAS_PTYS = sys.platform != "win32" and find_spec("termios") is not None


def port_names(channels: list[str], links: Path, first_tcp_port: int | None) -> dict[str, str]:
    """Port of each channel: a link in a folder, or, from a first TCP port on, one after the other."""
    if first_tcp_port is None:
        return {name: str(links / name) for name in channels}
    return {name: f"socket://{LOOPBACK}:{first_tcp_port + place}" for place, name in enumerate(channels)}


def simulated_line(port: str, journal: Path | None, clock: MachineClock) -> JournalledLine:
    """Make the line behind a port's name."""
    if port.startswith("socket://"):
        return SocketLine(int(port.rpartition(":")[2]), journal, clock)
    if sys.platform != "win32":
        from simulated_devices.wire.pty_line import PtyLine

        return PtyLine(Path(port), journal, clock)
    raise RuntimeError("there are no pseudo-terminals here; give the first TCP port")
