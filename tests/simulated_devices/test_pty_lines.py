"""Real pseudo-terminals: what is journalled is what was read, and nothing ever blocks."""

import os
import select
import time

import numpy as np
import pytest

from simulated_devices.machine import SimulatorError
from simulated_devices.wire import LINE_FAULTS, Outgoing
from simulated_devices.wire.line import escaped, read_journal, unescaped
from simulated_devices.wire.line_faults import (
    Bursts,
    Corrupted,
    Garbled,
    HeadLost,
    Late,
    MixedLineEnds,
    NoLineEnd,
    OneByteWrites,
)
from simulated_devices.wire.pty_line import PtyLine


def lines(count, start=0):
    return [Outgoing(line, line) for line in (b"%d\r\n" % number for number in range(start, start + count))]


def opened(path):
    return os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)


def read_all(reader, quiet_s=0.2):
    """Everything that comes until it has been quiet for a while."""
    got = b""
    while select.select([reader], [], [], quiet_s)[0]:
        try:
            chunk = os.read(reader, 65536)
        except OSError:
            break
        if not chunk:
            break
        got += chunk
    return got


@pytest.fixture
def line(tmp_path):
    made = PtyLine(tmp_path / "dial", tmp_path / "dial.journal")
    made.plug()
    yield made
    made.close()


def test_the_journal_holds_what_was_read_byte_for_byte(line, tmp_path):
    reader = opened(line.link)
    for start in range(0, 500, 50):
        line.send(lines(50, start))
    got = read_all(reader)
    os.close(reader)
    rows = read_journal(tmp_path / "dial.journal")
    assert b"".join(sent for _, sent, _ in rows) == got
    assert len(rows) == line.accepted == 500
    stamps = [stamp for stamp, _, _ in rows]
    assert stamps == sorted(stamps)
    assert not any(spoiled for _, _, spoiled in rows)


def test_nothing_is_sent_while_nobody_listens(line, tmp_path):
    line.send(lines(20))
    assert (line.accepted, line.dropped) == (0, 20)
    reader = opened(line.link)
    line.send(lines(1, 99))
    assert read_all(reader) == b"99\r\n"
    os.close(reader)


def test_what_one_reader_left_behind_never_reaches_the_next(line):
    first = opened(line.link)
    line.send(lines(100))
    os.close(first)
    line.send(lines(1))
    second = opened(line.link)
    line.send(lines(2, 500))
    assert read_all(second) == b"500\r\n501\r\n"
    os.close(second)


def test_a_reader_that_does_not_read_never_blocks_the_bench_and_loses_no_accepted_line(line, tmp_path):
    reader = opened(line.link)
    for start in range(0, 20_000, 100):
        line.send(lines(100, start))
    assert line.dropped > 0
    got = b""
    while piece := read_all(reader, 0.1):
        got += piece
        line.send([])
    os.close(reader)
    rows = read_journal(tmp_path / "dial.journal")
    assert b"".join(sent for _, sent, _ in rows) == got
    assert len(rows) == line.accepted
    assert line.accepted + line.dropped == 20_000


def test_a_line_begun_is_finished_before_the_next_begins(line):
    reader = opened(line.link)
    long = b"x" * 3000 + b"\r\n"
    for _ in range(40):
        line.send([Outgoing(long, long)])
    got = b""
    for _ in range(30):
        got += read_all(reader, 0.02)
        line.send(lines(1, 7))
    os.close(reader)
    assert line.dropped > 0
    assert set(got.split(b"\r\n")) <= {b"x" * 3000, b"7", b""}


def test_pulling_the_cable_cuts_a_line_and_takes_the_name_away(line, tmp_path):
    reader = opened(line.link)
    line.send(lines(3))
    line.unplug(half_line=b"+1.")
    got = read_all(reader, 0.3)
    os.close(reader)
    # A hang-up may take what was not read yet with it.
    assert got in {b"0\r\n1\r\n2\r\n+1.", b""}
    assert not line.plugged
    assert not line.link.is_symlink()
    assert len(read_journal(tmp_path / "dial.journal")) == 3


def test_a_replugged_cable_has_the_same_name_and_a_live_terminal(line):
    keep = opened(line.link)
    before = line.device
    line.unplug()
    line.plug()
    # The old terminal is still held open here, so the new one cannot have its name.
    assert line.device != before
    reader = opened(line.link)
    line.send(lines(1, 42))
    assert read_all(reader) == b"42\r\n"
    os.close(reader)
    os.close(keep)


def test_the_name_is_never_missing_while_it_is_moved(line):
    for _ in range(200):
        line.point_link()
        assert line.link.is_symlink()


def test_two_names_can_change_places(tmp_path, line):
    other = PtyLine(tmp_path / "other")
    other.plug()
    line.swap_links(other)
    reader = opened(tmp_path / "other")
    line.send(lines(1, 5))
    assert read_all(reader) == b"5\r\n"
    os.close(reader)
    other.close()
    line.close()
    assert not (tmp_path / "other").is_symlink()
    assert not (tmp_path / "dial").is_symlink()


def test_a_link_that_cannot_be_made_is_told_in_one_sentence(tmp_path):
    (tmp_path / "file").write_text("")
    made = PtyLine(tmp_path / "file" / "dial")
    with pytest.raises(SimulatorError, match="choose another --links folder"):
        made.plug()
    made.close()


def test_bytes_written_to_the_port_are_heard_as_they_are(line):
    reader = opened(line.link)
    line.has_reader()
    os.write(reader, b"?\r\n\x03\x04")
    time.sleep(0.05)
    assert line.read() == b"?\r\n\x03\x04"
    os.close(reader)


@pytest.mark.parametrize("sent", [b"", b"\\x41\t\r\n", bytes(range(256))])
def test_a_journal_can_hold_any_bytes(sent):
    assert unescaped(escaped(sent)) == sent
    assert "\n" not in escaped(sent)
    assert "\t" not in escaped(sent)


def spoil(fault, due, rng=None, now_s=0.0):
    return fault.pass_on(due, now_s, rng or np.random.default_rng(1))


def test_bursts_hold_lines_back_and_lose_none():
    fault, sent = Bursts(4096), []
    for start in range(0, 5000, 10):
        released = spoil(fault, lines(10, start))
        assert not released or sum(len(item.sent) for item in released) >= 4096
        sent += released
    assert [item.line for item in sent] == [item.line for item in lines(len(sent))]


def test_mixed_line_ends_are_not_called_spoiled():
    for item in spoil(MixedLineEnds(), lines(200)):
        assert not item.spoiled
        assert item.sent.strip(b"\r\n\0") == item.line.strip()


def test_corrupted_lines_come_at_their_rate_and_are_marked():
    marked = sum(item.spoiled for item in spoil(Corrupted(0.2), lines(5000, 10_000)))
    assert 700 < marked < 1100


def test_a_head_lost_leaves_a_shorter_line():
    out = spoil(HeadLost(1.0), [Outgoing(b"+12.345\r\n", b"+12.345\r\n")] * 50)
    assert all(item.spoiled and item.line.endswith(item.sent) for item in out)


def test_a_garbled_stream_has_nothing_of_the_line_left():
    out = spoil(Garbled(), lines(100))
    assert all(item.spoiled for item in out)
    assert not any(b"1" in item.sent for item in out)


def test_a_megabyte_without_a_line_end_comes_in_pieces_and_then_lines_again():
    fault, total = NoLineEnd(1_000_000), b""
    while True:
        out = spoil(fault, lines(1))
        if out == lines(1):
            break
        total += b"".join(item.sent for item in out)
    assert len(total) == 1_000_002
    assert total.count(b"\n") == 1


def test_late_lines_come_late_and_in_order():
    fault = Late(0.5)
    assert spoil(fault, lines(2), now_s=0.0) == []
    assert spoil(fault, lines(1, 2), now_s=0.4) == []
    assert spoil(fault, [], now_s=0.6) == lines(2)
    assert spoil(fault, [], now_s=1.0) == lines(1, 2)


def test_every_wire_fault_can_be_stacked_on_a_real_port(line, tmp_path):
    reader = opened(line.link)
    rng = np.random.default_rng(5)
    stack = [make() for name, make in LINE_FAULTS.items() if name not in {"silent", "no_line_end"}]
    got = b""
    for turn in range(100):
        due = lines(20, 20 * turn)
        for fault in stack:
            due = fault.pass_on(due, 0.05 * turn, rng)
        line.send(due)
        got += read_all(reader, 0.0)
    got += read_all(reader)
    os.close(reader)
    assert b"".join(sent for _, sent, _ in read_journal(tmp_path / "dial.journal")) == got
    assert got


def test_one_byte_writes_arrive_whole(line):
    reader = opened(line.link)
    line.send(spoil(OneByteWrites(), lines(50)))
    assert read_all(reader) == b"".join(item.line for item in lines(50))
    os.close(reader)
