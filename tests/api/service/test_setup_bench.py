"""A bench set up from a page: real ports are listened to while something moves; the file that comes of it can be used."""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import os
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from api.base import MisuseError
from api.service import Heard, listen, mover, verdict
from api.web.routes.setup import (
    BenchEntry,
    EncoderEntry,
    GaugeEntry,
    ListenEntry,
    bench_text,
    listen_to_ports,
    make_bench_file,
)
from capture.bench import parse_bench

PACE_S = 0.02


@contextlib.contextmanager
def port_that_says(line: Callable[[int], str]) -> Iterator[str]:
    """A pseudo-terminal on which a device speaks without end; gives its name."""
    device, end = os.openpty()
    stop = threading.Event()

    def speak() -> None:
        for at in itertools.count():
            if stop.wait(PACE_S):
                return
            with contextlib.suppress(BlockingIOError):
                os.write(device, f"{line(at)}\r\n".encode())

    os.set_blocking(device, False)
    thread = threading.Thread(target=speak)
    thread.start()
    try:
        yield os.ttyname(end)
    finally:
        stop.set()
        thread.join()
        os.close(device)
        os.close(end)


def test_the_port_whose_count_runs_is_the_encoder() -> None:
    with (
        port_that_says(lambda at: str(1000 + 7 * at)) as encoder,
        port_that_says(lambda at: f"+0.0{at % 2}") as gauge,
    ):
        heard = listen([gauge, encoder], 0.6)
    found = mover(heard)
    assert found is not None
    assert (found.name, found.quantity) == (encoder, "crank")
    assert found.first is not None and found.last is not None and found.last > found.first
    assert f"{encoder} moved by" in verdict(heard)
    assert "encoder" in verdict(heard)


def test_the_port_whose_gauge_is_pushed_is_named() -> None:
    with (
        port_that_says(lambda at: "1000") as encoder,
        port_that_says(lambda at: f"+{0.05 * at:.2f}") as pushed,
        port_that_says(lambda at: "+3.10") as other,
    ):
        heard = listen([encoder, pushed, other], 0.6)
    found = mover(heard)
    assert found is not None
    assert (found.name, found.quantity) == (pushed, "gauge")
    assert [one.quantity for one in heard] == ["crank", "gauge", "gauge"]
    assert heard[2].lines[-1] == "+3.10"


def still(name: str, travel: float, frame: str = "decimal") -> Heard:
    return Heard(name, frame, 9600, "8N1", 0.0, 0.0, travel, [], "")


def test_two_that_moved_alike_are_not_guessed_between() -> None:
    heard = [still("a", 400.0), still("b", 300.0)]
    assert mover(heard) is None
    assert "moved alike" in verdict(heard)


def test_a_flicker_of_the_last_digit_is_no_movement() -> None:
    heard = [still("a", 2.0), still("b", 1.0, "count")]
    assert mover(heard) is None
    assert verdict(heard).startswith("Nothing moved")


def test_a_port_that_is_not_there_says_so(tmp_path: Path) -> None:
    heard = listen([str(tmp_path / "none")], 0.5)
    assert heard[0].frame == ""
    assert "none" in heard[0].sentence
    assert verdict(heard).startswith("No port sent anything")


@pytest.mark.parametrize(
    "name", ["ttyUSB0", "spy:///dev/ttyUSB0?file=/tmp/kept", "loop://", "socket://bench:7000?x=1"]
)
def test_what_is_no_device_and_no_serial_server_is_not_opened(name: str) -> None:
    with pytest.raises(MisuseError, match="is not the name of a port"):
        asyncio.run(listen_to_ports(ListenEntry(ports=["/dev/null", name], seconds=0.5)))


ENCODER = EncoderEntry(port="/dev/a", baud=115200, frame="count", counts_per_turn=3600, direction=-1)


def test_the_bench_file_made_is_one_that_the_program_takes() -> None:
    gauge = GaugeEntry(name="dial_a", port="/dev/b", baud=9600, frame="decimal", unit="in", sign=-1)
    bench = parse_bench(bench_text(BenchEntry(crank=ENCODER, gauges=[gauge])).encode())
    assert bench.crank is not None
    assert (bench.crank.direction, bench.crank.counts_per_turn) == (-1, 3600)
    assert (bench.gauge[0].name, bench.gauge[0].unit, bench.gauge[0].sign) == ("dial_a", "in", -1)


@pytest.mark.parametrize(
    ("name", "told"),
    [
        ("Dial A", "small letters"),
        ("crank", "give the gauge another"),
        ('a"\nport = "/dev/x', "small letters"),
    ],
)
def test_a_bench_that_cannot_be_is_refused_in_sentences(name: str, told: str) -> None:
    gauge = GaugeEntry(name=name[:32], port="/dev/b", baud=9600, frame="decimal")
    with pytest.raises(MisuseError, match=told):
        asyncio.run(make_bench_file(BenchEntry(crank=ENCODER, gauges=[gauge])))
