"""The trace file: what is written comes back digit for digit, and every bad file is told by its line."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from api.base import TraceFileError
from api.records import read_trace, trace_file, trace_lines

GOOD = "time_s,channel,value\n0.000,crank_deg,0.05\n0.010,crank_deg,0.15\n0.020,plunger_mm,1.25\n"


def written(tmp_path: Path, text: str | bytes) -> Path:
    path = tmp_path / "trace.csv"
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return path


def test_a_plain_file_is_sorted_by_channel(tmp_path: Path) -> None:
    trace = read_trace(written(tmp_path, GOOD))
    assert trace.gauges == {"plunger": "plunger_mm"}
    assert trace.channels["crank_deg"].time_s.tolist() == [0.0, 0.01]
    assert trace.channels["crank_deg"].value.tolist() == [0.05, 0.15]
    assert trace.gauge_mm("plunger").value.tolist() == [1.25]


@pytest.mark.parametrize(
    "text",
    [
        "# shop\n# bench\n" + GOOD,
        GOOD.replace("\n", "\r\n"),
        "\ufeff" + GOOD,
        GOOD.replace("0.010,", "# the cable was moved\n0.010,"),
        GOOD.replace("\n0.010", "\n\n0.010"),
        GOOD.replace(",", " , "),
        GOOD.replace("crank_deg", '"crank_deg"'),
        GOOD.rstrip("\n"),
    ],
    ids=["comments", "crlf", "mark", "comment-inside", "blank-line", "spaces", "quotes", "no-last-newline"],
)
def test_the_same_readings_dressed_otherwise_are_the_same(tmp_path: Path, text: str) -> None:
    plain = read_trace(written(tmp_path, GOOD))
    other = read_trace(written(tmp_path, text))
    assert other.gauges == plain.gauges
    for name, channel in plain.channels.items():
        assert other.channels[name].time_s.tolist() == channel.time_s.tolist()
        assert other.channels[name].value.tolist() == channel.value.tolist()


def test_inches_become_millimetres(tmp_path: Path) -> None:
    trace = read_trace(written(tmp_path, GOOD.replace("plunger_mm,1.25", "plunger_in,0.05")))
    assert trace.gauge_mm("plunger").value.tolist() == pytest.approx([1.27])


@pytest.mark.parametrize(
    ("text", "code", "line", "words"),
    [
        ("", "empty_file", 1, "empty"),
        ("# only a comment\n", "empty_file", 1, "header"),
        ("time_s,value\n0,1\n", "missing_column", 1, "channel"),
        ("value,channel,time_s\n0,crank_deg,1\n", "wrong_header", 1, "time_s,channel,value"),
        ("time_s,channel,value\n", "no_readings", 2, "no readings"),
        ("time_s,channel,value\n0,crank_deg,1\n", "one_reading", 2, "one reading"),
        (GOOD.replace("0.15", "nan"), "not_a_number", 3, "value"),
        (GOOD.replace("0.15", "-inf"), "not_a_number", 3, "inf"),
        (GOOD.replace("0.15", "1_5"), "not_a_number", 3, "1_5"),
        (GOOD.replace("0.010", "ten"), "not_a_number", 3, "time_s"),
        (GOOD.replace("0.15", ""), "empty_cell", 3, "value"),
        (GOOD.replace("0.15", "0.15,x"), "wrong_columns", 3, "4 columns"),
        (GOOD.replace("0.010,crank_deg,0.15", "0.010 0.15"), "wrong_columns", 3, "1 columns"),
        (GOOD.replace("plunger_mm", "plunger mm!"), "bad_channel", 4, "plunger mm!"),
        (GOOD.replace("0.010", "0.030"), "times_out_of_order", 4, "0.02"),
        ("# a\n\n" + GOOD.replace("0.010", "# b\n0.030"), "times_out_of_order", 7, "0.03"),
        (GOOD.replace("crank_deg", "disc_deg"), "no_crank_channel", None, "disc_deg"),
        (GOOD.replace("plunger_mm", "plunger_v"), "no_gauge_channel", None, "plunger_v"),
        (GOOD.replace("1.25", "1250000"), "absurd_units", 4, "plunger_mm"),
        (GOOD.replace("0.020,", "200000,"), "absurd_units", 2, "seconds"),
        (b"time_s,channel,value\n\xff\xfe,crank_deg,1\n", "not_text", 2, "UTF-8"),
        (b"\x00\x01\x02", "not_text", 1, "NUL"),
    ],
)
def test_a_bad_file_is_told_by_its_line(
    tmp_path: Path, text: str | bytes, code: str, line: int | None, words: str
) -> None:
    with pytest.raises(TraceFileError) as told:
        read_trace(written(tmp_path, text))
    assert told.value.code == code
    assert told.value.line == line
    assert words in told.value.message
    assert "\n" not in told.value.message


def test_a_fault_far_down_a_large_file_is_told_by_its_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(trace_file, "BLOCK_BYTES", 4096)
    rows = [f"{k / 1000:.3f},crank_deg,{k * 0.1:.2f}" for k in range(3000)]
    rows[2500] = "2.500,crank_deg,oops"
    with pytest.raises(TraceFileError, match="line 2,502: "):
        read_trace(written(tmp_path, "time_s,channel,value\n" + "\n".join(rows) + "\n"))


@pytest.mark.parametrize(
    "left", ["0.020,plunger_mm,1.2", "0.020,plunger_mm,1", "0.030,crank_deg,6", "0.0", "0.030,"]
)
def test_a_file_of_ours_that_was_cut_off_is_told_and_no_piece_of_a_number_is_taken_for_one(
    tmp_path: Path, left: str
) -> None:
    own = "".join(trace_lines({}, 0, ["Lobewright trace 7: piston_1", "measurement {}"]))
    assert read_trace(written(tmp_path, own + GOOD.partition("\n")[2])).channels
    with pytest.raises(TraceFileError, match="cut off; copy or export it again"):
        read_trace(written(tmp_path, own + GOOD.partition("\n")[2] + left))


def test_a_file_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(TraceFileError, match="no such file"):
        read_trace(tmp_path / "nothing.csv")


finite = st.floats(allow_nan=False, allow_infinity=False, min_value=-1e6, max_value=1e6)


@given(
    st.lists(st.tuples(st.integers(0, 80_000_000_000), finite), min_size=2, max_size=40),
    st.lists(
        st.tuples(st.integers(0, 80_000_000_000), st.integers(-70_000, 70_000)), min_size=1, max_size=40
    ),
)
def test_what_is_written_comes_back_digit_for_digit(
    tmp_path_factory: pytest.TempPathFactory, crank: list[tuple[int, float]], gauge: list[tuple[int, int]]
) -> None:
    crank, gauge = sorted(crank), sorted(gauge)
    channels = {
        "crank_deg": (np.array([t for t, _ in crank]), np.array([v for _, v in crank])),
        "rod_mm": (np.array([t for t, _ in gauge]), np.array([v for _, v in gauge]) / 1000.0),
    }
    path = tmp_path_factory.mktemp("trace") / "trace.csv"
    path.write_text("".join(trace_lines(channels, 0, ["Hollin Lane"])), encoding="utf-8")
    trace = read_trace(path)
    for name, (t_ns, value) in channels.items():
        assert np.round(trace.channels[name].time_s * 1e9).astype(np.int64).tolist() == t_ns.tolist()
        assert trace.channels[name].value.tolist() == value.tolist()
