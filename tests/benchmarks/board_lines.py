"""What a board's own clock brings: stamps on a busy machine, and a lobe from one slow pass.

    python tests/benchmarks/board_lines.py [--seconds 30] [--lobes 20]

Both halves run the firmware in simavr, and the same moments go out as plain lines beside it. Stamps: chip's bytes and
plain lines through two pseudo-terminals, written by one process, read by capture's own readers, with twice as many busy
processes as cores. Lobe: the same gauge on the same random lobe, one pass at 30 deg/s; ports are read in lumps, up to
16 ms late, as a USB adapter hands them on; the lag is that which the gauge's own TDCs have shown over the same lines.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import sys
import tempfile
import time
import tty
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np

sys.path[:0] = [str(Path(__file__).parents[1] / "shared"), str(Path(__file__).parents[1] / "capture")]

from board_chip import FIRST_CYCLE, SECOND, Chip, Encoder, Sent, Waveform, digits_13, send_packet
from conftest import Heard
from test_counter_board_measures import STARTS_S, streams_of, through_capture, waveform

from analysis.base import GaugeFacts, LobeSettings, Refusal, TdcSettings
from analysis.lobe import find_lobe
from analysis.tdc import find_tdc
from capture.base import Bus
from capture.bench import Bench, parse_bench
from capture.port import KnownDevices, PortReader
from capture.port.channels import PortChannels
from simulated_devices.machine import DialIndicator, Hand, Manner
from simulated_devices.machine import Encoder as CrankEncoder
from simulated_devices.traces import Bench as SimulatedBench
from simulated_devices.traces import Setup, random_lobe, random_tdc, record

DEG_S = 30.0
ROCKS = 4
LEAST_LAG_U_S = 0.0001
GAUGE = DialIndicator(step=0.001, rate_hz=10.0, lag_s=0.06, jitter_s=0.0002, travel_mm=25.0, zero_mm=0.0)
CRANK = CrankEncoder(2400, 200.0, 0.0)
LATEST_S = 0.016
SETTLED = 500
"""Lines after which the board's clock is known."""
BOARD_LIMIT_MS = 0.2
Through = Callable[[SimulatedBench, Heard, int], None]
Errors = dict[str, tuple[float, float]]


# --- stamps ------------------------------------------------------------------------------------------------


def steady_turn(seconds: float) -> Waveform:
    """An encoder of 2,400 counts at 30 deg/s, and a gauge ten times a second."""
    wave = Waveform()
    encoder = Encoder(wave)
    wave.command(FIRST_CYCLE, "A3fns")
    per_second = DEG_S / 360.0 * 2400
    for number in range(int(seconds * per_second)):
        encoder.step((STARTS_S + number / per_second) * SECOND, 1)
    for number in range(int(seconds * 10)):
        send_packet(wave, 0, (STARTS_S + number / 10) * SECOND, digits_13("1.000"), bit_us=60)
    return wave


def pairs(sent: Sent) -> list[tuple[int, bytes, bytes]]:
    """For each crank line when it had been sent, its bytes and a plain line that says the same."""
    found, line = [], bytearray()
    for cycle, byte in sent.bytes_at:
        line.append(byte)
        if byte == 10:
            if line.startswith(b"C"):
                found.append((cycle, bytes(line), line[1:].split()[0] + b"\r\n"))
            line.clear()
    return found


def write_both(lines: list[tuple[int, bytes, bytes]], board: int, plain: int) -> None:
    began = time.monotonic()
    for cycle, board_line, plain_line in lines:
        wait = began + (cycle - lines[0][0]) / SECOND - time.monotonic()
        if wait > 0.0:
            time.sleep(wait)
        os.write(board, board_line)
        os.write(plain, plain_line)


def keep_busy() -> None:
    while True:
        sum(range(100_000))


def read_port(text: str, heard: Heard) -> PortReader:
    bus = Bus(lambda listener, error: None)
    bus.add(heard)
    reader = PortReader(parse_bench(text.encode()).ports[0], bus, KnownDevices())
    reader.start()
    while reader.open_rdev is None:
        time.sleep(0.01)
    return reader


def jitter_ms(stamps_ns: list[int], moments_s: list[float]) -> float:
    """99th percentile of how far a stamp is from where the others put it, ms; offset and drift taken out."""
    moments, stamps = np.array(moments_s), np.array(stamps_ns) / 1e6
    stamps -= stamps[0]
    drift = np.polynomial.Polynomial.fit(moments, stamps, 1)
    off = stamps - drift(moments)
    return float(np.percentile(np.abs(off - np.median(off)), 99))


def stamps_on_a_busy_machine(chip: Chip, seconds: float) -> dict[str, float]:
    lines = pairs(chip.run(steady_turn(seconds), eeprom="steady"))
    heard = {"board": Heard(), "plain": Heard()}
    masters, readers = {}, []
    texts = {
        "board": 'frame = "board"\nbaud = 250000\ncounts_per_turn = 2400\n',
        "plain": 'frame = "count"\nbaud = 250000\ncounts_per_turn = 2400\n',
    }
    for name, text in texts.items():
        masters[name], slave = os.openpty()
        tty.setraw(slave)
        readers.append(read_port(f'[crank]\nport = "{os.ttyname(slave)}"\n{text}', heard[name]))
    context = multiprocessing.get_context("fork")
    busy = [context.Process(target=keep_busy, daemon=True) for _ in range(2 * (os.cpu_count() or 1))]
    writer = context.Process(target=write_both, args=(lines, masters["board"], masters["plain"]))
    for process in [*busy, writer]:
        process.start()
    writer.join()
    time.sleep(0.5)
    for process in busy:
        process.kill()
    for reader in readers:
        reader.stop()
        reader.join(5)
    told = {}
    for name, one in heard.items():
        kept = lines[-len(one.raw) :]  # the first line after opening is never taken
        assert one.raw == [int(plain) for _, _, plain in kept]
        micros = [int(line.split()[1]) / 1e6 for _, line, _ in kept]
        told[name] = jitter_ms(one.stamps[SETTLED:], micros[SETTLED:])
    return told


# --- a lobe ------------------------------------------------------------------------------------------------


def one_pass(seed: int) -> SimulatedBench:
    """A random lobe under one gauge, turned through once."""
    rng = np.random.default_rng(seed)
    made = random_lobe(rng, "one_pass")
    mounting = next(iter(made.setup.mountings.values()))
    nose_deg = made.trace.lobe.full_lift_deg
    motion = Hand(nose_deg - 210.0, Manner(DEG_S, 0.05, 0.3), rng).to(nose_deg + 210.0).done()
    mountings = {"valve": replace(mounting, gauge=GAUGE)}
    setup = Setup(made.setup.engine, motion, CRANK, mountings, 0.0)
    return SimulatedBench(record(setup, rng), made.known, "one_pass", made.family)


def in_lumps(channels: PortChannels, lines: list[tuple[float, bytes]], rng: np.random.Generator) -> None:
    """A port read as an adapter with a latency timer lets it be."""
    byte_s, read_s, waiting = 10 / 115200, LATEST_S, bytearray()
    channels.begin("start", 0, 0)
    for at_s, line in lines:
        arrived_s = at_s + len(line) * byte_s
        if arrived_s > read_s:
            channels.take(bytes(waiting), int(read_s * 1e9))
            waiting.clear()
            read_s = arrived_s + rng.uniform(0.0002, LATEST_S)
        waiting += line
    channels.take(bytes(waiting), int(read_s * 1e9))


def plain_bench() -> Bench:
    return parse_bench(
        b'[crank]\nport = "/dev/crank"\nframe = "count"\nbaud = 115200\ncounts_per_turn = 2400\n'
        b'[[gauge]]\nname = "dial"\nport = "/dev/dial"\nframe = "decimal"\nbaud = 115200\n'
    )


def board_bench() -> Bench:
    both = b'port = "/dev/board"\nframe = "board"\nbaud = 250000\n'
    gauge = b'[[gauge]]\nname = "dial"\ntag = "A"\n'
    return parse_bench(b"[crank]\ncounts_per_turn = 2400\n" + both + gauge + both)


def through_board(chip: Chip, made: SimulatedBench, heard: Heard, seed: int) -> None:
    through_capture(chip.run(waveform(made), eeprom="kept"), board_bench(), heard, seed)


def through_plain_lines(made: SimulatedBench, heard: Heard, seed: int) -> None:
    rng, trace = np.random.default_rng(seed), made.trace
    counts = np.rint(trace.crank_deg / 360.0 * CRANK.counts_per_turn - 0.5).astype(int)
    first = b"\r\n"  # the first line after opening is never whole
    crank = [
        (at + STARTS_S, f"{count}\r\n".encode()) for at, count in zip(trace.crank_time_s, counts, strict=True)
    ]
    dial = [
        (at + STARTS_S, f"{value:+.3f}\r\n".encode())
        for at, value in zip(trace.gauge_time_s, trace.gauge_mm, strict=True)
    ]
    for port, lines in zip(plain_bench().ports, (crank, dial), strict=True):
        in_lumps(PortChannels(port, heard, 0), [(STARTS_S - 0.1, first), *lines], rng)


def rocked(seed: int) -> SimulatedBench:
    """The same gauge on a piston that is rocked over its top at two speeds, as its lag is found."""
    rng = np.random.default_rng(seed)
    made = random_tdc(rng, "rocking")
    mounting = next(iter(made.setup.mountings.values()))
    hand = Hand(-70.0, Manner(40.0, 0.05, 0.3), rng).rock(0.0, 45.0, 2, (30.0, 70.0)).pause(0.5)
    mountings = {"plunger": replace(mounting, gauge=GAUGE)}
    setup = Setup(made.setup.engine, hand.done(), CRANK, mountings, 0.0)
    return SimulatedBench(record(setup, rng), made.known, "rocking")


def lag_by(through: Through) -> tuple[float, float]:
    """The gauge's lag as its TDCs over this way show it, and its standard uncertainty, seconds."""
    lags = []
    for seed in range(ROCKS):
        made, heard = rocked(seed), Heard()
        through(made, heard, seed)
        found = find_tdc(streams_of(heard), TdcSettings(), GaugeFacts(None, None, GAUGE.step_mm, 0.0))
        lags.append(found.lag_s)
    return float(np.mean(lags)), max(float(np.std(lags, ddof=1)) / ROCKS**0.5, LEAST_LAG_U_S)


def centre_error_deg(made: SimulatedBench, heard: Heard, lag: tuple[float, float]) -> tuple[float, float]:
    found = find_lobe(streams_of(heard), LobeSettings(), GaugeFacts(*lag, GAUGE.step_mm, 0.0))
    centre_deg = made.trace.lobe.centre_deg(1.27)
    return (found.centre_deg - centre_deg + 360.0) % 720.0 - 360.0, found.u95_deg


def one_lobe(seed: int, ways: dict[str, Through], lags: dict[str, tuple[float, float]]) -> Errors:
    """Error and interval, degrees, of both ways."""
    made, told = one_pass(seed), {}
    for name, through in ways.items():
        heard = Heard()
        through(made, heard, seed)
        told[name] = centre_error_deg(made, heard, lags[name])
    return told


def lobes(chip: Chip, count: int) -> None:
    ways: dict[str, Through] = {"plain": through_plain_lines, "board": partial(through_board, chip)}
    lags = {name: lag_by(through) for name, through in ways.items()}
    for name, (lag_s, u_s) in lags.items():
        print(f"{name}: lag from {ROCKS} TDCs {1e3 * lag_s:.2f} ms ± {2e3 * u_s:.2f}")
    told: list[Errors] = []
    seed = 4100
    while len(told) < count:
        seed += 1
        try:
            told.append(one_lobe(seed, ways, lags))
        except Refusal as refusal:
            print(f"lobe {seed}: refused, {refusal.code}")
            continue
        words = [f"{name} {error:+.4f} (±{u95:.4f})" for name, (error, u95) in told[-1].items()]
        print(f"lobe {seed}: {', '.join(words)}", flush=True)
    rms = {name: float(np.sqrt(np.mean([one[name][0] ** 2 for one in told]))) for name in ("plain", "board")}
    inside = {name: sum(abs(one[name][0]) <= one[name][1] for one in told) for name in rms}
    print(f"centre error at {DEG_S:g} deg/s, one pass, {count} lobes, rms: plain {rms['plain']:.4f} deg,")
    print(f"    board {rms['board']:.4f} deg; board {rms['plain'] / rms['board']:.1f} times nearer (goal 2)")
    print(f"    within their intervals: plain {inside['plain']}, board {inside['board']} of {count}")


def main() -> None:
    words = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    words.add_argument("--seconds", type=float, default=30.0, help="how long stamps are compared")
    words.add_argument("--lobes", type=int, default=20, help="how many lobes are measured either way")
    asked = words.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        chip = Chip.build(Path(folder))
        if asked.seconds > 0:
            jitter = stamps_on_a_busy_machine(chip, asked.seconds)
            print(
                f"stamp jitter p99, cores busy: plain {jitter['plain']:.3f} ms, board {jitter['board']:.3f} ms"
            )
            print(f"    board {jitter['board'] / BOARD_LIMIT_MS:.2f} of its limit of {BOARD_LIMIT_MS} ms")
        if asked.lobes > 0:
            lobes(chip, asked.lobes)


if __name__ == "__main__":
    main()
