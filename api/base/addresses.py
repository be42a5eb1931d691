"""Under which addresses the pages can be opened in the shop, and as a QR code for a phone."""

from __future__ import annotations

import contextlib
import ipaddress
import socket

import segno

ANY = {"0.0.0.0", "::", ""}
NEVER_ASKED = ("192.0.2.1", 9)  # a documentation address: choosing a route to it sends nothing


def shop_addresses(host: str, port: int, local_name: str = "") -> list[str]:
    """Give the addresses of the pages, the best for a phone first.

    Parameters
    ----------
    host : str
        What the service listens on.
    local_name : str
        The name under ``.local`` that was announced; empty where none was.
    """
    named = [page_address(local_name, port)] if local_name else []
    if host not in ANY:
        return [page_address(host, port), *named]
    own = sorted(own_ip_addresses(), key=lambda ip: (ip.version, int(ip)))
    return [*(page_address(str(ip), port) for ip in own), *named, page_address("127.0.0.1", port)]


def own_ip_addresses() -> set[ipaddress.IPv4Address | ipaddress.IPv6Address]:
    """Give the addresses of this machine that another can reach."""
    found = set()
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe, contextlib.suppress(OSError):
        probe.connect(NEVER_ASKED)  # fails where there is no network at all
        found.add(probe.getsockname()[0])
    with contextlib.suppress(OSError):  # a host need not know its own name
        found |= {info[4][0] for info in socket.getaddrinfo(socket.gethostname(), None)}
    addresses = {ipaddress.ip_address(str(one).partition("%")[0]) for one in found}
    return {one for one in addresses if not (one.is_loopback or one.is_link_local or one.is_unspecified)}


def qr_code(address: str) -> str:
    """Give an address as a QR code, an SVG image in a data URI."""
    return segno.make(address, error="m").svg_data_uri(scale=6, border=3, dark="black", light="white")


def is_loopback(host: str) -> bool:
    """Tell whether a host of an address is this machine, whichever it is that asks."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def page_address(host: str, port: int) -> str:
    """Give the address of pages."""
    return f"http://[{host}]:{port}" if ":" in host else f"http://{host}:{port}"
