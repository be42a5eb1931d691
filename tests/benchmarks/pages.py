"""How heavy, how quick and how smooth the pages are, each figure against its limit in the same run.

    python tests/benchmarks/pages.py                    all of it, about two minutes
    python tests/benchmarks/pages.py weight frames      some of it

weight    bytes over the wire on the first load of every page and on the second, compressed
latency   from the wire (capture's stamp) to the painted number, while a fit runs: 1 screen, 10, 10 beside 5 that have stopped reading, and
          10 that this one machine draws
frames    frames a second of the bench page with a five-minute trace in it, still growing
million   time from asking for the page of a trace of a million readings until its curve is painted: at the first
          opening ever and at later ones; and until it can be read off and moved about
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Iterator

from page_feed import LONG_TRACE_S, MESSAGES_HZ, feed_of_a_lobe, lift_mm
from playwright.sync_api import Browser, Page, WebSocketRoute, sync_playwright
from websockets.sync.client import connect

FIRST_LOAD_LIMIT = 2_000_000
SECOND_LOAD_LIMIT = 50_000
LATENCY_LIMIT_MS = 33.0
FRAMES_LIMIT = 30.0
MILLION_FIRST_LIMIT_S, MILLION_LIMIT_S = 0.6, 0.3
PAGES = ["/", "/wall", "/jobs", "/traces", "/instruments", "/help"]
ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
]


def told(what: str, value: float, limit: float, unit: str, *, at_least: bool = False) -> None:
    """One line: what, value, limit, their ratio, and whether it holds."""
    holds = value >= limit if at_least else value <= limit
    word = "holds" if holds else "MISSED"
    decimals = 2 if unit == "s" else 1
    print(
        f"{what:<58} {value:>12,.{decimals}f} {unit:<3} limit {limit:>11,.1f}  ratio {value / limit:6.2f}  {word}",
        flush=True,
    )


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextlib.contextmanager
def demo() -> Iterator[str]:
    """A running demo whose crank is turned without end."""
    port, control = free_port(), free_port()
    folder = tempfile.mkdtemp()
    command = [sys.executable, "-m", "api", "demo", "--script", "none"]
    process = subprocess.Popen(
        [*command, "--port", str(port), "--control-port", str(control)],
        cwd=folder,
        env={**os.environ, "HOME": folder},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    url = f"http://127.0.0.1:{port}"
    try:
        _wait_for(url)
        moves = {"moves": [{"do": "sweep", "speed_deg_s": 30}]}
        request = urllib.request.Request(
            f"http://127.0.0.1:{control}/hand",
            json.dumps(moves).encode(),
            {"Content-Type": "application/json"},
        )
        urllib.request.urlopen(request, timeout=20).close()
        yield url
    finally:
        process.send_signal(signal.SIGINT)
        process.wait(30)
        shutil.rmtree(folder, ignore_errors=True)


def _wait_for(url: str) -> None:
    until = time.monotonic() + 60
    while time.monotonic() < until:
        with (
            contextlib.suppress(OSError, urllib.error.URLError),
            urllib.request.urlopen(f"{url}/api/bench") as answer,
        ):
            if json.load(answer)["health"]["capture_alive"]:
                return
        time.sleep(0.2)
    raise SystemExit("the demo did not start")


# -- weight


def weight(browser: Browser, url: str) -> None:
    """Bytes over the wire, first with an empty cache, then with a full one."""
    for path in [*PAGES, f"/jobs/{_any_job(url)}", f"/traces/{_any_trace(url)}"]:
        context = browser.new_context()
        page = context.new_page()
        first, second = _bytes_of(page, url + path), _bytes_of(page, url + path)
        context.close()
        told(f"{path}: first load", first, FIRST_LOAD_LIMIT, "B")
        told(f"{path}: second load", second, SECOND_LOAD_LIMIT, "B")


def _bytes_of(page: Page, url: str) -> float:
    session = page.context.new_cdp_session(page)
    session.send("Network.enable")
    sizes: list[float] = []
    session.on("Network.loadingFinished", lambda event: sizes.append(event["encodedDataLength"]))
    page.goto(url, wait_until="networkidle")
    page.wait_for_timeout(1500)
    session.detach()
    return sum(sizes)


def _any_trace(url: str) -> int:
    """Measure true TDC for a moment; whatever comes of it can be looked at."""
    begun = _post(f"{url}/api/measurements", {"what": "tdc", "touches": "piston_1", "gauge": "dial_a"})
    time.sleep(13)
    _post(f"{url}/api/measurements/{begun['id']}/finish", {})
    return int(begun["id"])


def _any_job(url: str) -> int:
    """Begin a job that the bench does not serve."""
    engine = {"name": "Tarn 1.8 twin-cam", "cylinders": list("1234"), "firing_order": list("1342")}
    half = {"full_lift_deg": 108.0, "drop_mm": 1.27, "lift_mm": 9.4, "checking_clearance_mm": 0.25}
    card = {"name": "Whinfell 262", "way": "full_lift", "inlet": half, "exhaust": half}
    entry = {
        "reference": "HL-0417",
        "engine_id": _post(f"{url}/api/engines", {"layout": "twin cam", "engine": engine})["id"],
        "card_id": _post(f"{url}/api/cards", {"card": card})["id"],
        "open": False,
    }
    return int(_post(f"{url}/api/jobs", entry)["id"])


def _post(url: str, body: dict) -> dict:
    request = urllib.request.Request(url, json.dumps(body).encode(), {"Content-Type": "application/json"})
    with urllib.request.urlopen(request, timeout=60) as answer:
        return dict(json.load(answer))


# -- latency

PAINTED = """() => {
  window.delays = [];
  let last = 0;
  document.addEventListener("painted", ({ detail }) => {
    if (detail.wallMs > last) window.delays.push(detail.atMs - detail.wallMs);
    last = Math.max(last, detail.wallMs);
  });
}"""


def latency(browser: Browser, url: str) -> None:
    """From capture's stamp of the newest reading to the frame that shows it; one clock, one machine.

    The screens of a shop draw on machines of their own. So one page is drawn here, and the other nine are
    links that take every word as fast as it comes; the last line has all ten drawn by this machine as well. True TDC
    is measured meanwhile, so that a fit runs all the time.
    """
    for drawn, reading, stopped in ((1, 0, 0), (1, 9, 0), (1, 9, 5), (10, 0, 0)):
        with contextlib.ExitStack() as others:
            for _ in range(reading):
                others.enter_context(_reading_screen(url))
            for _ in range(stopped):
                others.enter_context(_stopped_screen(url))
            others.enter_context(_measuring(url))
            delays = _delays(browser, url, drawn)
        who = f"{drawn + reading} screen{'s' if drawn + reading > 1 else ''}"
        who += f", {stopped} stopped" if stopped else ", all drawn here" if drawn > 1 else ""
        for share in (0.5, 0.99):
            what = f"wire to painted number, {who}, p{100 * share:.0f}"
            if drawn > 1:  # ten browsers on one machine are no shop: told, and held to nothing
                print(f"{what:<58} {_at(delays, share):>12,.1f} ms", flush=True)
            else:
                told(what, _at(delays, share), LATENCY_LIMIT_MS, "ms")


def _delays(browser: Browser, url: str, screens: int) -> list[float]:
    pages = []
    for _ in range(screens):
        page = browser.new_context(viewport={"width": 390, "height": 844}).new_page()
        page.goto(url)
        pages.append(page)
    for page in pages:
        page.wait_for_selector("#bench-state[data-state=live]")
        page.evaluate(PAINTED)
    pages[0].wait_for_timeout(8000)
    delays = sorted(delay for page in pages for delay in page.evaluate("window.delays"))
    for page in pages:
        page.context.close()
    return delays


@contextlib.contextmanager
def _measuring(url: str) -> Iterator[None]:
    begun = _post(f"{url}/api/measurements", {"what": "tdc", "touches": "piston_1", "gauge": "dial_a"})
    yield
    _post(f"{url}/api/measurements/{begun['id']}/discard", {})


@contextlib.contextmanager
def _stopped_screen(url: str) -> Iterator[None]:
    """A screen that opens the live link and then never reads a byte of it."""
    host, port = url.removeprefix("http://").split(":")
    with socket.socket() as link:
        link.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        link.connect((host, int(port)))
        link.sendall(
            f"GET /live HTTP/1.1\r\nHost: {host}:{port}\r\nUpgrade: websocket\r\nConnection: Upgrade\r\n"
            "Sec-WebSocket-Key: bG9iZXdyaWdodC1iZW5jaA==\r\nSec-WebSocket-Version: 13\r\n\r\n".encode()
        )
        if not link.recv(12).endswith(b"101"):
            raise SystemExit("the server did not open the live link")
        yield


@contextlib.contextmanager
def _reading_screen(url: str) -> Iterator[None]:
    """A screen elsewhere: takes every word as it comes."""
    with connect(url.replace("http", "ws", 1) + "/live", compression=None) as link:

        def take() -> None:
            for _ in link:
                pass

        thread = threading.Thread(target=take)
        thread.start()
        yield
    thread.join()


def _at(values: list[float], share: float) -> float:
    return values[min(len(values) - 1, int(share * len(values)))]


# -- frames

COUNT_FRAMES = """seconds => new Promise(done => {
  let frames = 0;
  const start = performance.now();
  const step = now => { frames += 1; now - start < seconds * 1000 ? requestAnimationFrame(step) : done(frames / ((now - start) / 1000)); };
  requestAnimationFrame(step);
})"""


def frames(browser: Browser, url: str) -> None:
    """A bench page that was given five minutes of a lobe and goes on being given more, sixty times a second."""
    page = browser.new_context(viewport={"width": 1440, "height": 900}).new_page()
    wire: list[WebSocketRoute] = []
    page.route_web_socket("**/live", lambda route: wire.append(route))
    page.goto(url)
    while not wire:
        page.wait_for_timeout(50)
    feed = feed_of_a_lobe()
    for message in next(feed):
        wire[0].send(message)
    page.wait_for_timeout(1000)
    # Begun and not awaited: the messages have to come while the frames are counted.
    page.evaluate(
        f"() => {{ window.measured = null; ({COUNT_FRAMES})(6).then(fps => {{ window.measured = fps; }}); }}"
    )
    began, sent = time.monotonic(), 0
    while page.evaluate("window.measured") is None:
        due = int((time.monotonic() - began) * MESSAGES_HZ)
        for _ in range(due - sent):
            for message in next(feed):
                wire[0].send(message)
        sent = due
    told(
        f"frames/s, bench page, {LONG_TRACE_S} s trace, {sent / 6:.0f} messages/s",
        page.evaluate("window.measured"),
        FRAMES_LIMIT,
        "/s",
        at_least=True,
    )
    page.context.close()


# -- a million readings


def million(browser: Browser, url: str) -> None:
    """A trace of a million readings, brought in as a file, then opened."""
    address = f"{url}/traces/{_import(url, _million_rows())}"
    first_of_all, _ = _opening(browser.new_context().new_page(), address)
    page = browser.new_context().new_page()
    page.goto(f"{url}/traces")
    _opening(page, address)  # once, so that the scripts are in the cache as in any shop
    took = [_opening(page, address) for _ in range(9)]
    painted, whole = sorted(first for first, _ in took), sorted(last for _, last in took)
    what = "a trace of a million readings, until its curve is painted"
    told(f"{what}, at first", first_of_all, MILLION_FIRST_LIMIT_S, "s")
    told(f"{what}, p50", _at(painted, 0.5), MILLION_LIMIT_S, "s")
    told(f"{what}, slowest of 9", painted[-1], MILLION_FIRST_LIMIT_S, "s")
    print(
        f"{'… and until it can be read off and moved about, p50':<58} {_at(whole, 0.5):>12,.2f} s", flush=True
    )
    page.context.close()


def _opening(page: Page, address: str) -> tuple[float, float]:
    """Open a trace's page; give seconds from asking for it until its curve was painted, and until it is whole."""
    page.goto(address)
    page.wait_for_selector("body[data-ready]", timeout=120_000)
    painted, whole = page.evaluate(
        "() => ['curve-painted', 'page-whole'].map(name => performance.getEntriesByName(name)[0].startTime / 1000)"
    )
    return painted, whole


def _million_rows() -> bytes:
    lines = ["time_s,channel,value"]
    for at in range(950_000):
        time_s = at / 500.0
        lines.append(f"{time_s:.4f},crank_deg,{25.0 * time_s:.2f}")
        if at % 19 == 0:
            lines.append(f"{time_s:.4f},dial_a_mm,{lift_mm(25.0 * (time_s - 0.06)):.2f}")
    return "\n".join(lines).encode()


def _import(url: str, content: bytes) -> int:
    edge = "lobewrightbenchmark"
    head = f'--{edge}\r\nContent-Disposition: form-data; name="touches"\r\n\r\ninlet_1\r\n--{edge}\r\nContent-Disposition: form-data; name="file"; filename="million.csv"\r\nContent-Type: text/csv\r\n\r\n'
    body = head.encode() + content + f"\r\n--{edge}--\r\n".encode()
    request = urllib.request.Request(
        f"{url}/api/traces", body, {"Content-Type": f"multipart/form-data; boundary={edge}"}
    )
    with urllib.request.urlopen(request, timeout=300) as answer:
        return int(json.load(answer)["id"])


PARTS = {"weight": weight, "latency": latency, "frames": frames, "million": million}


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument(
        "parts",
        nargs="*",
        metavar="PART",
        choices=[*PARTS, []],
        help=f"which to run, of {', '.join(PARTS)}; all unless said",
    )
    chosen = parser.parse_args().parts or list(PARTS)
    path = (
        os.environ.get("LOBEWRIGHT_CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")
    )
    with demo() as url, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=ARGUMENTS)
        for part in chosen:
            PARTS[part](browser, url)
        browser.close()


if __name__ == "__main__":
    main()
