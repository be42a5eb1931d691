"""What a counter board says of itself reaches people as one sentence, and what it cannot vouch for is not used."""

from __future__ import annotations

from typing import Any

import pytest
from board_chip import crc8

from capture.base import BenchFileError
from capture.bench import parse_bench
from capture.port import ListedPort, suggested_bench
from capture.port.channels import PortChannels
from capture.port.listing import BAUDS, Sniffed, inputs_of_board, recognise

BENCH = (
    '[crank]\nport = "/dev/b"\nframe = "board"\ncounts_per_turn = 3600\n'
    '[[gauge]]\nname = "dial"\nport = "/dev/b"\nframe = "board"\nbaud = 115200\ntag = "A"\n'
)


class Board:
    """A port that says one line every 4 ms."""

    def __init__(self, heard: Any) -> None:
        self.heard, self.now_ms = heard, 1000
        self.channels = PortChannels(parse_bench(BENCH.encode()).ports[0], heard, 0)
        self.channels.begin("start", 0, 0)
        self.channels.take(b"\n", 1)

    def say(self, *values: str) -> None:
        for value in values:
            self.now_ms += 4
            body = f"{value} {self.now_ms * 1000} "
            line = f"{body}{crc8(body.encode()):02X}\n"
            self.channels.take(line.encode(), self.now_ms * 1_000_000)

    def counts(self, first: int, lines: int) -> None:
        self.say(*(f"C{first + number}" for number in range(lines)))

    def taken(self, channel: str) -> list[int]:
        return [raw for some in self.heard.all if some.channel.name == channel for raw in some.raw]

    @property
    def codes(self) -> list[str]:
        return [event.code for event in self.heard.events]


@pytest.fixture
def board(heard: Any) -> Board:
    return Board(heard)


def test_crank_and_gauge_come_from_one_port_and_neither_rejects_the_others_lines(board: Board) -> None:
    board.say("V1", "KU,A3fns,B0fns", "C1", "Am1.000", "C2", "C3", "Am1.010", "C4", "C5", "Am1.020", "Bm9.0")
    assert board.taken("crank") == [1, 2, 3, 4, 5]
    assert board.taken("dial") == [1000, 1010, 1020]
    assert [intake.rejected for intake in board.channels.intakes] == [0, 0]
    assert board.codes == ["board_settings"]


def test_another_firmware_is_told_and_not_read(board: Board) -> None:
    board.say("V7")
    board.counts(0, 20)
    assert board.taken("crank") == []
    assert "flash it anew" in board.heard.events[0].sentence


@pytest.mark.parametrize(("line", "code"), [("X30", "board_flood"), ("E3", "board_illegal")])
def test_counts_that_cannot_be_trusted_are_left_out_told_once_and_begin_anew(
    board: Board, line: str, code: str
) -> None:
    board.counts(0, 30)
    for _ in range(20):
        board.say(line)
    board.counts(30, 300)
    assert board.codes == [code, "counts_lost"]
    assert len(board.taken("crank")) == 30 + 300 - 124
    assert len({some.segment.number for some in board.heard.all}) == 2


@pytest.mark.parametrize(
    ("line", "code", "words"),
    [
        ("WA,mute", "board_gauge_mute", "battery"),
        ("WA,length,24", "board_gauge_format", "length 24"),
        ("WA,bits", "board_gauge_format", "one gauge alone"),
        ("Ai0.5000", "gauge_unit", "unit key"),
        ("Wcommand", "board_command", "WIRING.txt"),
    ],
)
def test_what_the_board_hears_wrong_is_one_sentence(board: Board, line: str, code: str, words: str) -> None:
    board.say(line, line, line)
    assert board.codes == [code]
    assert words in board.heard.events[0].sentence


def test_a_turned_bit_is_seen_by_the_check(board: Board) -> None:
    board.counts(0, 10)
    body = b"C10 1044000 "
    good = body + b"%02X\n" % crc8(body)
    for place in range(len(good) - 1):
        for bit in range(7):
            bad = bytearray(good)
            bad[place] ^= 1 << bit
            board.channels.take(bytes(bad) + b"\n", board.now_ms * 1_000_000)
    assert board.taken("crank") == list(range(10))


@pytest.mark.parametrize(
    "change",
    [
        ('tag = "A"', ""),
        ('tag = "A"', 'tag = "C"'),
        ('frame = "board"\nbaud = 115200\ntag = "A"', 'frame = "decimal"'),
        ("baud = 115200", "baud = 9600"),
    ],
)
def test_a_bench_file_whose_board_does_not_agree_with_itself_is_refused(change: tuple[str, str]) -> None:
    with pytest.raises(BenchFileError) as refused:
        parse_bench(BENCH.replace(*change).encode())
    assert len(refused.value.problems) == 1


def test_ports_recognises_the_board_and_writes_crank_and_gauges_for_one_port() -> None:
    lines = []
    for number in range(20):
        for value in (f"C{number}", "Ai0.4860", "Wcommand"):
            body = f"{value} {number * 4000} "
            lines.append(f"{body}{crc8(body.encode()):02X}\n")
    heard_bytes = ("1 5E\n" + "".join(lines)).encode()
    found = recognise(heard_bytes)
    assert found is not None
    assert found[:2] == ("board", 20)
    port = ListedPort("/dev/serial/by-id/board", "")
    sniffed = Sniffed(port, "board", 250000, "8N1", found[2], "", inputs=inputs_of_board(heard_bytes))
    bench = parse_bench(suggested_bench([sniffed]).encode())
    assert bench.crank is not None
    assert (bench.crank.frame, bench.crank.baud) == ("board", 250000)
    assert [(gauge.tag, gauge.unit, gauge.port) for gauge in bench.gauge] == [("A", "in", port.name)]


def test_ports_listens_at_the_boards_speed() -> None:
    assert 250_000 in BAUDS


@pytest.mark.parametrize("heard_bytes", [b"\nC18273 4408123 00\n" * 9, b"\nA 12.34\n" * 9])
def test_lines_without_the_boards_check_are_not_its(heard_bytes: bytes) -> None:
    found = recognise(heard_bytes)
    assert found is None or found[0] != "board"
