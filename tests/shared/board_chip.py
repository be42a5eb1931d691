"""The counter board's firmware, built by avr-gcc and run cycle by cycle, with waveforms at its pins."""

from __future__ import annotations

import random
import subprocess
from dataclasses import dataclass, field
from pathlib import Path

HERE = Path(__file__).parent
FIRMWARE = HERE.parents[1] / "capture" / "counter_board"
CYCLES_PER_US = 16
SECOND = 16_000_000
FIRST_CYCLE = SECOND // 50  # the chip has started by then
VECTOR_NAMES = {3: "encoder", 4: "gauge clock", 19: "sending", 22: "EEPROM"}
PHASES = ((0, 0), (1, 0), (1, 1), (0, 1))


def crc8(data: bytes) -> int:
    """CRC-8 with the polynomial x^8 + x^2 + x + 1, beginning at 0, bit by bit."""
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc << 1 ^ 7) & 0xFF if crc & 0x80 else crc << 1
    return crc


@dataclass
class Waveform:
    """What happens at the chip's pins, by cycle."""

    events: list[tuple[int, str]] = field(default_factory=list)

    def pin(self, cycle: float, port: str, pin: int, level: int) -> None:
        self.events.append((int(cycle), f"{port} {pin} {level}"))

    def command(self, cycle: float, words: str) -> None:
        """Bytes to the chip at 250,000 baud."""
        for place, byte in enumerate(words.encode() + b"\n"):
            self.events.append((int(cycle) + place * 640, f"> {byte}"))

    @property
    def end(self) -> int:
        return max((cycle for cycle, _ in self.events), default=0)

    def text(self) -> str:
        return "".join(f"{cycle} {what}\n" for cycle, what in sorted(self.events, key=lambda event: event[0]))


@dataclass
class Encoder:
    """An encoder's two phases, moved edge by edge, and its index."""

    wave: Waveform
    at: int = 0
    missing_phase: bool = False

    def step(self, cycle: float, way: int) -> None:
        before, self.at = self.at, self.at + way
        for pin in range(2):
            level = PHASES[self.at % 4][pin]
            if level != PHASES[before % 4][pin] and not (self.missing_phase and pin == 1):
                self.wave.pin(cycle, "B", pin, level)

    def index(self, cycle: float, cycles_long: int = 4000) -> None:
        self.wave.pin(cycle, "B", 2, 1)
        self.wave.pin(cycle + cycles_long, "B", 2, 0)

    def run(
        self, start: float, edges: int, per_second: float, *, jitter: float = 0.0, seed: int = 1
    ) -> float:
        """Edges one way (negative: the other), each early or late by up to `jitter` of the distance."""
        rng, pause = random.Random(seed), SECOND / per_second
        way = 1 if edges > 0 else -1
        for number in range(abs(edges)):
            self.step(start + (number + rng.uniform(-jitter, jitter) / 2) * pause, way)
        return start + abs(edges) * pause


@dataclass
class Sent:
    """What the chip sent."""

    bytes_at: list[tuple[int, int]]
    longest: dict[str, int]
    requests: list[tuple[int, int, int]]

    @property
    def lines(self) -> list[str]:
        """Whole lines; one that was being sent at the end is left out."""
        whole, _, _ = bytes(byte for _, byte in self.bytes_at).decode("ascii").rpartition("\n")
        return whole.splitlines()

    def tagged(self, tag: str) -> list[tuple[str, int]]:
        """Value and microseconds of the lines with this tag; every check is recomputed here."""
        found = []
        for line in self.lines:
            body, _, check = line.rpartition(" ")
            assert int(check, 16) == crc8(body.encode() + b" "), line
            value, _, micros = body.partition(" ")
            if value.startswith(tag):
                found.append((value[len(tag) :], int(micros)))
        return found

    @property
    def count(self) -> int:
        return int(self.tagged("C")[-1][0])


@dataclass
class Chip:
    """The built firmware and the program that runs it."""

    folder: Path

    @classmethod
    def build(cls, folder: Path) -> Chip:
        subprocess.run(["make", "-s", "-C", FIRMWARE, f"OUT={folder}"], check=True)
        source, program = HERE / "board_chip.c", folder / "board_chip"
        words = ["cc", "-O2", "-Wall", "-Wextra", "-Werror", "-o", program, source, "-I/usr/include/simavr"]
        subprocess.run([*words, "-lsimavr"], check=True)
        return cls(folder)

    def run(self, wave: Waveform, seconds_more: float = 0.3, eeprom: str = "eeprom") -> Sent:
        """Run until a while after the last event."""
        (self.folder / "waveform").write_text(wave.text())
        end = max(wave.end, FIRST_CYCLE) + round(seconds_more * SECOND)
        files = [self.folder / name for name in ("board_chip", "counter_board.elf", "waveform", eeprom)]
        told = subprocess.run(
            [*files, str(end)], check=True, capture_output=True, text=True, timeout=250
        ).stdout
        sent = Sent([], {}, [])
        for line in told.splitlines():
            first, *rest = line.split()
            if first == "longest":
                sent.longest[VECTOR_NAMES.get(int(rest[0]), rest[0])] = int(rest[1])
            elif first == "request":
                sent.requests.append((int(rest[0]), int(rest[1]), int(rest[2])))
            elif first == "sent":  # the rest is the simulator's own talk
                sent.bytes_at.append((int(rest[0]), int(rest[1])))
        return sent


# --- gauges: waveforms made from the written description of each format -------------------------------------


def bits_low_first(value: int, length: int) -> list[int]:
    return [value >> place & 1 for place in range(length)]


def digits_13(value: str, *, inch: bool = False) -> list[int]:
    """13 digits of 4 bits, least significant bit first: user's manuals 99MBA043A section 6, 99MBC095A 6.2.1.5."""
    number = value.lstrip("+-")
    whole, _, part = number.partition(".")
    digits = [15] * 4 + [8 if value.startswith("-") else 0]
    digits += [int(digit) for digit in (whole + part).rjust(6, "0")] + [len(part), int(inch)]
    return [bit for digit in digits for bit in bits_low_first(digit, 4)]


def one_group(hundredths: int, *, inch: bool = False) -> list[int]:
    """24 bits: 20 of value, bit 20 the sign, bit 23 inch (from memory)."""
    return bits_low_first(abs(hundredths) | (hundredths < 0) << 20 | inch << 23, 24)


def two_groups(absolute: int, relative: int) -> list[int]:
    """Twice 24 bits, two's complement, 20,480 an inch (hobby documentation; timings of single specimens)."""
    return bits_low_first(absolute & 0xFFFFFF, 24) + bits_low_first(relative & 0xFFFFFF, 24)


def send_packet(
    wave: Waveform,
    gauge: int,
    start: float,
    bits: list[int],
    *,
    bit_us: float = 150.0,
    falling: bool = True,
    inverted: bool = False,
    pauses_us: dict[int, float] | None = None,
) -> float:
    """Clock and data of one packet: data change half a bit before the clock's edge and stay half a bit after."""
    clock, data, half = 2 * gauge, 2 * gauge + 1, bit_us * CYCLES_PER_US / 2
    for place, bit in enumerate(bits):
        start += (pauses_us or {}).get(place, 0.0) * CYCLES_PER_US
        wave.pin(start, "C", data, bit ^ int(inverted))
        wave.pin(start, "C", clock, 1 if falling else 0)
        wave.pin(start + half, "C", clock, 0 if falling else 1)
        start += 2 * half
    wave.pin(start, "C", clock, 1 if falling else 0)
    return start
