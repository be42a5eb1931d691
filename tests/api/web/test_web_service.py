"""The web service as it runs: pages, files, errors, access, the live feed, traces out and in."""

from __future__ import annotations

import contextlib
import json
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import pytest
from command import lobewright
from waiting import LOBEWRIGHT, until
from websockets.exceptions import InvalidStatus
from websockets.sync.client import ClientConnection, connect

from simulated_devices.traces import random_tdc

Fields = dict[str, Any]
PAGES = ["/", "/wall", "/jobs", "/traces", "/instruments", "/help"]


@dataclass
class Running:
    """A service that runs, with the simulator behind it."""

    web: httpx.Client
    control: httpx.Client
    data: Path

    def live(self, **options: Any) -> ClientConnection:
        return connect(f"ws://{self.web.base_url.netloc.decode()}/live", compression=None, **options)

    def begin(self, touches: str = "piston_1", gauge: str = "dial_a", **more: Any) -> int:
        answer = self.web.post("/api/measurements", json={"touches": touches, "gauge": gauge, **more})
        assert answer.status_code == 201, answer.text
        return int(answer.json()["id"])

    def turn(self, **move: Any) -> None:
        answer = self.control.post("/hand", json={"moves": [move], "wait_s": 60})
        assert answer.json()["done"], answer.text


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    folder = tmp_path_factory.mktemp("service")
    links, data, bench = folder / "links", folder / "data", folder / "bench.toml"
    scenario = ["--scenario", "hollin_lane_twin_cam", "--links", str(links)]
    options = [*scenario, "--control", "127.0.0.1:0", "--bench-file", str(bench)]
    simulator = subprocess.Popen(
        [sys.executable, "-m", "simulated_devices", *options],
        stdout=subprocess.PIPE,
        text=True,
    )
    assert simulator.stdout is not None
    control = simulator.stdout.readline().rsplit(" ", 1)[1].strip()
    service = subprocess.Popen(
        [*LOBEWRIGHT, "run", "--bench", str(bench), "--data", str(data), "--port", "0"]
    )
    try:
        url = until(lambda: json.loads((data / "web.json").read_text())["url"], "the service has an address")
        with (
            httpx.Client(base_url=url, timeout=30) as web,
            httpx.Client(base_url=control, timeout=90) as bench_,
        ):
            shop = Running(web, bench_, data)
            until(lambda: web.get("/api/latest").json()["latest"]["dial_a"], "readings come")
            yield shop
    finally:
        for process in (service, simulator):
            process.terminate()
            process.wait(10)
        simulator.stdout.close()


# -- pages and files


@pytest.mark.parametrize("path", PAGES)
def test_every_page_is_served_with_its_guards(running: Running, path: str) -> None:
    answer = running.web.get(path)
    assert answer.status_code == 200
    assert answer.headers["content-type"].startswith("text/html")
    policy = answer.headers["content-security-policy"]
    assert "default-src 'self'" in policy
    assert "unsafe-eval" not in policy
    assert "script-src" not in policy, "scripts fall under default-src: no inline ones"
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert "<script>" not in answer.text


def test_files_are_compressed_and_not_sent_twice(running: Running) -> None:
    plotly = running.web.get("/static/plotly.min.js")
    assert plotly.status_code == 200
    assert plotly.headers["content-encoding"] == "gzip"
    assert b"plotly.js" in plotly.content[:400]
    assert int(plotly.headers["content-length"]) < 1_600_000
    again = running.web.get("/static/plotly.min.js", headers={"If-None-Match": plotly.headers["etag"]})
    assert (again.status_code, again.content) == (304, b"")
    plain = running.web.get("/static/shop.css", headers={"Accept-Encoding": "identity"})
    assert "content-encoding" not in plain.headers
    assert plain.headers["etag"] != plotly.headers["etag"]


@pytest.mark.parametrize("path", ["/static/../app.py", "/static/%2e%2e/app.py", "/static/", "/static/nix.js"])
def test_no_file_outside_the_folder_is_served(running: Running, path: str) -> None:
    with socket.create_connection((running.web.base_url.host, running.web.base_url.port)) as raw:
        raw.sendall(f"GET {path} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n".encode())
        answer = b"".join(iter(lambda: raw.recv(65536), b""))
    assert answer.startswith(b"HTTP/1.1 404")
    assert b"FastAPI" not in answer


def test_addresses_are_told_with_a_code_for_phones(running: Running) -> None:
    told = running.web.get("/api/addresses").json()
    assert told["addresses"] == [str(running.web.base_url).rstrip("/")]
    assert told["qr"].startswith("data:image/svg+xml")


# -- errors


@pytest.mark.parametrize(
    ("asked", "body", "status", "words"),
    [
        (("GET", "/api/nix"), None, 404, "nothing at this address"),
        (("GET", "/api/measurements/99999"), None, 404, "no measurement 99999"),
        (("GET", "/api/measurements/nix"), None, 422, "number"),
        (("GET", "/api/measurements/0"), None, 422, "greater than"),
        (("GET", "/api/measurements/1/trace?max_points=1"), None, 422, "max_points"),
        (("DELETE", "/api/measurements"), None, 405, "DELETE is not possible"),
        (("POST", "/api/measurements"), b"not json", 422, "dictionary"),
        (("POST", "/api/measurements"), {}, 422, "touches"),
        (("POST", "/api/measurements"), {"touches": "piston_1", "gauge": "nix"}, 404, "no gauge nix"),
        (("POST", "/api/measurements"), {"touches": "piston_1"}, 409, "dial_a, dial_b; say which"),
        (("POST", "/api/measurements"), {"touches": "<b>", "gauge": "dial_a"}, 422, "touches"),
        (
            ("POST", "/api/measurements"),
            {"touches": "piston_1", "gauge": "dial_a", "what": "lobe"},
            422,
            "cannot give",
        ),
        (("POST", "/api/measurements"), {"touches": "inlet_1", "gauge": "dial_a", "typo": 1}, 422, "typo"),
        (
            ("POST", "/api/measurements"),
            {"touches": "inlet_1", "gauge": "dial_a", "lobe": {"drop_mm": 0}},
            422,
            "drop_mm",
        ),
        (
            ("POST", "/api/measurements"),
            {"touches": "piston_1", "gauge": "dial_a", "tdc": {"rod_mm": 9}},
            422,
            "stroke",
        ),
        (("POST", "/api/measurements/99999/finish"), {}, 404, "no measurement 99999"),
        (("POST", "/api/traces"), None, 422, "file"),
    ],
)
def test_what_cannot_be_done_is_told_in_a_sentence(
    running: Running, asked: tuple[str, str], body: Any, status: int, words: str
) -> None:
    sent = {"content": body} if isinstance(body, bytes) else {"json": body} if body is not None else {}
    answer = running.web.request(*asked, **sent)
    assert answer.status_code == status, answer.text
    told = answer.json()
    assert set(told) == {"code", "message"}
    assert words in told["message"]
    assert "\n" not in told["message"]


def test_wrong_hosts_and_origins_are_turned_away(running: Running) -> None:
    for path in ("/", "/api/bench", "/static/shop.css"):
        assert running.web.get(path, headers={"Host": "evil.example"}).status_code == 400
    posted = running.web.post("/api/measurements", json={}, headers={"Origin": "http://evil.example"})
    assert (posted.status_code, posted.json()["code"]) == (403, "wrong_origin")
    for options, status in (
        ({"origin": "http://evil.example"}, 403),
        ({"additional_headers": {"Host": "evil.example"}}, 400),
    ):
        with pytest.raises(InvalidStatus) as refused, running.live(**options):
            pass
        assert refused.value.response.status_code == status
    own = f"http://{running.web.base_url.netloc.decode()}"
    with running.live(origin=own) as screen:
        assert json.loads(screen.recv(5))["kind"] == "hello"


# -- measurements


def test_a_crank_that_does_not_turn_is_refused_and_the_refusal_is_kept(running: Running) -> None:
    number = running.begin()
    time.sleep(1.5)
    ended = running.web.post(f"/api/measurements/{number}/finish").json()
    assert ended["state"] == "refused"
    assert ended["result"] is None
    assert len(ended["sentence"]) > 20
    detail = running.web.get(f"/api/measurements/{number}").json()
    assert detail["error"]["message"] == ended["sentence"]
    assert list((running.data / "drawings").iterdir()), "the finish hands its drawing on"
    assert running.web.get(f"/api/measurements/{number}/trace").status_code == 200


def test_a_gauge_measures_one_thing_at_a_time_and_ends_once(running: Running) -> None:
    number = running.begin()
    other = running.web.post("/api/measurements", json={"touches": "inlet_1", "gauge": "dial_a"})
    assert (other.status_code, other.json()["code"]) == (409, "gauge_in_use")
    assert running.web.post(f"/api/measurements/{number}/discard").json()["state"] == "discarded"
    for deed in ("finish", "discard"):
        again = running.web.post(f"/api/measurements/{number}/{deed}")
        assert (again.status_code, again.json()["code"]) == (409, "already_ended")
    listed = running.web.get("/api/measurements").json()["measurements"]
    assert number not in [one["id"] for one in listed]
    listed = running.web.get("/api/measurements?state=discarded").json()["measurements"]
    assert number in [one["id"] for one in listed]


def test_two_screens_that_finish_at_once_get_one_result_and_one_sentence(running: Running) -> None:
    number = running.begin()
    time.sleep(0.5)
    with ThreadPoolExecutor(2) as screens:
        both = [screens.submit(running.web.post, f"/api/measurements/{number}/finish") for _ in range(2)]
    assert sorted(one.result().status_code for one in both) == [200, 409]
    assert running.web.get(f"/api/measurements/{number}").json()["state"] in {"finished", "refused"}


# -- the live feed


def heard(screen: ClientConnection, seconds: float) -> list[tuple[float, Fields]]:
    found = []
    began = time.monotonic()
    while (left := began + seconds - time.monotonic()) > 0:
        with contextlib.suppress(TimeoutError):
            message = json.loads(screen.recv(left))
            found.append((time.monotonic() - began, message))
    return found


def test_a_screen_hears_hello_first_then_a_heartbeat_and_fresh_readings(running: Running) -> None:
    with running.live() as screen:
        messages = heard(screen, 4.0)
    kinds = [message["kind"] for _, message in messages]
    assert kinds[0] == "hello"
    assert messages[0][1]["channels"][0]["name"] == "crank"
    beats = [message for _, message in messages if message["kind"] == "health"]
    assert len(beats) >= 4
    assert all(beat["capture_alive"] for beat in beats)
    assert all(channel["age_s"] is not None for beat in beats for channel in beat["channels"])
    assert 20 < kinds.count("readings") <= 4.0 * 60 + 2


def test_points_of_a_measurement_come_whole_to_a_screen_that_comes_late(running: Running) -> None:
    running.control.post("/gauge", json={"gauge": "dial_a", "onto": "piston_1"})
    number = running.begin()
    with running.live() as early:
        running.turn(do="turn_by", by_deg=40.0, speed_deg_s=20.0)
        with running.live() as late:
            time.sleep(1.0)
            curves = [points_of(heard(screen, 0.5), number) for screen in (early, late)]
    until(
        lambda: (hello(running)["centre"] or {}).get("measurement_id") == number, "its estimate is told too"
    )
    running.web.post(f"/api/measurements/{number}/discard")
    assert hello(running)["centre"] is None
    assert len(curves[0]) > 15
    shorter = min(len(curve) for curve in curves)
    assert curves[0][:shorter] == curves[1][:shorter]
    assert abs(len(curves[0]) - len(curves[1])) < 10


def hello(running: Running) -> Fields:
    with running.live() as screen:
        first: Fields = json.loads(screen.recv(5))
    return first


def points_of(messages: list[tuple[float, Fields]], number: int) -> list[tuple[float, float, int]]:
    curve: list[tuple[float, float, int]] = []
    for _, message in messages:
        points = message.get("points")
        if points and points["measurement_id"] == number:
            assert points["first"] <= len(curve), "a hole in the curve"
            del curve[points["first"] :]
            curve += zip(points["crank_deg"], points["gauge_mm"], points["way"], strict=True)
    return curve


def test_a_screen_that_stops_reading_is_cut_and_holds_up_nobody(running: Running) -> None:
    address = running.web.base_url.host, running.web.base_url.port
    asked = (
        "GET /live HTTP/1.1\r\nHost: localhost\r\nUpgrade: websocket\r\nConnection: Upgrade\r\n"
        "Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\nSec-WebSocket-Version: 13\r\n\r\n"
    )
    with socket.create_connection(address) as stopped, running.live() as screen:
        stopped.sendall(asked.encode())
        assert stopped.recv(200).startswith(b"HTTP/1.1 101")
        count = lambda: running.web.get("/api/health").json()["screens"]  # noqa: E731
        until(lambda: count() == 2, "both screens are there", 5)
        began = time.monotonic()
        longest = silent = 0.0
        while count() == 2:
            assert time.monotonic() - began < 20, "the stopped screen was never cut"
            silent = time.monotonic()
            screen.recv(5)
            longest = max(longest, time.monotonic() - silent)
        # A service that waited for the stopped screen would have done so for five seconds.
        assert longest < 2.5, "the other screen had to wait"


# -- traces out and in


def test_a_trace_goes_out_and_comes_in_again_by_command(running: Running, tmp_path: Path) -> None:
    path = tmp_path / "mine.csv"
    trace = random_tdc(np.random.default_rng(5), "rocking").trace
    rows = "".join(f"{t!r},{channel},{value!r}\n" for t, channel, value in trace.rows())
    path.write_text("time_s,channel,value\n" + rows)
    told = lobewright("import", str(path), "--touches", "piston_1", "--data", str(running.data))
    assert told.returncode == 0, told.stderr
    newest = running.web.get("/api/measurements").json()["measurements"][0]
    off_deg = (newest["result"]["centre_deg"] - trace.truth.tdc_deg + 180) % 360 - 180
    assert abs(off_deg) < 2 * newest["result"]["u95_deg"]
    again = lobewright("import", str(path), "--touches", "piston_1", "--data", str(running.data))
    assert again.returncode == 2
    assert again.stderr == f"lobewright: {path}: this trace is there already, as number {newest['id']}.\n"
    told = lobewright("export", str(newest["id"]), "--to", str(tmp_path / "out"), "--data", str(running.data))
    exported = Path(told.stdout.strip())
    other = lobewright("import", str(exported), "--data", str(tmp_path / "other"))
    assert other.returncode == 0, other.stderr
    assert newest["sentence"] in other.stdout
    back = lobewright("export", "--to", str(tmp_path / "back"), "--data", str(tmp_path / "other"))
    assert numbers_in(Path(back.stdout.strip())) == numbers_in(exported)


def numbers_in(path: Path) -> list[str]:
    return [line for line in path.read_text().splitlines() if not line.startswith("#")]


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ("time_s,value\n", "the header lacks the column channel"),
        ("time_s,channel,value\n0,crank_deg,1\n1,dial_mm,nan\n", "line 3: the column value holds 'nan'"),
        ("time_s,channel,value\n0,crank_deg,1\n1,dial_mm,1\n", "touches"),
    ],
)
def test_a_bad_trace_is_not_taken_in(running: Running, tmp_path: Path, content: str, words: str) -> None:
    path = tmp_path / "bad.csv"
    path.write_text(content)
    for data in (running.data, tmp_path / "alone"):
        told = lobewright("import", str(path), "--data", str(data))
        assert told.returncode == 2
        assert words in told.stderr
        assert len(told.stderr.splitlines()) == 1
