"""Nothing whatever in a trace file makes it fall over: it is read, or refused with a sentence and a line."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from api.base import TraceFileError
from api.records import CRANK, read_trace

HEADER = "time_s,channel,value"
numbers = st.one_of(
    st.floats().map(repr),
    st.integers(-(10**30), 10**30).map(str),
    st.sampled_from(
        ["", "-", "1e999", "-0", "0x10", "1_000", "١", "1,5", '"1"', " 1 ", "+1.50", "nan", "1e-400"]
    ),
)
names = st.one_of(
    st.sampled_from(["crank_deg", "dial_mm", "dial_in", "b_mm", "mm", "_mm", "CRANK_DEG", "", '"crank_deg"']),
    st.text(max_size=12),
)
row = st.tuples(numbers, names, numbers).map(",".join)
junk = st.one_of(
    st.text(max_size=40), st.sampled_from(["# a comment", "", ",,", ",,,", '"', HEADER, "\x00", "\ufeff"])
)
documents = st.tuples(
    st.sampled_from(
        [
            HEADER,
            HEADER.upper(),
            "value,channel,time_s",
            "time_s,channel",
            "\ufeff" + HEADER,
            "# x\n" + HEADER,
        ]
    ),
    st.lists(st.one_of(row, row, row, junk), max_size=12),
    st.sampled_from(["\n", "\r\n", "\r", "\n\n"]),
).map(lambda parts: parts[2].join([parts[0], *parts[1]]).encode("utf-8", "surrogatepass"))


def judged(path: Path, content: bytes) -> None:
    path.write_bytes(content)
    try:
        trace = read_trace(path)
    except TraceFileError as error:
        assert error.code
        assert error.message.strip()
        assert error.message.count("\n") == 0
        assert len(error.message) < 600
        return
    assert CRANK in trace.channels
    for one in trace.channels.values():
        assert np.isfinite(one.time_s).all()
        assert np.isfinite(one.value).all()


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("fuzzed") / "trace.csv"


@pytest.mark.slow
@settings(max_examples=300)
@given(content=documents)
@example(content=f"{HEADER}\n0,crank_deg,1\n0,dial_mm,1e308\n1,dial_in,1e308\n".encode())
@example(content=f"{HEADER}\n1e308,crank_deg,1\n-1e308,dial_mm,1\n".encode())
@example(content=f"{HEADER}\n0,crank_deg,1\n0,dial_in,1e308\n".encode())
def test_no_rows_whatever_make_it_fall_over(path: Path, content: bytes) -> None:
    judged(path, content)


@settings(max_examples=200)
@given(content=st.binary(max_size=400))
@example(content=b"")
@example(content=b"\xff\xfet\x00i\x00m\x00e\x00")
@example(content=b"PK\x03\x04" + bytes(100))
def test_no_bytes_whatever_make_it_fall_over(path: Path, content: bytes) -> None:
    judged(path, content)
