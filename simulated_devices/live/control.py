"""The control address: a small JSON interface to the live bench, and the page that uses it.

=======================  =====================================================================
``GET /``                the control page
``GET /state``           what can be seen at the bench
``GET /events``          the same, twenty times a second, as server-sent events
``GET /truth``           what is true (``?drop_mm=1.27&check_lift_mm=1``)
``GET /scenario``        the scenario, cam card included
``GET /drawing``         outlines of the lobes, for the page
``GET /help``            JSON schema of every body below
``POST /hand`` …         ``hand``, ``script``, ``gauge``, ``pulley``, ``valve``, ``shaft``, ``builder``, ``cable``, ``fault``
=======================  =====================================================================

Answers are JSON; what went wrong is ``{"error": "one sentence"}`` with status 400, 403, 404, 405 or 413. Only
requests that name this machine as their host are answered, and only pages served from here may post. A builder who works
here by himself sends ``Hands: builder`` with what he does; while a visitor has the crank, that is refused.
"""

from __future__ import annotations

import json
import threading
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlsplit

from simulated_devices.live.bench import LiveBench
from simulated_devices.live.bench_state import state
from simulated_devices.live.commands import COMMAND_NAMES, HANDS_ON, carry_out, schemas
from simulated_devices.machine import CommandError, SimulatorError, drawing

PAGE = Path(__file__).parents[1] / "control_page"
LARGEST_BODY_BYTES = 64 * 1024
EVENTS_PER_S = 20
_TYPES = {".html": "text/html", ".css": "text/css", ".js": "text/javascript", ".svg": "image/svg+xml"}


class ControlServer(ThreadingHTTPServer):
    """Serves one bench."""

    daemon_threads = True
    allow_reuse_address = True
    block_on_close = False

    def __init__(self, address: tuple[str, int], bench: LiveBench) -> None:
        self.bench = bench
        self.ended = threading.Event()
        try:
            super().__init__(address, _Handler)
        except OSError as error:
            host, port = address
            raise SimulatorError(
                f"the control address {host}:{port} cannot be used: {error.strerror or error}; "
                "stop what uses it, or give another with --control"
            ) from error
        self._thread = threading.Thread(
            target=self.serve_forever, kwargs={"poll_interval": 0.1}, name="control", daemon=True
        )

    @property
    def url(self) -> str:
        """Where the page is."""
        host, port = self.server_address[:2]
        return f"http://{host if isinstance(host, str) else host.decode()}:{port}"

    def start(self) -> None:
        """Begin to serve."""
        self._thread.start()

    def stop(self) -> None:
        """Stop serving; open event streams end. One that never served has nothing to wait for."""
        self.ended.set()
        if self._thread.ident is not None:
            self.shutdown()
            self._thread.join(2.0)
        self.server_close()

    def handle_error(self, request: Any, client_address: Any) -> None:
        """Say nothing when a browser goes away in the middle of an answer."""


class _Handler(BaseHTTPRequestHandler):
    """One request: how the bench is, its page, or a command for its hands; other machines and pages are refused."""

    protocol_version = "HTTP/1.1"
    server_version = "SimulatedBench"
    sys_version = ""
    timeout = 30
    server: ControlServer

    def do_GET(self) -> None:
        """Answer a GET."""
        parts = urlsplit(self.path)
        bench = self.server.bench
        if not self._admitted():
            return
        match parts.path:
            case "/state":
                self._json(state(bench))
            case "/truth":
                self._truth(parse_qs(parts.query))
            case "/scenario":
                self._json(bench.scenario.model_dump())
            case "/drawing":
                self._json(drawing(bench.engine))
            case "/help":
                self._json(schemas())
            case "/events":
                self._events()
            case _:
                self._file(parts.path)

    def do_POST(self) -> None:
        """Carry out a command."""
        if not self._admitted(posting=True):
            return
        name = urlsplit(self.path).path.removeprefix("/")
        if name not in COMMAND_NAMES:
            self._error(HTTPStatus.NOT_FOUND, f"there is nothing to post to at /{name[:40]}; see GET /help")
            return
        content = self._body()
        if content is None:
            return
        try:
            if name in HANDS_ON:
                self.server.bench.builder.admit(builder=self.headers.get("Hands") == "builder")
            self._json(carry_out(self.server.bench, name, content))
        except SimulatorError as error:
            self._error(HTTPStatus.BAD_REQUEST, str(error))

    def _body(self) -> bytes | None:
        try:
            length = int(self.headers.get("Content-Length") or 0)
        except ValueError:
            length = -1
        if not 0 <= length <= LARGEST_BODY_BYTES:
            self.close_connection = True
            self._error(HTTPStatus.REQUEST_ENTITY_TOO_LARGE, "the body is too large; send at most 64 kB")
            return None
        return self.rfile.read(length)

    def _admitted(self, *, posting: bool = False) -> bool:
        """Whether the request names this machine, and a posting page came from here."""
        host = (self.headers.get("Host") or "").rsplit(":", 1)[0].strip("[]").lower()
        own = str(self.server.server_address[0])
        if host not in {"localhost", "127.0.0.1", "::1", own}:
            self._error(
                HTTPStatus.FORBIDDEN, "this address is not the bench's own; use the one it was started with"
            )
            return False
        origin = self.headers.get("Origin")
        if posting and origin and urlsplit(origin).netloc != self.headers.get("Host"):
            self._error(HTTPStatus.FORBIDDEN, "another page may not move this bench; open its own page")
            return False
        return True

    def _truth(self, query: dict[str, list[str]]) -> None:
        try:
            drop = float(query.get("drop_mm", ["1.27"])[0])
            check = float(query.get("check_lift_mm", ["1.0"])[0])
            self._json(self.server.bench.truth(drop, check))
        except ValueError as error:
            self._error(
                HTTPStatus.BAD_REQUEST, f"{error}; give drop_mm and check_lift_mm as lifts of this valve"
            )

    def _events(self) -> None:
        """The state again and again until the reader goes or the bench stops."""
        self.close_connection = True
        self.send_response(HTTPStatus.OK)
        self.send_header("Content-Type", "text/event-stream")
        self.send_header("Cache-Control", "no-store")
        self.send_header("Connection", "close")
        self.end_headers()
        while not self.server.ended.wait(1.0 / EVENTS_PER_S):
            self.wfile.write(b"data: " + json.dumps(state(self.server.bench)).encode() + b"\n\n")

    def _file(self, path: str) -> None:
        file = PAGE / ("page.html" if path == "/" else path.removeprefix("/"))
        if file.parent != PAGE or file.suffix not in _TYPES or not file.is_file():
            self._error(HTTPStatus.NOT_FOUND, f"there is nothing at {path[:60]}; the page is at /")
            return
        self._send(HTTPStatus.OK, file.read_bytes(), _TYPES[file.suffix] + "; charset=utf-8")

    def _json(self, content: Any) -> None:
        self._send(HTTPStatus.OK, json.dumps(content).encode(), "application/json")

    def _error(self, status: HTTPStatus, sentence: str) -> None:
        self._send(status, json.dumps({"error": sentence}).encode(), "application/json")

    def _send(self, status: HTTPStatus, content: bytes, kind: str) -> None:
        self.send_response(status)
        self.send_header("Content-Type", kind)
        self.send_header("Content-Length", str(len(content)))
        self.send_header("Cache-Control", "no-store")
        self.send_header("X-Content-Type-Options", "nosniff")
        self.send_header("Content-Security-Policy", "default-src 'self'; frame-ancestors 'none'")
        self.end_headers()
        if self.command != "HEAD":
            self.wfile.write(content)

    def send_error(self, code: int, message: str | None = None, explain: str | None = None) -> None:
        """Say what http.server found wrong (a method, a request line) in the same form."""
        self.close_connection = True
        self._error(HTTPStatus(code), f"{message or HTTPStatus(code).phrase}; see GET /help")

    def log_message(self, format: str, *args: Any) -> None:
        """Keep the terminal for what matters."""


def parse_address(text: str) -> tuple[str, int]:
    """``HOST:PORT`` or ``PORT`` as an address.

    Raises
    ------
    CommandError
        With one sentence.
    """
    host, _, port = text.rpartition(":")
    if not port.isdigit() or not 0 <= int(port) <= 65535:
        raise CommandError(f"{text!r} is not an address; write it like 127.0.0.1:8721")
    return (host.strip("[]") or "127.0.0.1", int(port))
