"""One client of the live feed, as the feed sees it: a bounded outbox and a bounded inbox."""

from __future__ import annotations

import contextlib
import socket
import time

PATIENCE_S = 5.0
SECRET_WITHIN_S = 2.0
OUTBOX_BYTES = 4 * 1024 * 1024
COMMAND_BYTES = 16 * 1024


class ClientSlot:
    """Never blocks. A client that takes nothing for `PATIENCE_S`, or falls too far behind, is to be cut."""

    def __init__(self, connection: socket.socket) -> None:
        connection.setblocking(False)
        self.connection = connection
        self.gone = False
        self.known = False
        """Whether it may be told anything."""
        self._came_s = time.monotonic()
        self._out = bytearray()
        self._in = b""
        self._stuck_since_s: float | None = None

    def overdue(self, now_s: float) -> bool:
        """Whether it ought to have said the secret by now."""
        return not self.known and now_s - self._came_s > SECRET_WITHIN_S

    def add(self, line: bytes) -> None:
        """Put lines into the outbox."""
        self._out += line

    def send(self, now_s: float) -> bool:
        """Send what the client takes; false when it is to be cut."""
        if not self._out:
            self._stuck_since_s = None
            return True
        try:
            sent = self.connection.send(self._out)
        except BlockingIOError:
            sent = 0
        except OSError:
            self.gone = True
            return False
        if sent:
            del self._out[:sent]
            self._stuck_since_s = None
        elif self._stuck_since_s is None:
            self._stuck_since_s = now_s
        stuck = self._stuck_since_s is not None and now_s - self._stuck_since_s > PATIENCE_S
        return not stuck and len(self._out) <= OUTBOX_BYTES

    def receive(self) -> list[bytes] | None:
        """Complete command lines, or `None` when the client has gone or sends nonsense without end."""
        try:
            data = self.connection.recv(65536)
        except BlockingIOError:
            return []
        except OSError:
            return None
        if not data:
            return None
        *lines, self._in = (self._in + data).split(b"\n")
        return None if len(self._in) > COMMAND_BYTES else [line for line in lines if line.strip()]

    def close(self) -> None:
        """Send what can still be sent and close."""
        with contextlib.suppress(OSError):
            self.connection.setblocking(False)
            if self._out:
                self.connection.send(self._out)
        self.connection.close()
