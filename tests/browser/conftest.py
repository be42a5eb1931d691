"""A real Chromium for the tests that drive pages, and the demo for them to look at."""

from __future__ import annotations

import contextlib
import ctypes
import functools
import http.server
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from bench_time import environment
from free_ports import free_port
from PIL import Image
from playwright.sync_api import Browser, BrowserContext, Page, Playwright, expect, sync_playwright
from waiting import LOBEWRIGHT

from api.web.routes.static_files import our_files, plotly_script
from simulated_devices import scenarios

HERE = Path(__file__).parent
PICTURES = HERE / "pictures"
BROWSERS = ("chromium", "chromium-browser", "google-chrome")
INSTALL = (
    "No Chromium was found. Install one and run the tests again: on Debian `apt-get install chromium`, "
    "anywhere else `python -m playwright install chromium`; or set LOBEWRIGHT_CHROMIUM to its path."
)
ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--autoplay-policy=no-user-gesture-required",
]
START_S = 60.0
LONG_MS = 60_000
"""How long a busy machine may take; nothing waits that long on an idle one."""
expect.set_options(timeout=LONG_MS)


def find_chromium(playwright: Playwright) -> str:
    """Path of a Chromium: the one that is named, the system's, or the one playwright brought."""
    named = os.environ.get("LOBEWRIGHT_CHROMIUM")
    found = named or next((path for name in BROWSERS if (path := shutil.which(name))), None)
    if found is None and Path(playwright.chromium.executable_path).exists():
        found = playwright.chromium.executable_path
    if found is None:
        pytest.fail(INSTALL, pytrace=False)
    return found


@pytest.fixture(scope="session")
def chromium() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=find_chromium(playwright), args=ARGUMENTS)
        yield browser
        browser.close()


class Tab:
    """A page that remembers what went wrong in it."""

    def __init__(self, page: Page) -> None:
        self.page = page
        self.troubles: list[str] = []
        page.set_default_timeout(LONG_MS)
        page.on("pageerror", lambda error: self.troubles.append(f"error: {error}"))
        page.on("console", self._heard)

    def _heard(self, message: object) -> None:
        kind, text = getattr(message, "type", ""), getattr(message, "text", "")
        # The browser's own notes on what a server did not give; whether the page bears it, the test looks at.
        if kind == "error" and not any(note in text for note in ("Failed to load resource", "net::ERR_")):
            self.troubles.append(f"console: {text}")


class Screens:
    """Opens pages, each a screen of its own, and judges them when they are closed."""

    def __init__(self, chromium: Browser) -> None:
        self._chromium = chromium
        self._contexts: list[BrowserContext] = []
        self._tabs: list[Tab] = []

    def open(
        self,
        width: int = 1440,
        height: int = 900,
        *,
        dark: bool = False,
        choices: dict[str, str] | None = None,
    ) -> Page:
        light = "dark" if dark else "light"
        viewport = {"width": width, "height": height}
        context = self._chromium.new_context(viewport=viewport, color_scheme=light, locale="en-GB")
        if choices:
            told = json.dumps(json.dumps(choices))
            context.add_init_script(f"localStorage.setItem('lobewright.screen', {told})")
        self._contexts.append(context)
        self._tabs.append(Tab(context.new_page()))
        return self._tabs[-1].page

    def judge(self) -> None:
        """Fail on an error that any page has had since it was judged last."""
        troubles = [trouble for tab in self._tabs for trouble in tab.troubles]
        for tab in self._tabs:
            tab.troubles.clear()
        assert troubles == []

    def close(self) -> None:
        """Close all; an error in any page is an error of the test."""
        for context in self._contexts:
            context.close()
        self.judge()


@pytest.fixture
def open_tab(chromium: Browser) -> Iterator[Callable[..., Page]]:
    """Open pages; an error in any of them fails the test."""
    screens = Screens(chromium)
    yield screens.open
    screens.close()


@pytest.fixture(scope="session")
def _one_screen(chromium: Browser) -> Iterator[tuple[Screens, Page]]:
    screens = Screens(chromium)
    yield screens, screens.open()
    screens.close()


@pytest.fixture(scope="module")
def _left_blank(_one_screen: tuple[Screens, Page]) -> Iterator[tuple[Screens, Page]]:
    """The same, and nothing left open at a file's end: a live page goes on painting, for nobody."""
    yield _one_screen
    _one_screen[1].goto("about:blank")


@pytest.fixture
def shared_tab(_left_blank: tuple[Screens, Page]) -> Iterator[Page]:
    """One tab for all tests that need no screen of their own: at the desk, light, its errors judged test by test."""
    screens, page = _left_blank
    page.set_viewport_size({"width": 1440, "height": 900})
    page.emulate_media(color_scheme="light")
    yield page
    screens.judge()


@pytest.fixture(scope="session")
def framed() -> Callable[[Page], None]:
    """Wait until what was asked of a page has been laid out and painted: two frames, however long they take."""

    def waited(page: Page) -> None:
        page.evaluate("() => new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))")

    return waited


# -- a plain file server, for modules alone


class _Files(http.server.SimpleHTTPRequestHandler):
    extensions_map = {**http.server.SimpleHTTPRequestHandler.extensions_map, ".js": "text/javascript"}

    def translate_path(self, path: str) -> str:
        name = path.split("?", maxsplit=1)[0].lstrip("/")
        if name == "static/plotly.min.js":
            return str(plotly_script())
        if name.startswith("static/"):
            return str(our_files().get(name.removeprefix("static/"), HERE / "none"))
        return str(HERE / "modules" / (name or "none"))

    def log_message(self, *_: object) -> None:
        """Say nothing."""


@pytest.fixture(scope="session")
def module_server() -> Iterator[str]:
    """Address of a server that gives the modules, their tests and an empty page."""
    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), functools.partial(_Files, directory=str(HERE)))
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    yield f"http://127.0.0.1:{server.server_address[1]}"
    server.shutdown()
    thread.join()
    server.server_close()


# -- the demo


USUAL_RATE = "rate_hz = 200.0"


def _end_with_this_process() -> None:
    """On Linux, let the demo end when the tests are killed and can no longer end it."""
    if sys.platform == "linux":
        ctypes.CDLL(None).prctl(1, signal.SIGTERM)


class Demo:
    """A running demo: its pages, its API, and the simulator's hand.

    In a time of its own its bench goes as fast as this machine's time at most, and slower where the machine is busy; while
    a command waits for the hand (``wait_s``) as fast as it can.
    """

    def __init__(self, folder: Path, *options: str, own_time: bool = False) -> None:
        self.port, self.control_port = free_port(), free_port()
        self.url = f"http://127.0.0.1:{self.port}"
        self._folder, self._options = folder, options
        self._environment = environment(folder / "clock", pace=1.0) if own_time else dict(os.environ)
        self.start()

    def start(self) -> None:
        """Start it; again, after `stop`, at the same address."""
        folder, options = self._folder, self._options
        self._log = (folder / "demo.log").open("w+")
        command = [*LOBEWRIGHT, "demo"]
        ports = ["--port", str(self.port), "--control-port", str(self.control_port)]
        self._process = subprocess.Popen(
            [*command, *ports, *options],
            stdout=self._log,
            stderr=subprocess.STDOUT,
            cwd=folder,
            env={**self._environment, "HOME": str(folder)},
            start_new_session=True,
            preexec_fn=_end_with_this_process,
        )

    def wait(self) -> None:
        """Wait until the bench is alive; fail with what the demo said if it ends before."""
        deadline = time.monotonic() + START_S
        while time.monotonic() < deadline:
            if self._process.poll() is not None:
                break
            with contextlib.suppress(OSError, urllib.error.URLError):
                if self.get("/api/bench")["health"]["capture_alive"]:
                    return
            time.sleep(0.2)
        pytest.fail(f"the demo did not start:\n{self.log()}", pytrace=False)

    def log(self) -> str:
        self._log.flush()
        return Path(self._log.name).read_text()

    def get(self, path: str) -> dict:
        with urllib.request.urlopen(self.url + path, timeout=20) as answer:
            return json.load(answer)

    def simulator(self, path: str, body: dict | None = None) -> dict:
        """Ask the simulator, or tell its hand, gauges, pulleys or cables something."""
        data = None if body is None else json.dumps(body).encode()
        request = urllib.request.Request(
            f"http://127.0.0.1:{self.control_port}{path}",
            data=data,
            headers={"Content-Type": "application/json"},
        )
        with urllib.request.urlopen(request, timeout=120) as answer:
            return json.load(answer)

    def finished(self, *parts: str) -> list[dict]:
        """Wait until each of `parts` (``piston``, ``inlet``, ``exhaust``) is measured; give all, newest first.

        The hand measures each thing once: what it was refused it will never have.
        """
        deadline = time.monotonic() + 4 * START_S
        while time.monotonic() < deadline and self._process.poll() is None:
            listed = self.get("/api/measurements")["measurements"]
            for one in listed:
                if one["state"] == "refused" and one["touches"].startswith(parts):
                    pytest.fail(f"{one['touches']} was refused: {one['sentence']}", pytrace=False)
            found = [one for one in listed if one["state"] == "finished"]
            if all(any(one["touches"].startswith(part) for one in found) for part in parts):
                return found
            time.sleep(0.3)
        pytest.fail(f"the demo's hand has not measured {', '.join(parts)}:\n{self.log()}", pytrace=False)

    def stop(self) -> None:
        self._process.send_signal(signal.SIGINT)
        try:
            self._process.wait(20)
        except subprocess.TimeoutExpired:
            os.killpg(self._process.pid, signal.SIGKILL)
            self._process.wait(20)
        self._log.close()


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Demo]:
    """The demo as a visitor sees it: its hand measures true TDC and two lobes by itself, in a time of its own."""
    running = Demo(tmp_path_factory.mktemp("demo"), "--script", "measure", own_time=True)
    try:
        running.wait()
        yield running
    finally:
        running.stop()


@pytest.fixture
def working_demo(tmp_path: Path) -> Iterator[Demo]:
    """The demo as its command starts it: the builder does a whole job, in a time of its own."""
    running = Demo(tmp_path, "--data", str(tmp_path / "data"), own_time=True)
    try:
        running.wait()
        yield running
    finally:
        running.stop()


@pytest.fixture(scope="session")
def still_demo(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Demo]:
    """A demo whose crank nobody turns until told; its encoder speaks less often, for it speaks all the time."""
    folder = tmp_path_factory.mktemp("demo")
    seldom = folder / "seldom.toml"
    text = (Path(scenarios.__file__).parent / "hollin_lane_twin_cam.toml").read_text(encoding="utf-8")
    assert USUAL_RATE in text
    seldom.write_text(text.replace(USUAL_RATE, "rate_hz = 50.0"), encoding="utf-8")
    running = Demo(folder, "--script", "none", "--scenario", str(seldom))
    try:
        running.wait()
        yield running
    finally:
        running.stop()


@pytest.fixture
def demo_on(tmp_path: Path) -> Iterator[Callable[..., Demo]]:
    """Start the same for one test alone, which leaves things behind on the bench, in a time of its own."""
    with contextlib.ExitStack() as stack:

        def start(*options: str) -> Demo:
            folder = str(tmp_path / "data")
            running = Demo(tmp_path, "--script", "none", "--data", folder, *options, own_time=True)
            stack.callback(running.stop)
            running.wait()
            return running

        yield start


@pytest.fixture
def own_demo(demo_on: Callable[..., Demo]) -> Demo:
    """The example that the demo shows, for one test alone."""
    return demo_on()


@pytest.fixture(scope="session")
def picture(request: pytest.FixtureRequest) -> Callable[..., None]:
    """Save a picture of a page: the few that are kept in `pictures`, made small; with ``--pictures`` all, in `pictures/all`."""
    asked = request.config.getoption("--pictures")

    def taken(page: Page, name: str, *, kept: bool = False, full: bool = False) -> None:
        if not kept and not asked:
            return
        folder = PICTURES if kept else PICTURES / "all"
        folder.mkdir(parents=True, exist_ok=True)
        path = folder / f"{re.sub(r'[^a-z0-9_]', '_', name)}.{'png' if kept else 'jpg'}"
        if not kept:  # a large picture is packed several times faster so
            page.screenshot(path=path, full_page=full, animations="disabled", type="jpeg", quality=80)
            return
        page.screenshot(path=path, full_page=full, animations="disabled")
        with Image.open(path) as whole:
            small = whole.convert("RGB").quantize(64)
        small.save(path, optimize=True)

    return taken


@pytest.fixture(scope="session")
def until() -> Callable[..., object]:
    """Wait until a script in the page gives something true; asked from here, for the pages forbid `eval`."""

    def waited(page: Page, script: str, argument: object = None, within_s: float = LONG_MS / 1000) -> object:
        deadline = time.monotonic() + within_s
        while not (found := page.evaluate(script, argument)):
            if time.monotonic() > deadline:
                pytest.fail(f"still not so after {within_s:g} s: {script}", pytrace=False)
            page.wait_for_timeout(50)
        return found

    return waited
