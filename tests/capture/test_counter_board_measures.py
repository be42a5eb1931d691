"""From an encoder's edges and a gauge's bits, through the chip, to true TDC and a lobe within their intervals."""

from __future__ import annotations

import os
import time
import tty
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from board_chip import FIRST_CYCLE, SECOND, Chip, Encoder, Sent, Waveform, digits_13, send_packet

from analysis.base import GaugeFacts, LobeSettings, Refusal, Streams, TdcSettings
from analysis.job.opening import _bench_fault
from analysis.lobe import find_lobe
from analysis.tdc import find_tdc
from analysis.timing import BenchChecked
from api.live import turned_deg
from capture.base import Bus
from capture.bench import Bench, parse_bench
from capture.port import KnownDevices, PortReader
from capture.port.channels import PortChannels
from simulated_devices.traces import Bench as SimulatedBench
from simulated_devices.traces import random_lobe, random_tdc

STARTS_S = 1.0
US_A_BYTE = 40


@pytest.fixture(scope="module")
def chip(tmp_path_factory: pytest.TempPathFactory) -> Chip:
    return Chip.build(tmp_path_factory.mktemp("chip"))


def waveform(made: SimulatedBench) -> Waveform:
    """What the simulated bench's encoder and gauge do at the board's pins."""
    wave, setup = Waveform(), made.setup
    seconds = np.arange(0.0, setup.motion.duration_s, 20e-6)
    counts = setup.encoder.counts(setup.motion.at(seconds + setup.motion.time_s[0]))
    wave.command(FIRST_CYCLE, "A3fns")
    wave.command(FIRST_CYCLE + SECOND // 4, f"N{counts[0]}")
    encoder = Encoder(wave)
    for place in np.flatnonzero(np.diff(counts)) + 1:
        steps = int(counts[place] - counts[place - 1])
        for number in range(abs(steps)):
            encoder.step((STARTS_S + seconds[place]) * SECOND + number * 100, 1 if steps > 0 else -1)
    for at_s, value in zip(made.trace.gauge_time_s - setup.start_s, made.trace.gauge_mm, strict=True):
        send_packet(wave, 0, (STARTS_S + at_s) * SECOND, digits_13(f"{value:+.3f}"), bit_us=60)
    return wave


def bench_of(made: SimulatedBench, port: str) -> Bench:
    encoder = made.setup.encoder
    return parse_bench(
        f'[crank]\nport = "{port}"\nframe = "board"\nbaud = 250000\ndirection = {encoder.direction}\n'
        f"counts_per_turn = {encoder.counts_per_turn}\n"
        f'[[gauge]]\nname = "dial"\nport = "{port}"\nframe = "board"\nbaud = 250000\ntag = "A"\n'.encode()
    )


def through_capture(sent: Sent, bench: Bench, heard: Any, seed: int) -> None:
    """Bytes as a busy computer reads them: in lumps, up to 16 ms late."""
    rng = np.random.default_rng(seed)
    channels = PortChannels(bench.ports[0], heard, 0)
    channels.begin("start", 0, 0)
    waiting, read_ns = bytearray(b"\n"), 16_000_000
    for cycle, byte in sent.bytes_at:
        if cycle < (STARTS_S - 0.4) * SECOND:  # the port is opened when the count has been set
            continue
        at_ns = cycle * 1000 // 16 + US_A_BYTE * 1000
        if at_ns > read_ns:
            channels.take(bytes(waiting), read_ns)
            waiting.clear()
            read_ns = at_ns + int(rng.uniform(0.2e6, 16e6))
        waiting.append(byte)
    channels.take(bytes(waiting), read_ns)


def streams_of(heard: Any) -> Streams:
    arrays: dict[str, tuple[list[float], list[float]]] = {"crank": ([], []), "dial": ([], [])}
    for readings in heard.all:
        times, values = arrays[readings.channel.name]
        times += [t_ns / 1e9 for t_ns in readings.t_ns]
        values += readings.values()
    crank, dial = arrays["crank"], arrays["dial"]
    begun = np.array(crank[0]) > STARTS_S - 0.2
    return Streams(np.array(crank[0])[begun], np.array(crank[1])[begun], np.array(dial[0]), np.array(dial[1]))


def tdc_error(made: SimulatedBench, streams: Streams) -> tuple[float, float]:
    known = made.known
    result = find_tdc(
        streams,
        TdcSettings(known.stroke_mm, known.rod_mm, known.pin_offset_mm),
        GaugeFacts(known.lag_s, known.lag_u_s, max(known.step_mm or 0.0, 0.001), known.error_mm),
    )
    return (result.centre_deg - made.trace.truth.tdc_deg + 180.0) % 360.0 - 180.0, result.u95_deg


def lobe_error(made: SimulatedBench, streams: Streams) -> tuple[float, float]:
    known = made.known
    result = find_lobe(
        streams,
        LobeSettings(),
        GaugeFacts(known.lag_s, known.lag_u_s, max(known.step_mm or 0.0, 0.001), known.error_mm),
    )
    return (result.centre_deg - made.trace.lobe.centre_deg(1.27) + 360.0) % 720.0 - 360.0, result.u95_deg


@pytest.mark.slow
@pytest.mark.parametrize("what", ["tdc", "lobe"])
def test_through_the_chip_and_late_reads_a_measurement_is_within_its_interval(
    chip: Chip, what: str, heard: Any
) -> None:
    told = []
    for seed in range(3):
        rng = np.random.default_rng(700 + seed)
        made = random_tdc(rng) if what == "tdc" else random_lobe(rng, "nose_rocked")
        sent = chip.run(waveform(made), eeprom=f"measured_{what}_{seed}")
        heard.all.clear()
        through_capture(sent, bench_of(made, "/dev/board"), heard, seed)
        try:
            error, u95 = (tdc_error if what == "tdc" else lobe_error)(made, streams_of(heard))
        except Refusal as refusal:
            print(f"{what} {seed}: refused, {refusal.code}")
            continue
        told.append(abs(error) <= 1.5 * u95)
        print(f"{what} {seed}: off by {error:+.3f} deg, interval ±{u95:.3f}")
    assert len(told) >= 2
    assert all(told)


def test_swapped_phases_are_told_by_the_bench_check(chip: Chip, heard: Any) -> None:
    """The crank turns forward and the board counts down: what capture makes of it is not taken for a bench in order."""
    told = {}
    for way in (1, -1):
        wave = Waveform()
        encoder = Encoder(wave)
        wave.command(FIRST_CYCLE, "A3fns")
        for number in range(2400):
            encoder.step((STARTS_S + number / 1200) * SECOND, way)
        for number in range(20):
            send_packet(wave, 0, (STARTS_S + number / 10) * SECOND, digits_13("1.000"), bit_us=60)
        text = '[crank]\nport = "/dev/board"\nframe = "board"\nbaud = 250000\ncounts_per_turn = 2400\n'
        text += '[[gauge]]\nname = "dial"\nport = "/dev/board"\nframe = "board"\nbaud = 250000\ntag = "A"\n'
        heard.all.clear()
        through_capture(chip.run(wave, eeprom=f"way{way}"), parse_bench(text.encode()), heard, 0)
        streams = streams_of(heard)
        told[way] = _bench_fault(BenchChecked(turned_deg(streams) > 0, 360.0, ("dial",)))[0]
        assert abs(turned_deg(streams)) == pytest.approx(360.0, abs=1.0)
    assert told == {1: "", -1: "counts_backward"}


@pytest.mark.slow
def test_bytes_of_the_chip_over_a_pty_come_out_as_two_channels(
    chip: Chip, tmp_path: Path, heard: Any
) -> None:
    made = random_tdc(np.random.default_rng(701))
    made_wave = waveform(made)
    made_wave.events = [event for event in made_wave.events if event[0] < 6 * SECOND]
    sent = chip.run(made_wave, eeprom="pty")
    master, slave = os.openpty()
    tty.setraw(slave)
    name = os.ttyname(slave)
    bus = Bus(lambda listener, error: None)
    bus.add(heard)
    reader = PortReader(bench_of(made, name).ports[0], bus, KnownDevices())
    reader.start()
    deadline = time.monotonic() + 10
    while reader.open_rdev is None and time.monotonic() < deadline:
        time.sleep(0.01)
    play(sent, master)
    time.sleep(0.5)
    reader.stop()
    assert reader.join(5)
    asked = os.read(master, 100)
    os.close(master)
    os.close(slave)
    assert asked == b"\n?\n"
    lines = sent.tagged("C")
    crank = [raw for readings in heard.all if readings.channel.name == "crank" for raw in readings.raw]
    dial = [raw for readings in heard.all if readings.channel.name == "dial" for raw in readings.raw]
    assert len(crank) == len(lines)
    assert [raw / 1000 for raw in dial] == pytest.approx([float(value[1:]) for value, _ in sent.tagged("A")])


def play(sent: Sent, master: int) -> None:
    """Write the chip's bytes at the pace at which it sent them; the first line is lost, as on opening."""
    begun, place = time.monotonic(), 0
    os.write(master, b"\n")
    while place < len(sent.bytes_at):
        cycle = (time.monotonic() - begun) * SECOND
        end = place
        while end < len(sent.bytes_at) and sent.bytes_at[end][0] <= cycle and end - place < 1000:
            end += 1
        if end > place:
            os.write(master, bytes(byte for _, byte in sent.bytes_at[place:end]))
            place = end
        time.sleep(0.001)
