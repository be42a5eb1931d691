"""The web server's own protocol with limits more: connections, time to ask, length of what is asked.

Without them one caller could hold every connection open and say nothing, and the bench would answer nobody. Where
there is no room, the oldest connection that has not shown itself to be the bench's or a paired screen's makes it:
so whoever comes finds room for long enough to show what it is.
"""

from __future__ import annotations

import asyncio
import ipaddress
from typing import Any

from uvicorn.protocols.http.httptools_impl import HttpToolsProtocol

from api.base import STANDING, Standing

MOST_AN_ADDRESS = 48
MOST_OF_STRANGERS = 160
MOST_HERE = 192
ASK_WITHIN_S = 10.0
LONGEST_HEAD_BYTES = 64 << 10


class ShopProtocol(HttpToolsProtocol):
    """One connection; closed where there is no room for it, and when it asks nothing."""

    _asking: asyncio.TimerHandle | None = None
    _since_s = 0.0
    _head_bytes = 0

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Take a connection, and make room for it."""
        super().connection_made(transport)
        self._since_s = self.loop.time()
        self._make_room()
        self._wait_for_asking()

    def data_received(self, data: bytes) -> None:
        """Take what came; a head that has no end is given up."""
        super().data_received(data)
        if self._asking is not None:
            self._head_bytes += len(data)
            if self._head_bytes > LONGEST_HEAD_BYTES:
                self._give_up()

    def on_headers_complete(self) -> None:
        """Note that the question has been asked."""
        self._unset_asking()
        super().on_headers_complete()

    def on_response_complete(self) -> None:
        """Wait for the next question, which may come or not."""
        super().on_response_complete()
        if not self.transport.is_closing():
            self._unset_asking()
            self._wait_for_asking()

    def connection_lost(self, exc: Exception | None) -> None:
        """Stop waiting."""
        self._unset_asking()
        super().connection_lost(exc)

    def handle_websocket_upgrade(self) -> None:
        """Hand the connection over; from here on the live feed cuts what takes nothing."""
        self._unset_asking()
        super().handle_websocket_upgrade()

    def _make_room(self) -> None:
        """Close the oldest stranger of this address, or of the network, where there are too many."""
        mine = _caller_of(self)
        there = [one for one in self.connections if not one.transport.is_closing()]
        own = [one for one in there if _caller_of(one) == mine]
        if len(own) > (MOST_HERE if _is_here(mine) else MOST_AN_ADDRESS):
            self._close_one_of(own)
        strangers = [one for one in there if _is_strange(one) and not _is_here(_caller_of(one))]
        if len(strangers) > MOST_OF_STRANGERS:
            self._close_one_of(strangers)

    def _close_one_of(self, connections: list[Any]) -> None:
        """Close one that says nothing before one that is being answered; none but this where all are known."""
        old = [one for one in connections if one is not self and _is_strange(one)]
        victim = min(old, key=lambda one: (one._asking is None, one._since_s), default=self)
        victim._give_up()

    def _wait_for_asking(self) -> None:
        self._head_bytes = 0
        self._asking = self.loop.call_later(ASK_WITHIN_S, self._give_up)

    def _unset_asking(self) -> None:
        if self._asking is not None:
            self._asking.cancel()
            self._asking = None

    def _give_up(self) -> None:
        if not self.transport.is_closing():
            self.transport.close()


def _caller_of(connection: object) -> str:
    client = getattr(connection, "client", None)
    return str(client[0]) if client else ""


def _is_strange(connection: object) -> bool:
    """Tell a connection that asked for nothing yet, or did so as a stranger; live feeds have limits of their own."""
    if not isinstance(connection, ShopProtocol):
        return False
    scope = connection.cycle.scope if connection.cycle is not None else {}
    return scope.get(STANDING) not in {Standing.BENCH, Standing.PAIRED}


def _is_here(caller: str) -> bool:
    try:
        return ipaddress.ip_address(caller).is_loopback
    except ValueError:
        return False
