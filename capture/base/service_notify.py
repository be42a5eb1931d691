"""Telling the service manager that we are ready and alive, by its own datagram protocol."""

from __future__ import annotations

import contextlib
import os
import socket
import sys

from capture.base.system import HAS_LOCAL_SOCKETS


def notify(state: str) -> None:
    """Send a state such as ``READY=1`` or ``WATCHDOG=1``; does nothing outside a service manager."""
    address = os.environ.get("NOTIFY_SOCKET", "")
    if sys.platform == "win32" or not address or not HAS_LOCAL_SOCKETS:
        return
    if address.startswith("@"):
        address = "\0" + address[1:]
    with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as out:
        out.connect(address)
        out.sendall(state.encode())
