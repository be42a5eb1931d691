"""Finding the bench from another screen: told when the service starts, by name where the network knows names.

The name under ``.local`` needs the extra package zeroconf. Whatever goes wrong with it is logged and no more: the
addresses work without it.
"""

from __future__ import annotations

import contextlib
import logging
import socket
import sys
from collections.abc import Iterator
from urllib.parse import urlsplit

import click
import segno

from api.base import ANY, is_loopback, own_ip_addresses

log = logging.getLogger("lobewright.finding")
KIND = "_http._tcp.local."


@contextlib.contextmanager
def announced(host: str, port: int) -> Iterator[str]:
    """Announce the pages to the network while they are served.

    Parameters
    ----------
    host : str
        What the service listens on; what only this machine can reach is not announced.

    Yields
    ------
    str
        The name under which other screens find the bench, such as ``bench.local``; empty where there is none.
    """
    reachable = host in ANY or not is_loopback(host)
    with contextlib.ExitStack() as stack:
        name = ""
        if reachable:
            try:
                name = stack.enter_context(_registered(port))
            except ImportError:
                log.info("no name under .local: the package zeroconf is not installed")
            except Exception as error:  # noqa: BLE001 - a network without multicast must not stop a bench
                log.warning("no name under .local: %s", error or type(error).__name__)
        yield name


@contextlib.contextmanager
def _registered(port: int) -> Iterator[str]:
    from zeroconf import ServiceInfo, Zeroconf

    name = socket.gethostname().split(".")[0].lower()
    own = [address.packed for address in own_ip_addresses()]
    # With the port: two benches on one machine are two names.
    told = f"Lobewright on {name}, port {port}.{KIND}"
    info = ServiceInfo(KIND, told, port=port, addresses=own, server=f"{name}.local.")
    network = Zeroconf()
    try:
        network.register_service(info, allow_name_change=True)
        yield f"{name}.local"
    finally:
        network.close()


def say_where(own: str, shop: list[str]) -> None:
    """Tell where the pages are: on this machine, and for other screens with a code for a phone's camera."""
    click.echo(f"Lobewright is at {own}", err=True)
    others = [address for address in shop if not is_loopback(urlsplit(address).hostname or "")]
    if not others:
        return
    click.echo(f"Other screens of the shop: {', '.join(others)}", err=True)
    if sys.stderr.isatty():
        segno.make(others[0], error="m").terminal(out=sys.stderr, compact=True)


def say_own_link(own: str, path: str) -> None:
    """Tell the link that lets the bench's own screen in."""
    click.echo(f"Open this on the bench's own machine; it works once: {own}{path}", err=True)
