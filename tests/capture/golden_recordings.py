"""Golden recordings: what an instrument sent, beside what capture makes of it.

Every case lies in ``golden/NAME.raw`` (the bytes) and ``golden/NAME.expected`` (what comes out). The bytes
are made here, from the list of cases; what comes out is compared by ``test_golden_recordings``.

    python tests/capture/golden_recordings.py             show how the present code differs
    python tests/capture/golden_recordings.py --rebuild   show it, and write it as the new expectation
"""

from __future__ import annotations

import difflib
import random
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from capture.base import Event, Gap, Readings
from capture.bench import parse_bench
from capture.bench.board import crc8
from capture.port.intake import Intake

FOLDER = Path(__file__).parent / "golden"
LINES = 24

HEADS = {
    "decimal": '[[gauge]]\nname = "g"\nport = "/dev/g"\nframe = "decimal"\n',
    "tagged": '[[gauge]]\nname = "g"\nport = "/dev/g"\nframe = "tagged"\ntag = "A"\n',
    "inch": '[[gauge]]\nname = "g"\nport = "/dev/g"\nframe = "decimal"\nunit = "in"\nsign = -1\n',
    "pattern": '[[gauge]]\nname = "g"\nport = "/dev/g"\nframe = "pattern"\n'
    "pattern = '01A(?P<value>[+-][0-9.]+)mm'\n",
    "count": '[crank]\nport = "/dev/c"\nframe = "count"\ncounts_per_turn = 3600\n',
    "count_back": '[crank]\nport = "/dev/c"\nframe = "count"\ncounts_per_turn = 3600\ndirection = -1\n',
    "count_wrap": '[crank]\nport = "/dev/c"\nframe = "count"\ncounts_per_turn = 3600\nwraps_at = 3600\n',
    "count_index": '[crank]\nport = "/dev/c"\nframe = "count_index"\ncounts_per_turn = 3600\n',
    "count_micros": '[crank]\nport = "/dev/c"\nframe = "count_micros"\ncounts_per_turn = 3600\n',
    "board": '[crank]\nport = "/dev/c"\nframe = "board"\ncounts_per_turn = 3600\n',
    "pattern_crank": '[crank]\nport = "/dev/c"\nframe = "pattern"\ncounts_per_turn = 3600\n'
    "pattern = 'E(?P<count>-?[0-9]+) Z(?P<index>[01])'\n",
}


def board_line(body: str) -> str:
    return f"{body}{crc8(body.encode()):02X}"


def line(kind: str, number: int) -> bytes:
    """The number-th line of an instrument of this kind."""
    count = 3590 + number
    texts = {
        "decimal": f"{(number - 8) / 100:+.2f}",
        "tagged": f"A{number / 1000:+.3f}",
        "inch": f"{number / 10000:.4f}",
        "pattern": f"01A{number / 100:+06.2f}mm",
        "count": f"{count}",
        "count_back": f"{-count}",
        "count_wrap": f"{count % 3600}",
        "count_index": f"{count} {int(count == 3600)}",
        "count_micros": f"{count} {(2**32 - 10_000 + 2000 * number) % 2**32}",
        "board": board_line(f"C{count} {(2**32 - 10_000 + 4000 * number) % 2**32} "),
        "pattern_crank": f"E{count} Z{int(count == 3600)}",
    }
    return texts[kind].encode()


def clean(lines: list[bytes]) -> bytes:
    return b"\r\n".join([*lines, b""])


def _spoil(lines: list[bytes], place: int, change: Callable[[bytes], bytes]) -> bytes:
    return clean([change(text) if number == place else text for number, text in enumerate(lines)])


DIRT: dict[str, Callable[[list[bytes]], bytes]] = {
    "clean": clean,
    "lone_cr": lambda lines: b"\r".join([*lines, b""]),
    "lone_lf": lambda lines: b"\n".join([*lines, b""]),
    "nul_padding": lambda lines: b"".join(b"\0" + text + b"\r\n\0\0" for text in lines),
    "lost_head": lambda lines: clean(lines)[2:],
    "bit_flipped": lambda lines: _spoil(lines, 9, lambda t: t[:1] + bytes([t[1] ^ 0x40]) + t[2:]),
    "high_bits": lambda lines: _spoil(lines, 9, lambda t: bytes(byte | 0x80 for byte in t)),
    "lost_bytes": lambda lines: _spoil(lines, 9, lambda t: t[: len(t) // 2]),
    "two_run_together": lambda lines: clean([*lines[:9], lines[9] + lines[10], *lines[11:]]),
    "banner": lambda lines: clean([*lines[:12], b"counter v1 ready", b"", *lines[12:]]),
    "flood": lambda lines: clean([*lines[:12], b"7" * 9000, *lines[12:]]),
    "garbage_between": lambda lines: clean(
        [
            *lines[:12],
            *(bytes(random.Random(n).randrange(128, 256) for _ in range(9)) for n in range(20)),
            *lines[12:],
        ]
    ),
    "empty_lines": lambda lines: b"\r\n\r\n".join([*lines, b""]),
    "spaces": lambda lines: clean([b"  " + text + b" " for text in lines]),
    "spike": lambda lines: clean(
        [*lines[:9], lines[9].replace(b"3599", b"9599").replace(b"0.", b"7."), *lines[10:]]
    ),
}


@dataclass(frozen=True)
class Golden:
    """One case."""

    kind: str
    dirt: str

    @property
    def name(self) -> str:
        return f"{self.kind}-{self.dirt}"

    @property
    def sent(self) -> bytes:
        return DIRT[self.dirt]([line(self.kind, number) for number in range(LINES)])


def cases() -> Iterator[Golden]:
    """Every frame kind with every kind of dirt."""
    for kind in HEADS:
        for dirt in DIRT:
            yield Golden(kind, dirt)


class _Transcript:
    def __init__(self) -> None:
        self.lines: list[str] = []

    def readings(self, readings: Readings) -> None:
        for place, (t_ns, raw, value) in enumerate(
            zip(readings.t_ns, readings.raw, readings.values(), strict=True)
        ):
            number = readings.first + place
            self.lines.append(
                f"{number:3d} seg {readings.segment.number} t {t_ns:>10d} raw {raw:>6d} value {value:.6g}"
            )

    def gap(self, gap: Gap) -> None:
        self.lines.append(f"gap {gap.reason} lines {gap.lines}")

    def event(self, event: Event) -> None:
        self.lines.append(f"event {event.code}")


def transcript(kind: str, sent: bytes, chunk_bytes: int = 48) -> str:
    """What capture makes of the bytes, fed in chunks a millisecond apart."""
    out = _Transcript()
    intake = Intake(parse_bench(HEADS[kind].encode()).instruments[0], out)
    intake.begin("start", 1_000_000)
    now_ns = 1_000_000
    for start in range(0, len(sent), chunk_bytes):
        now_ns += 5_000_000
        intake.take(sent[start : start + chunk_bytes], now_ns)
    intake.finish(now_ns + 1)
    rejects = intake.decoder.rejects
    out.lines.append(f"accepted {intake.accepted} rejected {intake.rejected} overflow {rejects.overflow}")
    return "\n".join(out.lines) + "\n"


def main(rebuild: bool) -> int:
    """Show the difference of every case, and write the new expectation when told to."""
    FOLDER.mkdir(exist_ok=True)
    differing = 0
    for case in cases():
        raw_file, expected_file = FOLDER / f"{case.name}.raw", FOLDER / f"{case.name}.expected"
        expected = expected_file.read_text() if expected_file.exists() else ""
        now = transcript(case.kind, case.sent)
        if now != expected or not raw_file.exists() or raw_file.read_bytes() != case.sent:
            differing += 1
            sys.stdout.writelines(
                difflib.unified_diff(
                    expected.splitlines(keepends=True), now.splitlines(keepends=True), case.name, "now", n=1
                )
            )
            if rebuild:
                raw_file.write_bytes(case.sent)
                expected_file.write_text(now)
    print(f"{differing} of {len(list(cases()))} differ" + (", rebuilt" if rebuild and differing else ""))
    return 0 if rebuild or not differing else 1


if __name__ == "__main__":
    sys.exit(main("--rebuild" in sys.argv[1:]))
