"""Faults 32, 37 to 39, 44, 46 and 47: what a stranger on the network can do to a running shop, and may not.

Each is done with real requests from another address of this machine. A stranger is a caller there that is not paired.
"""

from __future__ import annotations

import contextlib
import json
import math
import socket
import statistics
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from attacked_shop import AttackedShop, attacked_shop, begin_job
from waiting import until, within_s
from websockets.exceptions import ConnectionClosed, WebSocketException
from websockets.sync.client import ClientConnection

pytestmark = pytest.mark.faults
READABLE = ("/api/jobs/1/sheet.pdf", "/api/jobs/1/sheet.json", "/api/jobs/1/job.zip", "/api/latest")
VIEWERS = 24
MOST_BEGIN_S = 0.3
CROWDED = 50
"""Measurements begun and finished under viewers; of the 100 requests the p99 is the slowest but one."""


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[AttackedShop]:
    with attacked_shop(tmp_path_factory.mktemp("attacked")) as running:
        until(lambda: running.bench.get("/api/latest").json()["latest"]["dial_a"], "readings come")
        yield running


@pytest.fixture(scope="module")
def tablets(shop: AttackedShop) -> list[dict[str, str]]:
    """Two screens, paired before any stranger came; the cookie of each."""
    return [shop.paired(name) for name in ("Tablet to be revoked", "Tablet that finds room")]


@pytest.fixture(scope="module", autouse=True)
def job(tablets: list[dict[str, str]], shop: AttackedShop) -> int:
    return begin_job(shop)


def raw(shop: AttackedShop, text: bytes, source: str = "") -> bytes:
    """Send bytes to the service from the network, and give all that it answers."""
    with socket.create_connection((source or shop.far, shop.port), timeout=20) as one:
        one.sendall(text)
        told = b""
        with contextlib.suppress(OSError):
            while part := one.recv(65_536):
                told += part
        return told


def head(shop: AttackedShop, first: str, *lines: str) -> bytes:
    return "\r\n".join([first, f"Host: {shop.far}:{shop.port}", *lines, "", ""]).encode()


# -- 32: bodies


def spooled(shop: AttackedShop) -> int:
    """Bytes in files that the service holds open under the temporary folder, unlinked or not."""
    total = 0
    for one in Path(f"/proc/{shop.process.pid}/fd").iterdir():
        with contextlib.suppress(OSError):
            path = one.readlink()
            is_own = path.is_relative_to(shop.data) or path == shop.log
            if path.is_relative_to("/tmp") and not is_own and one.stat().st_mode & 0o100000:
                total += one.stat().st_size
    return total


def test_a_stranger_that_drips_gigabytes_at_pairing_is_refused_at_4_kb(
    shop: AttackedShop, measured: Any
) -> None:
    part = b'--b\r\nContent-Disposition: form-data; name="code"; filename="f"\r\n\r\n'
    lines = ("Content-Type: multipart/form-data; boundary=b", "Transfer-Encoding: chunked")
    taken, statuses, most = [], [], 0
    with contextlib.ExitStack() as stack:
        senders = []
        for _ in range(6):
            one = stack.enter_context(socket.create_connection((shop.far, shop.port), timeout=5))
            one.sendall(head(shop, "POST /pair HTTP/1.1", *lines) + b"%x\r\n%s\r\n" % (len(part), part))
            senders.append(one)
        for one in senders:
            sent = 0
            with contextlib.suppress(OSError):
                while sent < 8 << 20:
                    one.sendall(b"4000\r\n" + b"x" * 0x4000 + b"\r\n")
                    sent += 0x4000
            taken.append(sent)
            most = max(most, spooled(shop))
            with contextlib.suppress(OSError):
                statuses.append(one.recv(200)[:12])
    assert max(taken) < 4 << 20, "the connection was cut long before"
    assert most < 1 << 20, f"{most} bytes were spooled to disk"
    assert set(statuses) <= {b"HTTP/1.1 413", b""}
    said = raw(
        shop,
        head(
            shop,
            "POST /pair HTTP/1.1",
            "Content-Type: application/x-www-form-urlencoded",
            "Content-Length: 5000",
        ),
    )
    assert said.startswith(b"HTTP/1.1 413")
    assert b"4 kB" in said
    measured(32, "gigabytes to /pair, six times", f"cut within {max(taken) >> 10} kB, {most} B on disk")


@pytest.mark.parametrize("path", ["/api/traces", "/api/jobs/from_file"])
def test_files_are_taken_from_the_paired_alone_and_only_where_they_belong(
    shop: AttackedShop, path: str
) -> None:
    form = "Content-Type: multipart/form-data; boundary=b"
    assert raw(shop, head(shop, f"POST {path} HTTP/1.1", form, "Content-Length: 90000000")).startswith(
        b"HTTP/1.1 401"
    )
    for small in ("/api/engines", "/api/measurements", "/pair/revoke"):
        told = shop.bench.post(small, files={"file": b"x" * 70_000})
        assert told.status_code == 413, told.text
    large = shop.bench.post(path, files={"file": b"x" * 70_000})
    assert large.status_code == 422, "too long for a form, not for a file; this one makes no sense"


def test_a_header_without_an_end_is_cut(shop: AttackedShop, measured: Any) -> None:
    with socket.create_connection((shop.far, shop.port), timeout=5) as one:
        sent = 0
        one.sendall(f"GET / HTTP/1.1\r\nHost: {shop.far}:{shop.port}\r\nX: ".encode())
        with contextlib.suppress(OSError):
            while sent < 64 << 20:
                one.sendall(b"x" * 65_536)
                sent += 65_536
    measured(32, "gigabytes to /pair, six times", f"endless header cut within {sent >> 10} kB")
    assert sent < 16 << 20


# -- 37: revoked while it watches


@pytest.mark.two
def test_a_screen_that_is_revoked_while_it_watches_is_cut_within_a_second(
    shop: AttackedShop, tablets: list[dict[str, str]], measured: Any
) -> None:
    number = shop.bench.get("/api/pairing/screens").json()["screens"][0]["number"]
    with shop.live(shop.far, additional_headers=tablets[0]) as watching, shop.live() as other:
        assert json.loads(watching.recv(5))["kind"] == "hello"
        began_s = time.monotonic()
        assert shop.bench.delete(f"/api/pairing/screens/{number}").status_code == 200
        with pytest.raises(ConnectionClosed) as told:
            while time.monotonic() < began_s + 10:
                watching.recv(10)
        cut_s = time.monotonic() - began_s
        assert told.value.rcvd is not None
        assert told.value.rcvd.code == 1008
        assert json.loads(other.recv(5))["kind"]
    measured(37, "revoked while it watches", f"cut after {cut_s:.2f} s")
    assert cut_s < within_s(1.0)


# -- 38: wrong codes all day


def test_while_a_stranger_types_wrong_codes_the_bench_itself_can_pair(
    shop: AttackedShop, measured: Any
) -> None:
    with httpx.Client(base_url=shop.far_url) as stranger:
        wrong = [
            stranger.post("/pair", data={"code": "0000 0000", "name": "V"}).status_code for _ in range(12)
        ]
    assert wrong[-1] == 429
    code = shop.bench.post("/api/pairing/code").json()["code"]
    own = httpx.post(f"http://127.0.0.1:{shop.port}/pair", data={"code": code, "name": "Bench's own"})
    measured(38, "wrong codes all day", f"stranger {wrong[-1]}, the bench's own screen {own.status_code}")
    assert own.status_code == 303


# -- 39: all the room taken


def test_strangers_that_take_every_place_leave_room_for_the_bench_and_the_paired(
    shop: AttackedShop, tablets: list[dict[str, str]], measured: Any
) -> None:
    token = tablets[1]
    refused = 0
    with contextlib.ExitStack() as stack:
        watching: list[ClientConnection] = []
        for _ in range(60):
            try:
                one = stack.enter_context(shop.live(shop.far, open_timeout=5))
                one.recv(5)
                watching.append(one)
            except (WebSocketException, OSError, TimeoutError):
                refused += 1
        silent = []
        for _ in range(120):
            with contextlib.suppress(OSError):
                one_silent = stack.enter_context(socket.create_connection((shop.far, shop.port), timeout=5))
                one_silent.sendall(b"GET / HTTP/1.1\r\n")
                silent.append(one_silent)
        seen = httpx.get(f"{shop.far_url}/api/latest", headers=token, timeout=5)
        assert seen.status_code == 200
        for host, headers in ((shop.far, token), ("127.0.0.1", {})):
            with shop.live(host, additional_headers=headers, open_timeout=5) as screen:
                assert json.loads(screen.recv(5))["kind"] == "hello"
        assert shop.bench.get("/api/latest").status_code == 200
    measured(
        39, "live connections of strangers", f"{len(watching)} let in, {refused} not; bench and paired in"
    )
    assert len(watching) < 60


# -- 46: addresses and words that make no sense


@pytest.mark.parametrize(
    "path",
    [
        "/static/a%00b.js",
        "/static/" + "a" * 300,
        "/static/" + "a/" * 2000,
        "/static/%ED%A0%80.js",
        "/static/..%2fapp.py",
        "/static/bench.js%0aWARNING:forged",
        "/api/jobs/%00",
        "/jobs/1%0d%0aX-Forged:1",
    ],
)
def test_an_address_that_makes_no_sense_gets_4xx_and_no_traceback(shop: AttackedShop, path: str) -> None:
    before = len(shop.logged())
    told = raw(shop, head(shop, f"GET {path} HTTP/1.1", "Connection: close"))
    status = int(told.split(b" ", 2)[1])
    assert 400 <= status < 500, told[:300]
    said = shop.logged()[before:]
    assert "Traceback" not in said
    assert said.count("\n") <= 1
    assert not any(line.startswith("WARNING:forged") for line in said.splitlines())


INVISIBLE = ["\u200b", "\u2060\u200d", "\u3164", "\u2800", "\u00ad", "\ufe0f"]
UNSPEAKABLE = ["a\ud800b", "a\u0000b", "a\u202eb", "line\u2028break", "a\x1b[31m", *INVISIBLE]


@pytest.mark.parametrize("word", UNSPEAKABLE)
def test_names_that_cannot_be_read_are_refused_in_one_sentence(
    shop: AttackedShop, job: int, word: str
) -> None:
    before = len(shop.logged())
    sent: list[tuple[str, Any]] = [
        ("/api/jobs", {"reference": word, "engine_id": 1, "card_id": 1}),
        (
            "/api/engines",
            {"layout": "twin cam", "engine": {"name": word, "cylinders": ["1"], "firing_order": ["1"]}},
        ),
        ("/api/cards", {"card": {"name": word, "way": "full_lift"}}),
        (f"/api/jobs/{job}/sign", {"by": word, "statement": "done"}),
        (f"/api/jobs/{job}/facts", {"what": {"kind": "noted", "text": word}, "by": word}),
        (f"/api/jobs/{job}/press", {"by": word}),
    ]
    for path, body in sent:
        told = shop.bench.post(
            path, content=json.dumps(body).encode(), headers={"Content-Type": "application/json"}
        )
        assert told.status_code == 422, f"{path}: {told.status_code} {told.text}"
        assert told.json()["message"]
    said = shop.logged()[before:]
    assert "Traceback" not in said
    assert said.count("\n") <= len(sent)


# -- 47: other sites, and proxies


@pytest.mark.parametrize("site", ["cross-site", "same-site"])
@pytest.mark.parametrize("path", READABLE)
def test_another_site_cannot_fetch_what_a_person_may_open(
    shop: AttackedShop, job: int, site: str, path: str
) -> None:
    for base in (f"http://127.0.0.1:{shop.port}", shop.far_url):
        for mode, dest in (("no-cors", "image"), ("cors", "empty"), ("navigate", "iframe")):
            fetched = httpx.get(
                base + path, headers={"Sec-Fetch-Site": site, "Sec-Fetch-Mode": mode, "Sec-Fetch-Dest": dest}
            )
            assert (fetched.status_code, fetched.json()["code"]) == (403, "wrong_origin")
        opened = httpx.get(
            base + path,
            headers={"Sec-Fetch-Site": site, "Sec-Fetch-Mode": "navigate", "Sec-Fetch-Dest": "document"},
            timeout=30,
        )
        assert opened.status_code == 200


@pytest.mark.parametrize(
    "header",
    [
        "X-Forwarded-For: 127.0.0.1",
        "Forwarded: for=127.0.0.1",
        "Via: 1.1 proxy",
        "X-Real-IP: ::1",
        "X-Forwarded-Host: a",
    ],
)
def test_a_request_that_came_through_a_proxy_is_not_the_bench(
    shop: AttackedShop, header: str, measured: Any
) -> None:
    name, value = header.split(": ")
    told = shop.bench.post("/api/pairing/code", headers={name: value})
    assert (told.status_code, told.json()["code"]) == (403, "bench_only")
    changed = shop.bench.post("/api/engines", json={}, headers={name: value})
    assert changed.status_code == 401
    measured(47, "cross-site reads; forwarding headers", "403 and 401")


# -- 44: greedy viewers


def _ask_without_end(shop: AttackedShop, number: int, stop: threading.Event, told: list[int]) -> None:
    paths = ("/api/jobs/1/sheet.pdf", "/api/jobs?words=mellor", "/api/measurements/1/trace?max_points=3000")
    with httpx.Client(base_url=shop.far_url, timeout=60) as viewer:
        while not stop.is_set():
            with contextlib.suppress(httpx.HTTPError):
                told.append(viewer.get(paths[number % len(paths)]).status_code)


def _begin_and_finish(shop: AttackedShop, times: int) -> tuple[list[float], list[float]]:
    begins, finishes = [], []
    for _ in range(times):
        began_s = time.monotonic()
        begun = shop.bench.post("/api/measurements", json={"touches": "piston_1", "gauge": "dial_a"})
        begins.append(time.monotonic() - began_s)
        assert begun.status_code == 201, begun.text
        time.sleep(0.2)
        began_s = time.monotonic()
        ended = shop.bench.post(f"/api/measurements/{begun.json()['id']}/finish")
        finishes.append(time.monotonic() - began_s)
        assert ended.status_code == 200, ended.text
    return begins, finishes


@pytest.mark.alone
def test_begin_and_finish_are_prompt_under_24_greedy_viewers(
    shop: AttackedShop, job: int, measured: Any
) -> None:
    alone = _begin_and_finish(shop, 8)
    stop, told = threading.Event(), list[int]()
    viewers = [threading.Thread(target=_ask_without_end, args=(shop, n, stop, told)) for n in range(VIEWERS)]
    for one in viewers:
        one.start()
    try:
        time.sleep(1.0)
        crowded = _begin_and_finish(shop, CROWDED)
    finally:
        stop.set()
        for one in viewers:
            one.join(70)
    median = [statistics.median(times) for times in (*alone, *crowded)]
    both = sorted(crowded[0] + crowded[1])
    p99, worst = both[math.ceil(0.99 * len(both)) - 1], both[-1]
    measured(
        44,
        "24 viewers ask for PDFs and searches",
        f"begin {median[2] * 1e3:.0f} ms (alone {median[0] * 1e3:.0f}), finish {median[3] * 1e3:.0f} ms "
        f"(alone {median[1] * 1e3:.0f}), p99 {p99 * 1e3:.0f} ms, worst {worst * 1e3:.0f} ms; "
        f"viewers were answered {len(told)} times",
    )
    assert told.count(200), "viewers still see something"
    # A busy machine is slow without viewers too, so the figure is held against the same work done alone.
    assert median[2] < max(MOST_BEGIN_S, 3 * max(alone[0]))
    assert median[3] < max(MOST_BEGIN_S, 3 * max(alone[1]))


def test_the_service_is_well_after_all_this(shop: AttackedShop) -> None:
    assert shop.process.poll() is None
    assert until(lambda: shop.bench.get("/api/latest").json()["latest"]["dial_a"], "readings still come")
    assert len(list(Path(f"/proc/{shop.process.pid}/fd").iterdir())) < 200
