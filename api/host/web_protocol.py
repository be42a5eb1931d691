"""The web server's own protocol with two limits more: connections an address, and time to ask.

Without them one caller could hold every connection open and say nothing, and the bench would answer nobody.
"""

from __future__ import annotations

import asyncio
import ipaddress
from typing import Any

from uvicorn.protocols.http.httptools_impl import HttpToolsProtocol

MOST_AN_ADDRESS = 48
ASK_WITHIN_S = 10.0


class ShopProtocol(HttpToolsProtocol):
    """One connection; closed at once when its address has too many, and when it asks nothing."""

    _asking: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Take a connection, unless its address has enough of them."""
        super().connection_made(transport)
        caller = self.client[0] if self.client else ""
        if not _is_here(caller) and self._connections_of(caller) > MOST_AN_ADDRESS:
            transport.close()
            return
        self._asking = self.loop.call_later(ASK_WITHIN_S, self._give_up)

    def on_headers_complete(self) -> None:
        """Note that the question has been asked."""
        self._unset_asking()
        super().on_headers_complete()

    def on_response_complete(self) -> None:
        """Wait for the next question, which may come or not."""
        super().on_response_complete()
        if not self.transport.is_closing():
            self._unset_asking()
            self._asking = self.loop.call_later(ASK_WITHIN_S, self._give_up)

    def connection_lost(self, exc: Exception | None) -> None:
        """Stop waiting."""
        self._unset_asking()
        super().connection_lost(exc)

    def handle_websocket_upgrade(self) -> None:
        """Hand the connection over; from here on the live feed cuts what takes nothing."""
        self._unset_asking()
        super().handle_websocket_upgrade()

    def _connections_of(self, caller: str) -> int:
        protocols: set[Any] = self.connections
        clients = [getattr(one, "client", None) for one in protocols]
        return sum(1 for client in clients if client and client[0] == caller)

    def _unset_asking(self) -> None:
        if self._asking is not None:
            self._asking.cancel()
            self._asking = None

    def _give_up(self) -> None:
        if not self.transport.is_closing():
            self.transport.close()


def _is_here(caller: str) -> bool:
    try:
        return ipaddress.ip_address(caller).is_loopback
    except ValueError:
        return False
