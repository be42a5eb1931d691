"""The contract that every frame decoder keeps, whatever it is fed."""

from __future__ import annotations

import itertools
import time

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capture.bench import FRAME_KINDS, make_decoder
from capture.bench.frames import BUFFER_BYTES, Decoder

GOOD = {
    "decimal": (b"+12.340", 12340, 3),
    "tagged": (b"A -0.010", -10, 3),
    "count": (b"-3599", -3599, 0),
    "count_index": (b"3600 1", 3600, 0),
    "count_micros": (b"17 4294967295", 17, 0),
    "board": (b"C5 4294967295 56", 5, 0),
    "pattern": (b"<5.25>", 525, 2),
}


def fresh(kind: str) -> Decoder:
    pattern = r"<(?P<value>[-+0-9.]+)>" if kind == "pattern" else ""
    return make_decoder(kind, pattern=pattern)


def started(kind: str) -> Decoder:
    decoder = fresh(kind)
    decoder.feed(b"\n")
    return decoder


every_kind = pytest.mark.parametrize("kind", sorted(FRAME_KINDS))


def test_every_frame_kind_is_in_this_contract() -> None:
    assert set(GOOD) == set(FRAME_KINDS)


@every_kind
def test_a_good_line_is_recognised_exactly(kind: str) -> None:
    text, value, decimals = GOOD[kind]
    (frame,) = started(kind).feed(text + b"\r\n")
    assert (frame.value, frame.decimals, frame.text) == (value, decimals, text)


@every_kind
def test_nothing_before_the_first_terminator_is_believed(kind: str) -> None:
    decoder = fresh(kind)
    assert decoder.feed(GOOD[kind][0] + b"\r\n") == []
    assert decoder.rejects.partial == 1
    assert len(decoder.feed(GOOD[kind][0] + b"\r\n")) == 1


@every_kind
def test_after_resynchronising_the_line_begun_is_dropped(kind: str) -> None:
    decoder = started(kind)
    text = GOOD[kind][0]
    decoder.feed(text[:3])
    decoder.resynchronise()
    assert decoder.feed(text[3:] + b"\n") == []
    assert len(decoder.feed(text + b"\n")) == 1


@every_kind
def test_any_terminator_and_padding_will_do(kind: str) -> None:
    text = GOOD[kind][0]
    sent = b"".join([text, b"\r", text, b"\n", text, b"\r\n", b"\0", text, b"\0\n\r", text, b"\n\n"])
    assert len(started(kind).feed(sent)) == 5


@every_kind
@settings(deadline=None)
@given(cuts=st.lists(st.integers(1, 9), min_size=1, max_size=40))
def test_how_the_bytes_are_cut_makes_no_difference(kind: str, cuts: list[int]) -> None:
    sent = (GOOD[kind][0] + b"\r\nrubbish\r\n") * 5
    whole = [frame.value for frame in started(kind).feed(sent)]
    decoder, values, place = started(kind), [], 0
    for cut in itertools.cycle(cuts):
        if place >= len(sent):
            break
        values += [frame.value for frame in decoder.feed(sent[place : place + cut])]
        place += cut
    assert values == whole
    assert decoder.rejects.rejected == 5


@every_kind
@settings(max_examples=150)
@given(chunks=st.lists(st.binary(max_size=300), max_size=30))
def test_no_bytes_whatever_break_it_and_the_buffer_stays_bounded(kind: str, chunks: list[bytes]) -> None:
    decoder = fresh(kind)
    for chunk in chunks:
        for frame in decoder.feed(chunk):
            assert 0 < frame.end <= len(chunk)
            assert frame.micros is None or 0 <= frame.micros < 2**32
        assert decoder.held <= BUFFER_BYTES


@every_kind
def test_a_flood_is_counted_once_and_the_next_line_is_read(kind: str) -> None:
    decoder = started(kind)
    for _ in range(1000):
        decoder.feed(b"7" * 1000)
        assert decoder.held <= BUFFER_BYTES
    assert decoder.rejects.overflow == 1
    decoder.feed(b"\n")
    assert len(decoder.feed(GOOD[kind][0] + b"\n")) == 1


@every_kind
@settings(deadline=None)
@given(st.data())
def test_a_frame_tells_how_many_lines_before_it_were_rejected(kind: str, data: st.DataObject) -> None:
    bad = data.draw(st.lists(st.integers(0, 4), min_size=1, max_size=10))
    sent = b"".join(b"?!\n" * count + GOOD[kind][0] + b"\n" for count in bad)
    assert [frame.rejects_before for frame in started(kind).feed(sent)] == bad


@settings(deadline=None)
@given(value=st.integers(-999_999, 999_999), decimals=st.integers(1, 6))
def test_a_decimal_keeps_every_digit(value: int, decimals: int) -> None:
    text = f"{value / 10**decimals:+.{decimals}f}"
    (frame,) = started("decimal").feed(text.encode() + b"\n")
    assert (frame.value, frame.decimals) == (value, decimals)


@pytest.mark.parametrize(
    "text", [b"12", b"1.2.3", b"--1.0", b"1e5", b"1,5", b"0x1.0", b"nan", b"1.0 mm", b"."]
)
def test_what_is_not_a_plain_decimal_is_rejected(text: bytes) -> None:
    decoder = started("decimal")
    assert decoder.feed(text + b"\n") == []
    assert decoder.rejects.rejected == 1


def test_a_tagged_gauge_takes_only_its_own_tag() -> None:
    decoder = make_decoder("tagged", tag="B")
    values = [frame.value for frame in decoder.feed(b"\nA+1.00\nB+2.00\nB 3.00\nAB4.00\n")]
    assert values == [200, 300]


@every_kind
def test_the_last_lines_are_kept_as_they_came_in_readable_or_not(kind: str) -> None:
    decoder = started(kind)
    text = GOOD[kind][0]
    decoder.feed(b"no such line\r\n" * 3 + b"".join([text + b"\r\n"] * 6) + text[:3])
    assert list(decoder.latest) == [(b"no such line", False)] * 2 + [(text, True)] * 6


def test_lines_made_against_a_pattern_cost_little_and_hide_no_good_one() -> None:
    decoder = make_decoder("pattern", pattern=r"(?:(?:1|11)+)+(?P<value>-?\d\.\d\d)")
    poison = b"1" * 60 + b"!\n"  # a plain matcher tries 2 to the power of 60 ways, more than a lifetime
    decoder.feed(b"\n")
    began_s = time.process_time()
    for _ in range(200):
        assert decoder.feed(poison) == []
    took_s = time.process_time() - began_s
    assert decoder.rejects.rejected == 200
    assert [frame.value for frame in decoder.feed(b"112.50\n")] == [250]
    assert took_s < 10.0, "processor time, which a busy machine does not lengthen"
