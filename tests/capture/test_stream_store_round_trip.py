"""What goes into the store comes out of it; what is folded is counted."""

from __future__ import annotations

import random
import sqlite3
import tempfile
import threading
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capture.base import Channel, Event, Gap, Readings, Segment, StoreNewer, StoreUnusable
from capture.store import Recorder, StreamReader, StreamWriter
from capture.store.blocks import Block, BlockBuilder
from capture.store.stream_store import Batch, integrity

CRANK = Channel("crank", "crank", "deg", counts_per_turn=3600)
GAUGE = Channel("plunger", "gauge", "in", sign=-1)


def begun(folder: Path) -> StreamWriter:
    writer = StreamWriter(folder)
    writer.begin_run([CRANK, GAUGE], mono_ns=5, wall_ns=6, pid=1, boot_id="b", bench="text")
    return writer


def blocks_of(
    channel: Channel, segment: Segment, readings: list[tuple[int, int]], close_every: int
) -> list[Block]:
    builder, blocks = BlockBuilder(channel), {}
    for number, (t_ns, raw) in enumerate(readings):
        touched = [builder.add(segment, number, t_ns, raw)]
        if number % close_every == 0:
            touched.append(builder.close())
        for block in touched:
            if block is not None:
                blocks[id(block)] = block
    closed = builder.close()
    if closed is not None:
        blocks[id(closed)] = closed
    return list(blocks.values())


STEPS = st.lists(
    st.tuples(st.integers(1, 3_000_000_000), st.one_of(st.just(0), st.integers(-(2**40), 2**40))),
    min_size=1,
    max_size=120,
)


@settings(max_examples=60)
@given(steps=STEPS, close_every=st.integers(1, 60), channel=st.sampled_from([CRANK, GAUGE]))
def test_every_line_is_accounted_for_and_every_value_comes_back(
    steps: list[tuple[int, int]], close_every: int, channel: Channel
) -> None:
    t_ns, raw, readings = 10**9, 0, []
    for wait_ns, step in steps:
        t_ns, raw = t_ns + wait_ns, raw + step
        readings.append((t_ns, raw))
    with tempfile.TemporaryDirectory() as folder:
        writer = begun(Path(folder))
        segment = Segment(0, "start", decimals=4)
        writer.write(Batch(blocks_of(channel, segment, readings, close_every), [(channel, segment, 0, 0)]))
        writer.close()
        back = StreamReader(folder).read(1, channel.name)
    assert list(back.every_raw()) == [raw for _, raw in readings]
    assert back.lines == len(readings)
    known = dict(readings)
    assert all(known[int(t)] == int(raw) for t, raw in zip(back.t_ns, back.raw, strict=True)), (
        "kept stamps are exact"
    )
    assert list(back.value) == [channel.value(int(raw), 4) for raw in back.raw]
    assert int(back.sequence[-1]) == len(readings) - 1
    pauses = [
        number for number in range(1, len(readings)) if readings[number][0] - readings[number - 1][0] > 10**9
    ]
    assert {readings[number][0] for number in pauses} <= set(back.t_ns.tolist()), (
        "silence is never folded away"
    )


def test_a_crank_that_stands_still_stores_next_to_nothing(tmp_path: Path) -> None:
    writer, segment = begun(tmp_path), Segment(0, "start")
    readings = [(10**9 + number * 10**6, 1234) for number in range(600_000)]
    blocks = blocks_of(CRANK, segment, readings, 500)
    writer.write(Batch(blocks, [(CRANK, segment, 0, 0)]))
    writer.close()
    back = StreamReader(tmp_path).read(1, "crank")
    assert len(blocks) == 1
    assert (len(back), back.lines) == (2, 600_000)
    assert (back.t_ns[0], back.t_ns[-1]) == (readings[0][0], readings[-1][0])


def test_a_gauge_at_rest_is_kept_in_full_for_five_seconds(tmp_path: Path) -> None:
    writer, segment = begun(tmp_path), Segment(0, "start", decimals=2)
    readings = [(10**9 + number * 10**8, 77) for number in range(200)]
    writer.write(Batch(blocks_of(GAUGE, segment, readings, 1000), [(GAUGE, segment, 0, 0)]))
    writer.close()
    back = StreamReader(tmp_path).read(1, "plunger")
    assert list(back.t_ns[:50]) == [t for t, _ in readings[:50]]
    assert len(back) < 55
    assert back.lines == 200


def test_who_asks_while_blocks_are_being_closed_is_told_of_all_that_was_heard_before(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    told: list[int] = []
    answered = threading.Event()

    def hear(number: int) -> None:
        recorder.readings(Readings(CRANK, Segment(0, "start"), number, (10**9 + number,), (number,)))

    def answer(stored: bool) -> None:
        assert stored
        told.append(recorder.saved()["crank"])
        answered.set()

    class Interrupted(BlockBuilder):
        """Between taking what is heard and writing it, one more reading comes, and the question after it."""

        def close(self) -> Block | None:
            if self.kept and not asked:
                asked.append(True)
                hear(1)
                recorder.request_flush(answer)
            return super().close()

    asked: list[bool] = []
    monkeypatch.setattr("capture.store.recorder.BlockBuilder", Interrupted)
    recorder = Recorder(begun(tmp_path), [CRANK, GAUGE])
    hear(0)
    recorder.start()
    assert answered.wait(30)
    assert recorder.stop(30)
    assert told == [1]


def test_a_million_readings_take_about_four_bytes_each(tmp_path: Path) -> None:
    writer, segment, rng = begun(tmp_path), Segment(0, "start"), random.Random(4)
    t_ns, raw, readings = 10**9, 0, []
    for _ in range(100_000):
        t_ns, raw = t_ns + rng.randrange(900_000, 1_100_000), raw + rng.choice([0, 1, 1, 2])
        readings.append((t_ns, raw))
    blocks = blocks_of(CRANK, segment, readings, 10**9)
    assert sum(len(block.packed()) for block in blocks) / sum(len(block.t_ns) for block in blocks) < 5.0
    writer.close()


def test_an_interval_is_read_by_its_ends_included(tmp_path: Path) -> None:
    writer, segment = begun(tmp_path), Segment(0, "start")
    readings = [(number * 10**6, number) for number in range(1, 1000)]
    writer.write(Batch(blocks_of(CRANK, segment, readings, 100), [(CRANK, segment, 0, 0)]))
    writer.close()
    back = StreamReader(tmp_path).read(1, "crank", 200 * 10**6, 300 * 10**6)
    assert list(back.raw) == list(range(200, 301))


def test_a_count_stands_for_its_middle_whichever_way_the_encoder_counts() -> None:
    from capture.bench import Frame
    from capture.port.continuity import CrankContinuity

    forward, backward = CrankContinuity(3600, 1, 0, 300), CrankContinuity(3600, -1, 0, 300)
    (one,) = forward.admit(Frame(9, 1), 1)
    (other,) = backward.admit(Frame(9, 1), 1)
    assert CRANK.value(one.raw, 0) == pytest.approx(0.95)
    assert CRANK.value(other.raw, 0) == pytest.approx(-0.95)


def test_gaps_events_anchors_and_devices_come_back(tmp_path: Path) -> None:
    writer = begun(tmp_path)
    gap, event = Gap("crank", "rejected", 1, 2, 3), Event(4, "crank", "port_lost", "gone")
    writer.write(Batch(gaps=[gap], events=[event], anchors=[(7, 8)], devices={"crank": "/dev/x node:1:2"}))
    writer.end_run(9, 10)
    writer.close()
    reader = StreamReader(tmp_path)
    assert reader.gaps(1) == [gap]
    assert reader.events(1, "crank") == [event]
    assert reader.anchors(1) == [(5, 6), (7, 8)]
    assert reader.channels(1)[0].device == "/dev/x node:1:2"
    assert reader.latest_run().ending == "stopped"  # type: ignore[union-attr]
    assert integrity(reader.path) == "ok"


def test_a_run_that_was_cut_off_is_closed_with_a_gap_by_the_next(tmp_path: Path) -> None:
    writer, segment = begun(tmp_path), Segment(0, "start")
    writer.write(Batch(blocks_of(CRANK, segment, [(100, 1), (200, 2)], 1000), [(CRANK, segment, 0, 100)]))
    writer.close()
    writer = StreamWriter(tmp_path)
    writer.begin_run([CRANK], mono_ns=900, wall_ns=1, pid=2, boot_id="b", bench="")
    writer.close()
    reader = StreamReader(tmp_path)
    assert reader.runs()[0].ending == "cut_off"
    assert Gap("crank", "unread", 200, 900) in reader.gaps(1)


def test_a_batch_that_fails_leaves_nothing_behind_and_can_be_written_again(tmp_path: Path) -> None:
    writer, segment = begun(tmp_path), Segment(0, "start")
    blocks = blocks_of(CRANK, segment, [(100, 1), (200, 2)], 1000)
    with pytest.raises(KeyError):
        writer.write(Batch([*blocks, Block(Channel("x", "gauge", "mm"), segment, 0, [1], [1], [0])]))
    assert StreamReader(tmp_path).saved(1) == {}
    writer.write(Batch(blocks, [(CRANK, segment, 0, 100)]))
    writer.close()
    assert StreamReader(tmp_path).saved(1) == {"crank": 1}


def test_what_is_no_stream_store_is_refused_in_a_sentence(tmp_path: Path) -> None:
    (tmp_path / "streams.db").write_bytes(b"hello" * 1000)
    with pytest.raises(StoreUnusable, match=r"streams\.db"):
        StreamWriter(tmp_path)
    with pytest.raises(StoreUnusable, match=r"streams\.db"):
        StreamReader(tmp_path).runs()
    with pytest.raises(StoreUnusable, match="no stream store"):
        StreamReader(tmp_path / "elsewhere.db").runs()


def test_a_newer_store_is_refused_by_readers_too(tmp_path: Path) -> None:
    begun(tmp_path).close()
    with closing(sqlite3.connect(tmp_path / "streams.db")) as connection:
        connection.execute("PRAGMA user_version = 99")
    with pytest.raises(StoreNewer, match="newer version"):
        StreamReader(tmp_path).runs()


def test_an_unknown_channel_is_a_key_error_that_names_it(tmp_path: Path) -> None:
    begun(tmp_path).close()
    with pytest.raises(KeyError, match="'exhaust'"):
        StreamReader(tmp_path).read(1, "exhaust")


def test_reading_while_writing_sees_whole_batches_only(tmp_path: Path) -> None:
    writer, segment = begun(tmp_path), Segment(0, "start")
    builder, reader = BlockBuilder(CRANK), StreamReader(tmp_path)
    for number in range(2000):
        builder.add(segment, number, number * 10**6, number)
        if number % 200 == 199:
            closed = builder.close()
            assert closed is not None
            writer.write(Batch([closed], [(CRANK, segment, 0, 0)]))
            assert np.array_equal(reader.read(1, "crank").raw, np.arange(number + 1))
    writer.close()
