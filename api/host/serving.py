"""``lobewright run``: capture and the web service of one bench, until told to stop."""

from __future__ import annotations

import contextlib
import ipaddress
import json
import logging
import os
import signal
import socket
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

import click

from api.base import ANY, DEFAULT_PORT, MisuseError, ServiceConfig, StoreError, page_address
from api.files import keep_private
from api.host.options import data_option
from api.store import make_data_folder, read_only_words
from capture.store import STORE_NAME, lies_read_only

if TYPE_CHECKING:
    from fastapi import FastAPI

    from api.service import Service

GRACE_S = 2
SWITCH_S = 0.001  # a fit in a worker thread must not hold up the screens for longer
PING_S = 4.0
LARGEST_WORD = 65_536
DENIED = "ASGI callable returned without completing handshake."  # said of every WebSocket turned away
WEB_FILE = "web.json"
THIS_MACHINE = "127.0.0.1"
EVERYWHERE = "0.0.0.0"


@click.command()
@click.option(
    "--bench",
    "bench_file",
    type=click.Path(path_type=Path),
    help="The bench file; left out where there are no instruments, and disc and gauge are read and typed.",
)
@data_option
@click.option(
    "--host",
    help="Address to listen on; left out: this machine only, or with --shop every network it is on.",
)
@click.option(
    "--shop", is_flag=True, help="Serve the shop's network; screens pair before they change anything."
)
@click.option(
    "--viewing",
    type=click.Choice(["open", "code"]),
    default="open",
    show_default=True,
    help="Whether screens of the network may look without pairing, or need a code for that too.",
)
@click.option(
    "--own-screen",
    type=click.Choice(["open", "secret"]),
    default="open",
    show_default=True,
    help="Whether every browser of this machine may do everything, or only one that opened the link printed at "
    "the start: wanted where the machine has other accounts.",
)
@click.option(
    "--port",
    default=DEFAULT_PORT,
    show_default=True,
    type=click.IntRange(0, 65535),
    help="Port of the pages; 0: any free one.",
)
def run(
    bench_file: Path | None,
    data_dir: Path,
    host: str | None,
    shop: bool,
    viewing: str,
    own_screen: str,
    port: int,
) -> None:
    """Run a real bench: read its instruments, keep everything, serve the pages."""
    if bench_file is not None:
        check_bench(bench_file)
    serve(
        ServiceConfig(
            data_dir=data_dir,
            bench_file=bench_file,
            host=host or (EVERYWHERE if shop else THIS_MACHINE),
            port=port,
            viewing_open=viewing == "open",
            own_screen_secret=own_screen == "secret",
        )
    )


def check_bench(bench_file: Path) -> None:
    """Tell every mistake of a bench file; raises `MisuseError`."""
    from capture.base import BenchFileError
    from capture.bench import load_bench

    try:
        load_bench(bench_file)
    except BenchFileError as error:
        raise MisuseError("bad_bench_file", "\n".join(error.problems)) from None


class Companion(Protocol):
    """Something that runs beside the web service, such as the demo's own hands."""

    def start(self, address: str) -> None:
        """Begin; `address` is where the pages will be in a moment."""

    def stop(self) -> None:
        """Let go; the pages are about to end."""


def serve(config: ServiceConfig, companion: Companion | None = None) -> None:
    """Run capture and the web service; returns when told to stop, everything ended.

    Parameters
    ----------
    config
        What the service is started with.
    companion
        Started and stopped with the web service.

    Raises
    ------
    MisuseError
        The port is taken, or the data folder cannot be written.
    StoreError
        The shop's file is in use, damaged, or from a newer program.
    """
    with serve_pages(config) as pages:
        from api.service import Service

        _serve_bench(pages, config, Service(config), companion)


class Pages:
    """Ports that are open, for an application to be served on."""

    def __init__(self, config: ServiceConfig, listeners: list[socket.socket]) -> None:
        self._config, self._listeners = config, listeners
        self.port = int(listeners[0].getsockname()[1])

    @property
    def own(self) -> str:
        """The address to be opened on this machine."""
        return address_of(self._listeners[-1])

    def run(self, app: FastAPI, local_name: str = "") -> None:
        """Serve until told to stop."""
        import uvicorn

        from api.base import shop_addresses
        from api.host.finding import say_own_link, say_where
        from api.host.web_protocol import ShopProtocol

        logging.getLogger("uvicorn.error").addFilter(lambda line: line.getMessage() != DENIED)
        settings = uvicorn.Config(
            app,
            log_level="warning",
            access_log=False,
            server_header=False,
            proxy_headers=False,  # or a caller could say that it is somebody else
            http=ShopProtocol,
            timeout_graceful_shutdown=GRACE_S,
            ws_ping_interval=PING_S,
            ws_ping_timeout=PING_S,
            ws_max_size=LARGEST_WORD,
            ws_per_message_deflate=False,
        )
        say_where(address_of(self._listeners[0]), shop_addresses(self._config.host, self.port, local_name))
        if app.state.own_screen is not None:
            say_own_link(self.own, app.state.own_screen.new_link())
        with _web_file(self._config, self._listeners[-1]):
            uvicorn.Server(settings).run(self._listeners)


@contextlib.contextmanager
def serve_pages(config: ServiceConfig) -> Iterator[Pages]:
    """Make the folder and open the ports; ends quietly when told to stop; raises `MisuseError`."""
    logging.basicConfig(level=logging.INFO, format="%(levelname)s %(name)s: %(message)s")
    keep_private()
    _make_folder(config.data_dir)
    keep_private(config.data_dir)
    with told_to_stop(), _all_listening(config.host, config.port) as listeners:
        yield Pages(config, listeners)


@contextlib.contextmanager
def told_to_stop() -> Iterator[None]:
    """Leave by the front door on SIGTERM and on a closed terminal, as on Ctrl-C."""

    def stop(number: int, frame: object) -> None:
        raise KeyboardInterrupt

    for name in ("SIGTERM", "SIGHUP"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), stop)
    with contextlib.suppress(KeyboardInterrupt):
        yield


def _serve_bench(pages: Pages, config: ServiceConfig, service: Service, companion: Companion | None) -> None:
    """Capture, what acts by itself, the name under .local, and the pages: begun in this order, ended in the other."""
    from api.host.finding import announced
    from api.host.supervise import CaptureKeeper
    from api.web import create_app

    keeper = None if config.bench_file is None else CaptureKeeper(config.bench_file, config.data_dir)
    sys.setswitchinterval(SWITCH_S)
    app = create_app(config, service)
    if keeper is not None:
        keeper.start()
    if companion is not None:
        companion.start(pages.own)
    service.port = pages.port
    try:
        with announced(config.host, pages.port) as service.local_name:
            pages.run(app, service.local_name)
    finally:
        if companion is not None:
            companion.stop()
        if keeper is not None:
            keeper.stop()


def _make_folder(data_dir: Path) -> None:
    make_data_folder(data_dir)
    if lies_read_only(data_dir / STORE_NAME):
        raise StoreError("read_only", f"{read_only_words(data_dir / STORE_NAME)}.")
    if not os.access(data_dir, os.W_OK):
        raise MisuseError(
            "bad_data_folder", f"the folder {data_dir} cannot be written; choose another --data."
        )


@contextlib.contextmanager
def listening(host: str, port: int, option: str = "--port") -> Iterator[socket.socket]:
    """Open the port that `option` chose; raises `MisuseError` where it is taken or the address is not ours."""
    try:
        family, _, _, _, address = socket.getaddrinfo(
            host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
        )[0]
    except OSError:
        raise MisuseError("bad_host", f"--host {host} is no address of this machine.") from None
    listener = socket.socket(family, socket.SOCK_STREAM)
    try:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind(address)
        listener.listen(128)
    except OSError as error:
        listener.close()
        raise MisuseError(
            "port_taken",
            f"port {port} on {host} cannot be used ({error.strerror}); choose another with {option}.",
        ) from None
    with listener:
        yield listener


@contextlib.contextmanager
def _all_listening(host: str, port: int) -> Iterator[list[socket.socket]]:
    """Open the port of the pages, and last the one for this machine: who stands at the bench is let in."""
    with listening(host, port) as listener, contextlib.ExitStack() as further:
        listeners = [listener]
        own = ipaddress.ip_address(listener.getsockname()[0].partition("%")[0])
        if not own.is_loopback and not own.is_unspecified:
            listeners.append(further.enter_context(listening(THIS_MACHINE, listener.getsockname()[1])))
        yield listeners


def address_of(listener: socket.socket) -> str:
    """Give the address of the pages, to be opened on this machine."""
    host, port = listener.getsockname()[:2]
    return page_address(THIS_MACHINE if host in ANY else host, port)


@contextlib.contextmanager
def _web_file(config: ServiceConfig, listener: socket.socket) -> Iterator[None]:
    """Say in the data folder where the service is, for commands that have to ask it."""
    path = config.data_dir / WEB_FILE
    new = path.with_suffix(".new")
    new.write_text(json.dumps({"pid": os.getpid(), "url": address_of(listener)}), encoding="utf-8")
    new.replace(path)
    try:
        yield
    finally:
        path.unlink(missing_ok=True)
