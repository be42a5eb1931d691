"""Who may ask: every request, HTTP or WebSocket, passes here first.

A page of another site, open in a browser on the shop's network, could otherwise read the bench or press its
buttons. Two checks stop that: the Host must be an address or a name of this machine, and an Origin, which
browsers send with everything that can change something, must be the very page's own.

The third question, whether this screen may change anything, is asked in `Access.permits`.
"""

from __future__ import annotations

import ipaddress
import socket
from collections.abc import Iterable
from dataclasses import dataclass, field
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import JSONResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

READING_METHODS = frozenset({"GET", "HEAD", "OPTIONS"})
HEADERS = {
    "Content-Security-Policy": "default-src 'self'; style-src 'self' 'unsafe-inline'; "
    "img-src 'self' data: blob:; object-src 'none'; base-uri 'none'; form-action 'self'; "
    "frame-ancestors 'none'",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
}


@dataclass(frozen=True, slots=True)
class Denial:
    """Why a request is turned away."""

    status: int
    code: str
    message: str


def own_names(extra: Iterable[str] = ()) -> frozenset[str]:
    """Give the names this machine answers to: localhost, its host name, the same under .local, and others."""
    host = socket.gethostname().lower().rstrip(".")
    return frozenset({"localhost", host, f"{host.split('.')[0]}.local", *(name.lower() for name in extra)})


@dataclass(frozen=True, slots=True)
class Access:
    """The rules; pure, apart from asking this machine's name when made."""

    names: frozenset[str] = field(default_factory=own_names)

    def denial(self, scope: Scope) -> Denial | None:
        """Give the reason to turn a request away, or `None`."""
        headers = Headers(scope=scope)
        host = headers.get("host", "")
        doubled = any(len(headers.getlist(name)) > 1 for name in ("host", "origin"))
        if doubled or not self._is_own_host(host, scope):
            return Denial(
                400, "wrong_host", "This address is not one of this machine's; open the shop's own address."
            )
        origin = headers.get("origin")
        if origin is not None and not _is_same(origin, host):
            return Denial(403, "wrong_origin", "A page of another site may not use this bench.")
        changes = scope["type"] == "http" and scope["method"] not in READING_METHODS
        if changes and headers.get("sec-fetch-site", "none") not in {"same-origin", "none"}:
            return Denial(403, "wrong_origin", "A page of another site may not use this bench.")
        return self.permits(scope)

    def permits(self, scope: Scope) -> Denial | None:
        """Say whether this caller may do this; pairing of screens belongs here."""
        return None

    def _is_own_host(self, host: str, scope: Scope) -> bool:
        """Accept own names, and the very address that this connection came in on.

        A name that another site made point here is not among the names; a literal address can only be
        typed or linked, and must be the one that was called.
        """
        name = _host_name(host)
        if name is None:
            return False
        try:
            address = ipaddress.ip_address(name)
        except ValueError:
            return name in self.names
        called = (scope.get("server") or ("", 0))[0]
        try:
            return address == _plain(ipaddress.ip_address(called.partition("%")[0]))
        except ValueError:
            return address.is_loopback


def _plain(
    address: ipaddress.IPv4Address | ipaddress.IPv6Address,
) -> ipaddress.IPv4Address | ipaddress.IPv6Address:
    """Give an IPv4 address that came in through IPv6 as what it is."""
    mapped = getattr(address, "ipv4_mapped", None)
    return mapped or address


def _host_name(host: str) -> str | None:
    """Take the port off a Host header; `None` where it is not a host at all."""
    if not host or any(character in host for character in "/@ \\?#,"):
        return None
    try:
        return (urlsplit(f"//{host}").hostname or "").rstrip(".").lower() or None
    except ValueError:
        return None


def _is_same(origin: str, host: str) -> bool:
    try:
        parts = urlsplit(origin)
    except ValueError:
        return False
    return parts.scheme in {"http", "https"} and parts.netloc.lower() == host.lower()


class AccessMiddleware:
    """Turns away what `Access` denies, and sets the headers that every answer carries."""

    def __init__(self, app: ASGIApp, access: Access) -> None:
        self._app = app
        self._access = access

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Check one request and pass it on."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        denial = self._access.denial(scope)
        if denial is None:
            await self._app(scope, receive, _with_headers(send) if scope["type"] == "http" else send)
        else:
            await _turn_away(denial, scope, receive, send)


def _with_headers(send: Send) -> Send:
    async def sending(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in HEADERS.items():
                headers.setdefault(name, value)
        await send(message)

    return sending


async def _turn_away(denial: Denial, scope: Scope, receive: Receive, send: Send) -> None:
    answer = JSONResponse({"code": denial.code, "message": denial.message}, denial.status)
    if scope["type"] == "http":
        await answer(scope, receive, _with_headers(send))
    elif "websocket.http.response" in scope.get("extensions", {}):
        await receive()
        await answer(scope, receive, send)
    else:
        await receive()
        await send({"type": "websocket.close", "code": 1008})
