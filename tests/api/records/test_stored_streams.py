"""What the store folds away comes back: a standing gauge is not silent, a standing crank is known."""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st

from api.records import StoredStreams
from api.records.streams import crank_readings, gauge_readings
from capture.base import Segment
from capture.bench import parse_bench
from capture.store import StreamReader, StreamWriter
from capture.store.blocks import BlockBuilder
from capture.store.stream_store import Batch

BENCH = """
[crank]
port = "/dev/ttyUSB0"
frame = "count"
counts_per_turn = 360
[[gauge]]
name = "dial"
port = "/dev/ttyUSB1"
frame = "decimal"
"""
STEP_NS = 100_000_000
ENDS = st.tuples(st.integers(0, 2999), st.integers(0, 2999)).map(sorted)


def stands(seed: int) -> list[int]:
    """Values that stand for a moment, for some seconds, for a minute."""
    rng = np.random.default_rng(seed)
    values = rng.integers(-5, 6, 300)
    lengths = rng.choice([1, 2, 3, 15, 49, 50, 51, 52, 53, 80, 600], 300)
    return [int(value) for value in np.repeat(values, lengths)[:3000]]


RAW = {"crank": stands(1), "dial": stands(2)}


@pytest.fixture(scope="module")
def reader(tmp_path_factory: pytest.TempPathFactory) -> StreamReader:
    return stored(tmp_path_factory.mktemp("store"), RAW)


def stored(folder: Path, raw: dict[str, list[int]]) -> StreamReader:
    """Write readings that come every 0.1 s through capture's own packing into a real store."""
    bench = parse_bench(BENCH.encode())
    writer = StreamWriter(folder)
    writer.begin_run(bench.channels, mono_ns=0, wall_ns=0, pid=1, boot_id="x", bench=BENCH)
    segment = Segment(0, "start", decimals=2)
    for channel in bench.channels:
        builder = BlockBuilder(channel)
        blocks = [builder.add(segment, k, k * STEP_NS, value) for k, value in enumerate(raw[channel.name])]
        blocks = [*dict.fromkeys(block for block in [*blocks, builder.close()] if block is not None)]
        writer.write(Batch(blocks=blocks, segments=[(channel, segment, 0, 0)]))
    writer.close()
    return StreamReader(folder)


@given(ENDS)
@settings(deadline=None)
def test_every_reading_of_a_standing_gauge_comes_back(reader: StreamReader, ends: list[int]) -> None:
    start, end = ends
    interval = start * STEP_NS, end * STEP_NS
    t_ns, value = gauge_readings(reader.read_with_neighbours(1, "dial", *interval), *interval)
    assert t_ns.tolist() == [k * STEP_NS for k in range(start, end + 1)]
    assert value.tolist() == [one / 100 for one in RAW["dial"][start : end + 1]]


@given(ENDS)
@settings(deadline=None)
def test_the_crank_is_known_at_both_ends_and_in_between(reader: StreamReader, ends: list[int]) -> None:
    start, end = ends
    interval = start * STEP_NS, end * STEP_NS
    t_ns, value = crank_readings(reader.read_with_neighbours(1, "crank", *interval), *interval)
    asked = np.arange(start, end + 1) * STEP_NS
    assert np.interp(asked, t_ns, value).tolist() == [one + 0.5 for one in RAW["crank"][start : end + 1]]


@given(st.integers(26, 2970), st.integers(-25, 25), st.integers(0, 1))
@example(901, 0, 0)  # the crank moved with its last line, and then stood
@settings(deadline=None, max_examples=60)
def test_what_is_stored_after_the_fit_is_not_in_its_trace(count: int, further: int, later: int) -> None:
    """A busy computer hears one channel's lines seconds after the other's; the end that was told holds all the same."""
    so_far = {"crank": count, "dial": count + further}
    behind = "crank" if further > 0 else "dial"
    # All that capture has read is stored when it is asked: only of one that stands, or spoke just now, can more be on
    # its way.
    assume(abs(further) + later < 2 or RAW[behind][so_far[behind] - 2] == RAW[behind][so_far[behind] - 1])
    with tempfile.TemporaryDirectory() as folder:
        for name in ("before", "after"):
            (Path(folder) / name).mkdir()
        stored(Path(folder) / "before", {name: RAW[name][:many] for name, many in so_far.items()})
        stored(Path(folder) / "after", RAW)
        before, after = (StoredStreams(Path(folder) / name) for name in ("before", "after"))
        end_ns = before.told_until(1, "dial", (max(so_far.values()) + later) * STEP_NS)
        start_ns = max(0, end_ns - 600 * STEP_NS)
        first, again = (one.of_run(1, "dial", start_ns, end_ns) for one in (before, after))
    assert first.gauge_t_ns.tolist() == again.gauge_t_ns.tolist()
    assert first.gauge_mm.tolist() == again.gauge_mm.tolist()
    assert first.crank_t_ns.tolist() == again.crank_t_ns.tolist()
    assert first.crank_deg.tolist() == again.crank_deg.tolist()


def test_less_than_half_of_the_readings_were_stored(reader: StreamReader) -> None:
    assert len(reader.read(1, "dial")) < 1500
