from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capture.base import BenchFileError
from capture.bench import load_bench, parse_bench

GOOD = """\
[crank]
port = "/dev/serial/by-id/encoder"
baud = 115200
framing = "8N1"
frame = "count"
counts_per_turn = 3600
direction = 1

[[gauge]]
name = "plunger"
port = "COM5"
frame = "decimal"
unit = "mm"
request = "?\\r"

[[gauge]]
name = "inlet"
port = "socket://127.0.0.1:7000"
frame = "tagged"
tag = "A"
unit = "in"
"""


def problems(text: str | bytes) -> list[str]:
    with pytest.raises(BenchFileError) as told:
        parse_bench(text if isinstance(text, bytes) else text.encode())
    return told.value.problems


def test_a_good_file_gives_its_channels() -> None:
    bench = parse_bench(GOOD.encode())
    assert [channel.name for channel in bench.channels] == ["crank", "plunger", "inlet"]
    assert bench.gauge[0].request_bytes == b"?\r"
    assert bench.instruments[0].byte_ns == 86806


@pytest.mark.parametrize(
    ("change", "line", "words"),
    [
        (('port = "COM5"', 'port = "COM"'), 11, ["'COM'", "lobewright ports"]),
        (('frame = "count"', 'frame = "cuont"'), 5, ["not a frame kind", "count_index"]),
        (('frame = "count"', 'frame = "decimal"'), 5, ["no frame kind of a crank"]),
        (("counts_per_turn", "counts_per_trun"), 6, ["did you mean `counts_per_turn`?"]),
        (("counts_per_turn = 3600", "counts_per_turn = 3600,5"), 6, ["has a comma", "write a point"]),
        (("direction = 1", "direction = 2"), 7, ["direction", "1 or -1"]),
        (('unit = "mm"', 'unit = "cm"'), 13, ["'plunger'", "'mm' or 'in'"]),
        (('name = "inlet"', 'name = "In let"'), 17, ["small letters"]),
        (('name = "inlet"', 'name = "plunger"'), 1, ["given twice"]),
        (('framing = "8N1"', 'framing = "9N1"'), 4, ["8N1 or 7E1"]),
        (("baud = 115200", 'baud = "fast"'), 3, ["baud", "integer"]),
        (('tag = "A"', 'frame_ = "x"'), 20, ["unknown key `frame_`", "`frame`"]),
        (("[[gauge]]", "[[guage]]"), 9, ["did you mean `gauge`?"]),
    ],
)
def test_a_mistake_is_told_with_its_line_the_reason_and_what_to_do(
    change: tuple[str, str], line: int, words: list[str]
) -> None:
    told = problems(GOOD.replace(*change, 1) if change[0] != "[[gauge]]" else GOOD.replace(*change))
    assert any(
        f"line {line}:" in sentence and all(word in sentence for word in words) for sentence in told
    ), told
    assert all("\n" not in sentence for sentence in told)


def test_every_mistake_is_told_at_once() -> None:
    text = GOOD.replace('"count"', '"cuont"').replace("COM5", "COM").replace('"in"', '"ft"')
    assert len(problems(text)) == 3


@pytest.mark.parametrize(
    ("pattern", "words"),
    [("(", "not a regular expression"), ("[0-9]+", "(?P<value>"), ("(?P<value>.)(?P<x>.)", "nobody reads")],
)
def test_a_pattern_that_cannot_work_is_refused(pattern: str, words: str) -> None:
    text = f'[[gauge]]\nname = "g"\nport = "/dev/g"\nframe = "pattern"\npattern = "{pattern}"\n'
    (told,) = problems(text)
    assert words in told
    assert "line 5" in told


@pytest.mark.parametrize(
    "text", ["", "x", "[crank", "crank = 3", "gauge = [1]", "gauge = 3", "[[crank]]", b"\xff\xfe", b"\0"]
)
def test_what_is_no_bench_file_gets_one_sentence(text: str | bytes) -> None:
    assert len(problems(text)) == 1


def test_a_file_that_is_not_there_gets_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(BenchFileError, match="cannot be read"):
        load_bench(tmp_path / "none.toml")


@settings(max_examples=200)
@given(st.one_of(st.text(max_size=200).map(str.encode), st.binary(max_size=200)))
def test_nothing_whatever_in_a_file_makes_it_fall_over(content: bytes) -> None:
    try:
        parse_bench(content)
    except BenchFileError as told:
        assert told.problems


KEYS = st.sampled_from(
    ["port", "baud", "framing", "frame", "name", "unit", "tag", "pattern", "request", "sign"]
)
VALUES = st.one_of(
    st.integers(),
    st.booleans(),
    st.text(max_size=8),
    st.floats(allow_nan=False),
    st.lists(st.integers(), max_size=2),
)


@settings(max_examples=200)
@given(table=st.dictionaries(KEYS, VALUES), head=st.sampled_from(["[crank]", "[[gauge]]"]))
def test_no_value_of_a_key_makes_it_fall_over(table: dict[str, object], head: str) -> None:
    import json

    body = "\n".join(f"{key} = {json.dumps(value)}" for key, value in table.items())
    try:
        parse_bench(f"{head}\n{body}\n".encode("utf-8", "replace"))
    except BenchFileError as told:
        assert all("bench.toml, line" in sentence for sentence in told.problems)
