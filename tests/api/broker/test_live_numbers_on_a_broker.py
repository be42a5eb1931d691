"""Live numbers on an ordinary broker, a process of its own: what listeners hear, and that nothing of it disturbs a bench.

That topics are kept, and that the broker itself speaks for a client that falls silent, is ISO/IEC 20922:2016, 3.3.1.3
(RETAIN) and 3.1.2.5 (Will Flag).
"""

from __future__ import annotations

import logging
import os
import signal
import socket
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import pytest
from free_ports import free_port
from mosquitto import Listener, Mosquitto
from on_file import CRANK_BENCH
from recorded_instruments import Instruments
from running import RunningShop, running, write_bench
from waiting import until

from api.broker import Broker, broker_of
from api.live import LiveNumbers
from capture.base import BenchFileError
from capture.bench import BrokerOfHouse, parse_bench
from simulated_devices.machine import Hand, Manner
from simulated_devices.scenarios import gauge_of, load_scenario, set_up
from simulated_devices.scenarios.scenario_build import setup_of
from simulated_devices.traces import Trace, record

Fields = dict[str, Any]
NUMBERS = {
    "bench": {"reading": True, "sentence": "All instruments are online.", "channels": {"crank": "online"}},
    "number": {"label": "", "number": None, "interval": None, "unit": "", "settling": False, "verdict": ""},
    "to_go": {"deg": None, "mm": None, "cam_deg": None, "too_far": False, "tone": ""},
    "readings": {"crank": {"value": 12.5, "unit": "deg", "at_ms": 1.0}},
}
PASSWORD = "copper kettle 42"


def rocked() -> Trace:
    """What the instruments say while the crank is rocked over the top."""
    chance = np.random.default_rng(20922)
    scenario = load_scenario("hollin_lane_twin_cam")
    setup = setup_of(
        scenario, Hand(-140.0, Manner(40.0, 0.1), chance).rock(0.0, 45.0, 2, (40.0, 40.0)).done()
    )
    mounting = {"dial_a": set_up(gauge_of(scenario.gauge[0]), "piston_1", setup.engine)}
    return record(type(setup)(setup.engine, setup.motion, setup.encoder, mounting), chance)


@pytest.fixture(scope="module")
def broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Mosquitto]:
    with Mosquitto(tmp_path_factory.mktemp("broker")) as one:
        yield one


@pytest.fixture(scope="module")
def shop(
    tmp_path_factory: pytest.TempPathFactory, broker: Mosquitto
) -> Iterator[tuple[RunningShop, Instruments]]:
    """A bench with instruments on real ports, whose file names the broker."""
    folder: Path = tmp_path_factory.mktemp("bench")
    bench = write_bench(folder)
    with bench.open("a") as file:
        file.write(f'\n[mqtt]\nhost = "127.0.0.1"\nport = {broker.port}\nname = "east"\n')
    instruments = Instruments(folder)
    try:
        with running(folder, bench=bench) as one:
            yield one, instruments
    finally:
        instruments.unplug()


def standing(shop: RunningShop) -> str:
    told: str = httpx.get(f"{shop.url}/api/broker", timeout=10).raise_for_status().json()["state"]
    return told


def say_until_heard(instruments: Instruments, listener: Listener, value: float) -> None:
    """Let the gauge stand at a value, for a leap is believed when it was said again, until that is heard."""

    def heard() -> bool:
        instruments.say_mm(value)
        return listener.parsed("reading/dial_a").get("value") == value

    until(heard, f"{value} is heard")


def measured(client: httpx.Client, instruments: Instruments) -> Fields:
    """Rock a piston and finish; again where the service asks for it, for this machine was too busy to read the lines."""
    body = {"touches": "piston_1", "gauge": "dial_a"}

    def begun() -> int | None:
        answer = client.post("/api/measurements", json=body)
        if answer.status_code == 409 and answer.json()["code"] == "capture_not_running":
            return None  # held up for so long that the service heard nothing of it
        assert answer.status_code == 201, answer.text
        return int(answer.json()["id"])

    for _ in range(5):
        number = until(begun, "a measurement is begun")
        instruments.say(rocked())
        client.post(f"/api/measurements/{number}/finish", json={}).raise_for_status()
        view: Fields = client.get(f"/api/measurements/{number}").raise_for_status().json()
        if (view["error"] or {}).get("code") != "held_up":
            break
    assert view["state"] == "finished", view["sentence"]
    return view


@pytest.mark.slow
def test_a_measurement_is_heard_as_the_page_shows_it_and_by_who_comes_later(
    shop: tuple[RunningShop, Instruments], broker: Mosquitto
) -> None:
    running_shop, instruments = shop
    with Listener(broker.port) as listener, running_shop.client() as client:
        until(lambda: listener.told.get("there") == "there", "the bench says that it is there")
        until(
            lambda: (
                "online" in listener.parsed("bench").get("channels", {}).values() or instruments.say_mm(1.0)
            ),
            "read",
        )
        result = measured(client, instruments)["result"]
        until(lambda: listener.parsed("number").get("settling") is False, "it has settled")
        told = until(
            lambda: listener.parsed("number") if listener.parsed("number")["number"] else None, "a number"
        )
        assert told == client.get("/api/numbers").json()["number"]
        assert told["number"] == pytest.approx(result["centre_deg"])
        assert told["interval"] == pytest.approx(result["u95_deg"])
        assert told["unit"] == "deg"
        say_until_heard(instruments, listener, 3.25)
        assert abs(listener.parsed("reading/dial_a")["at_ms"] / 1e3 - time.time()) < 30
        with Listener(broker.port) as late:
            until(lambda: set(late.told) >= set(listener.told), "all topics are kept")
            assert late.retained >= {"there", "bench", "number", "to_go", "reading/crank", "reading/dial_a"}
            assert late.parsed("number") == told


def test_nothing_that_is_said_on_the_broker_is_heard_by_the_bench(
    shop: tuple[RunningShop, Instruments], broker: Mosquitto
) -> None:
    running_shop, _ = shop
    until(lambda: standing(running_shop) == "telling", "the broker is told")
    before = httpx.get(f"{running_shop.url}/api/bench").json()["measurement"]
    with Listener(broker.port) as stranger:
        for topic in ("start", "bench", "number", "press", "there/set"):
            stranger.client.publish(f"lobewright/east/{topic}", '{"on": true}').wait_for_publish(10)
        until(lambda: "there/set" in stranger.told, "it was said")
    assert httpx.get(f"{running_shop.url}/api/bench").json()["measurement"] == before
    subscribed = [line for line in broker.said().splitlines() if "SUBSCRIBE from lobewright-" in line]
    assert not subscribed


def test_a_broker_that_stops_in_its_tracks_holds_nothing_up_and_gets_the_newest_later(
    shop: tuple[RunningShop, Instruments], broker: Mosquitto
) -> None:
    running_shop, instruments = shop
    until(lambda: standing(running_shop) == "telling", "the broker is told")
    with Listener(broker.port) as listener:
        broker.send_signal(signal.SIGSTOP)
        values = [round(1.0 + step / 100, 2) for step in range(100)]
        for value in values:
            instruments.say_mm(value)
            time.sleep(0.1)
        read = httpx.get(f"{running_shop.url}/api/latest", timeout=10).json()["latest"]["dial_a"]["value"]
        assert read == values[-1]
        until(lambda: standing(running_shop) in {"slow", "away"}, "it is seen")
        broker.send_signal(signal.SIGCONT)
        until(lambda: listener.parsed("reading/dial_a").get("value") == values[-1], "the newest is heard")
        heard = [text for topic, text in listener.heard if topic == "reading/dial_a"]
        assert len(heard) < len(values) / 2, "what was missed is left out, not queued"


def test_a_broker_that_was_killed_is_told_all_again(
    shop: tuple[RunningShop, Instruments], broker: Mosquitto
) -> None:
    running_shop, instruments = shop
    until(lambda: standing(running_shop) == "telling", "the broker is told")
    broker.kill()
    until(lambda: standing(running_shop) == "away", "it is seen that it is gone")
    told = httpx.get(f"{running_shop.url}/api/broker").json()
    assert "measures on" in told["sentence"]
    assert str(broker.port) in told["sentence"]
    broker.start()
    with Listener(broker.port) as listener:
        say_until_heard(instruments, listener, 4.5)
        until(lambda: listener.told.get("there") == "there", "it says that it is there")
        until(lambda: {"bench", "number", "to_go"} <= set(listener.told), "what has not changed, too")


def test_the_broker_says_that_a_killed_bench_is_not_there(
    shop: tuple[RunningShop, Instruments], broker: Mosquitto
) -> None:
    running_shop, _ = shop
    until(lambda: standing(running_shop) == "telling", "the broker is told")
    with Listener(broker.port) as listener:
        until(lambda: listener.told.get("there") == "there", "it is there")
        running_shop.kill()
        until(lambda: listener.told.get("there") == "not there", "the last will")
    with Listener(broker.port) as late:
        until(lambda: late.told.get("there") == "not there", "who comes later hears it too")
        running_shop.start()
        until(lambda: late.told.get("there") == "there", "it is back")
        running_shop.stop()
        until(lambda: late.told.get("there") == "not there", "it has ended in good order")


# -- one broker client alone: who is let in, and what is told of what is wrong


def told_until(named: BrokerOfHouse, words: str) -> str:
    """Let a client tell until its sentence has these words, and give that."""
    one = Broker(named)
    one.start()
    try:

        def sentence() -> str:
            one.tell(LiveNumbers.model_validate(NUMBERS))
            return one.standing().sentence if words in one.standing().sentence else ""

        found: str = until(sentence, words, 120)
        return found
    finally:
        one.stop()


def here(port: int, **more: object) -> BrokerOfHouse:
    return BrokerOfHouse.model_validate({"host": "127.0.0.1", "port": port, "name": "east", **more})


def test_a_password_comes_from_the_environment_or_a_private_file_and_is_told_nowhere(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.DEBUG)
    passwords = tmp_path / "passwords"
    subprocess.run(["mosquitto_passwd", "-b", "-c", str(passwords), "east", PASSWORD], check=True)
    said = []
    with Mosquitto(tmp_path, "allow_anonymous false", f"password_file {passwords}") as locked:
        said.append(told_until(here(locked.port), "lets this bench not in"))
        monkeypatch.setenv("LOBEWRIGHT_MQTT_PASSWORD", PASSWORD + "x")
        said.append(told_until(here(locked.port), "no `user` in [mqtt]"))
        said.append(told_until(here(locked.port, user="east"), "lets this bench not in"))
        monkeypatch.delenv("LOBEWRIGHT_MQTT_PASSWORD")
        file = tmp_path / "password"
        monkeypatch.setenv("LOBEWRIGHT_MQTT_PASSFILE", os.fspath(file))
        said.append(told_until(here(locked.port, user="east"), "cannot be read"))
        file.write_text(f"{PASSWORD}\n", encoding="utf-8")
        file.chmod(0o644)
        said.append(told_until(here(locked.port, user="east"), "chmod 600"))
        file.chmod(0o600)
        said.append(told_until(here(locked.port, user="east"), "has the live numbers under lobewright/east/"))
        with Listener(locked.port, password=PASSWORD) as listener:
            until(lambda: listener.parsed("reading/crank") == NUMBERS["readings"]["crank"], "heard")
    assert PASSWORD not in caplog.text + "".join(said)


@pytest.mark.filterwarnings(
    "ignore:unclosed <ssl.SSLSocket:ResourceWarning"
)  # the client's own, where a handshake fails
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_a_broker_is_spoken_to_under_tls_only_where_it_can_be_believed(tmp_path: Path) -> None:
    key, own = tmp_path / "key.pem", tmp_path / "own.pem"
    make = [
        "openssl",
        "req",
        "-x509",
        "-newkey",
        "rsa:2048",
        "-nodes",
        "-days",
        "2",
        "-subj",
        "/CN=127.0.0.1",
    ]
    make += ["-addext", "subjectAltName=IP:127.0.0.1", "-keyout", str(key), "-out", str(own)]
    subprocess.run(make, check=True, capture_output=True)
    lines = ("allow_anonymous true", f"certfile {own}", f"keyfile {key}")
    with Mosquitto(tmp_path, *lines) as broker:
        assert "certificate" in told_until(here(broker.port, tls=True), "cannot be reached").lower()
        told_until(here(broker.port, tls=True, certificates=str(own)), "has the live numbers")
        told_until(
            here(broker.port, tls=True, certificates=str(tmp_path / "none.pem")),
            "no certificates that can be read",
        )


def test_two_benches_of_one_name_are_told(tmp_path: Path) -> None:
    with Mosquitto(tmp_path) as broker:
        two = [Broker(here(broker.port)) for _ in range(2)]
        for one in two:
            one.start()
        try:
            words = "another bench is called 'east' too: give this one a name of its own"
            until(lambda: any(words in one.standing().sentence for one in two), words, 120)
        finally:
            for one in two:
                one.stop()


def test_one_that_takes_the_call_and_never_answers_is_not_waited_for(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as mute:
        one = Broker(here(mute.getsockname()[1]))
        one.start()
        for _ in range(20):
            one.tell(LiveNumbers.model_validate(NUMBERS))
        assert one.standing().state == "calling"
        one.stop()
    assert "cannot be reached" in told_until(here(free_port()), "measures on")


def test_without_a_broker_nothing_is_begun(tmp_path: Path) -> None:
    assert broker_of(None) is None
    assert broker_of(write_bench(tmp_path)) is None


@pytest.mark.parametrize(
    ("lines", "line", "words"),
    [
        ('host = "mqtt://broker"\nname = "east"', 6, "no broker's name"),
        ('host = ""\nname = "east"', 6, "no broker's name"),
        ('host = "a..b"\nname = "east"', 6, "no broker's name"),
        ('host = "broker"\nname = "east/+"', 7, "cannot be a bench's name"),
        ('host = "broker"\nname = "east"\nport = 70000', 8, "`port` = 70000"),
        ('host = "broker"\nname = "east"\npassword = "secret"', 5, "LOBEWRIGHT_MQTT_PASSWORD"),
        ('host = "broker"\nname = "east"\ncertificates = "/x.pem"', 5, "only goes with tls"),
        ('host = "broker"\nname = "east"\ntopic = "x"', 8, "unknown key `topic`"),
        ('host = "broker"', 5, "the key `name` is missing"),
    ],
)
def test_a_mistake_in_the_bench_file_is_told_with_its_line(lines: str, line: int, words: str) -> None:
    with pytest.raises(BenchFileError) as mistake:
        parse_bench((CRANK_BENCH + "[mqtt]\n" + lines).encode())
    told = str(mistake.value)
    assert words in told
    assert f"line {line}:" in told
    assert "secret" not in told
    assert "\n" not in told
