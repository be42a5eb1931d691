"""Who may ask: the rules that every request, HTTP or WebSocket, is held to before anything is done.

A page of another site, open in a browser on the shop's network, could otherwise read the bench or press its
buttons. Two checks stop that: the Host must be an address or a name of this machine, and an Origin, which
browsers send with everything that can change something, must be the very page's own.

The third question is whether this caller may do this. A caller on this machine stands at the bench and may do
everything; where the machine has other accounts it must show the bench's own secret as well. What came through a
proxy is not at the bench, wherever the proxy runs. A caller on the network may look, if the owner leaves viewing
open, and may change something only once its screen is paired. What nobody has thought of needs pairing: the table
of the public is the short one.
"""

from __future__ import annotations

import ipaddress
import socket
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from enum import StrEnum
from urllib.parse import urlsplit

from starlette.datastructures import Headers
from starlette.requests import cookie_parser
from starlette.types import Scope

from api.base import STANDING, Standing

COOKIE = "lobewright_screen"
BENCH_COOKIE = "lobewright_bench"
READING_METHODS = frozenset({"GET", "HEAD", "OPTIONS"})
PUBLIC = frozenset({("GET", "/pair"), ("HEAD", "/pair"), ("POST", "/pair")})
"""What a screen needs in order to pair; open to every caller, as are the files under `PUBLIC_FOLDER`."""
PUBLIC_FOLDER = "/static/"
OWN_SCREEN = "/own_screen/"
"""The link that lets the bench's own screen in; the secret in it is asked of this machine alone."""
BENCH_ONLY = ("/pair/", "/api/pairing/")
"""Codes, and the list of paired screens: for the machine at the bench alone."""
NOT_PAIRED = (
    "This screen is not paired with the bench, so it {may}. Open /pair on it, and type the code that "
    "`lobewright pair` shows at the bench."
)
AT_THE_BENCH = "This can be done at the bench's own machine only."
OTHER_SITE = "A page of another site may not use this bench."
FORWARDING = (
    "forwarded",
    "via",
    "x-forwarded-for",
    "x-forwarded-host",
    "x-forwarded-proto",
    "x-forwarded-port",
    "x-forwarded-server",
    "x-real-ip",
    "x-client-ip",
    "x-cluster-client-ip",
    "true-client-ip",
    "client-ip",
)
"""What proxies add; a caller that says such a thing of itself only makes itself a stranger."""


class Caller(StrEnum):
    """The least a caller has to be."""

    ANYONE = "anyone on the network"
    VIEWER = "whoever may look"
    PAIRED = "paired screens, and the bench"
    BENCH = "the bench's own machine"


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


def least_caller(kind: str, method: str, path: str) -> Caller:
    """Say who may ask for this.

    Parameters
    ----------
    kind : str
        ``http`` or ``websocket``.
    method : str
        HTTP method; of no account for a WebSocket.
    path : str
        As the routes see it, decoded.
    """
    reads = method in READING_METHODS if kind == "http" else path == "/live"
    if kind == "http":
        if reads and path.startswith(OWN_SCREEN):
            return Caller.ANYONE
        if path.startswith(BENCH_ONLY):
            return Caller.BENCH
        if (method, path) in PUBLIC or (reads and path.startswith(PUBLIC_FOLDER)):
            return Caller.ANYONE
    return Caller.VIEWER if reads else Caller.PAIRED


@dataclass(frozen=True, slots=True)
class Access:
    """The rules; pure, apart from asking this machine's name when made.

    Attributes
    ----------
    names
        Host names under which the pages may be asked for.
    viewing_open
        Whether an unpaired screen on the network may look.
    is_paired
        Tells whether a cookie's token is that of a paired screen.
    is_own_screen
        Tells whether a cookie's token is that of the bench's own screen; `None` where this machine is nobody
        else's, and being on it is enough.
    """

    names: frozenset[str] = field(default_factory=own_names)
    viewing_open: bool = True
    is_paired: Callable[[str], bool] = lambda token: False
    is_own_screen: Callable[[str], bool] | None = None

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
        if (origin is not None and not _is_same(origin, host)) or _is_of_another_site(scope, headers):
            return Denial(403, "wrong_origin", OTHER_SITE)
        return self.permits(scope)

    def permits(self, scope: Scope) -> Denial | None:
        """Say whether this caller may do this."""
        least = least_caller(scope["type"], scope.get("method", ""), scope.get("path", ""))
        if least is Caller.ANYONE or (least is Caller.VIEWER and self.viewing_open):
            return None
        standing = self.standing(scope)
        if standing is Standing.BENCH:
            return None
        if least is Caller.BENCH:
            return Denial(403, "bench_only", AT_THE_BENCH)
        if standing is Standing.PAIRED:
            return None
        may = "may look but not change anything" if self.viewing_open else "may not look"
        return Denial(401, "not_paired", NOT_PAIRED.format(may=may))

    def standing(self, scope: Scope) -> Standing:
        """Say what this caller is, as it stands now: a screen that is revoked is a stranger from then on."""
        if at_this_machine(scope) and (self.is_own_screen is None or self.is_own_screen(own_token_of(scope))):
            return Standing.BENCH
        return Standing.PAIRED if self.is_paired(token_of(scope)) else Standing.STRANGER

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
        called = _address((scope.get("server") or ("", 0))[0])
        return address.is_loopback if called is None else address == called


def at_this_machine(scope: Scope) -> bool:
    """Tell whether the caller itself is on this machine; one that cannot be told is on the network."""
    address = caller_address(scope)
    headers = Headers(scope=scope)
    return address is not None and address.is_loopback and not any(name in headers for name in FORWARDING)


def standing_of(scope: Scope) -> Standing:
    """Give what the gate found the caller to be."""
    standing: Standing = scope.get(STANDING, Standing.STRANGER)
    return standing


def caller_address(scope: Scope) -> ipaddress.IPv4Address | ipaddress.IPv6Address | None:
    """Give the address a connection came from; `None` where it is none."""
    return _address((scope.get("client") or ("", 0))[0])


def token_of(scope: Scope) -> str:
    """Give the token of a paired screen's cookie, empty without one."""
    return _cookie(scope, COOKIE)


def own_token_of(scope: Scope) -> str:
    """Give the token of the cookie of the bench's own screen, empty without one."""
    return _cookie(scope, BENCH_COOKIE)


def _cookie(scope: Scope, name: str) -> str:
    return cookie_parser(Headers(scope=scope).get("cookie", "")).get(name, "")


def _is_of_another_site(scope: Scope, headers: Headers) -> bool:
    """Tell what a page of another site asks for; a person who follows its link may look, as with a typed address."""
    if headers.get("sec-fetch-site", "none") in {"same-origin", "none"}:
        return False
    reads = scope["type"] == "http" and scope["method"] in READING_METHODS
    follows = headers.get("sec-fetch-mode") == "navigate" and headers.get("sec-fetch-dest") == "document"
    return not (reads and follows)


def _address(text: str) -> ipaddress.IPv4Address | ipaddress.IPv6Address | None:
    """Read an address; an IPv4 one that came in through IPv6 is given as what it is."""
    try:
        address = ipaddress.ip_address(text.partition("%")[0])
    except ValueError:
        return None
    return getattr(address, "ipv4_mapped", None) or address


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
