"""Faults 10 and 11: a gauge that answers only when asked, and does not."""

from __future__ import annotations

import os
import pty
import time
import tty
from typing import Any

import pytest
from waiting import within_s

from capture.bench import parse_bench
from capture.port import Port

pytestmark = pytest.mark.faults

ASKED = {"plunger": {"request": "?\r", "request_interval_s": 0.1, "answer_within_s": 0.2}}


def asked_bench(make_bench: Any) -> Any:
    return make_bench({"crank": {"rate_hz": 200}, "plunger": {"rate_hz": 0, "end": "\r"}}, ASKED)


def test_a_mute_gauge_is_asked_at_most_three_times_and_then_told(
    make_bench: Any, helpers: Any, measured: Any
) -> None:
    bench = asked_bench(make_bench)
    client = bench.client()
    helpers.wait_for(client, helpers.is_reading("plunger"), 30)
    time.sleep(0.5)
    before = bench.order("set", "plunger", mute=-1)
    helpers.wait_for(client, helpers.is_state("plunger", "mute"), 5)
    told = bench.order("set", "plunger")
    told_s = (told["at_ns"] - before["at_ns"]) / 1e9
    asked = told["requests"] - before["requests"]
    bench.order("set", "plunger", mute=0)
    awake = bench.order("set", "plunger")
    helpers.wait_for(client, helpers.is_reading("plunger"), 6)
    back_s = (time.monotonic_ns() - awake["at_ns"]) / 1e9
    bench.stop()
    account = bench.check_always("crank")["crank"]
    assert asked <= 3
    assert not account.inside
    measured(
        10,
        "asked gauge mute",
        f"{asked} tries, told after {told_s:.1f} s, read again {back_s:.1f} s after waking",
    )


def test_a_late_answer_is_never_matched_to_the_wrong_question(
    make_bench: Any, helpers: Any, measured: Any
) -> None:
    """Answers are held back for a while: every reading must be stamped within its own question and answer."""
    bench = asked_bench(make_bench)
    client = bench.client()
    helpers.wait_for(client, helpers.is_reading("plunger"), 30)
    time.sleep(1.0)
    for delay_s in (0.25, 0.0, 0.5, 0.0, 0.21, 0.0):
        bench.order("set", "plunger", delay_s=delay_s)
        time.sleep(1.2)
    time.sleep(2.5)
    bench.stop()
    answered = {
        int(sent.strip(b"\r").replace(b".", b"")): at_ns for at_ns, sent, _ in bench.journal("plunger")
    }
    readings = bench.reader.read(1, "plunger")
    late_gaps = sum(gap.lines or 0 for gap in bench.gaps("plunger") if gap.reason == "late_answer")
    # A stamp is half-way between question and the reading of its answer, which a busy machine puts off: at most half the
    # patience from when the answer was said, either way.
    behind_ms = [
        (answered[int(raw)] - int(t_ns)) / 1e6 for raw, t_ns in zip(readings.raw, readings.t_ns, strict=True)
    ]
    assert late_gaps >= 3
    assert len(readings) + late_gaps >= len(answered) - 2
    assert max(abs(ms) for ms in behind_ms) < 100 + 20
    measured(
        10,
        "asked gauge mute",
        f"{late_gaps} late answers let go, 0 of {len(readings)} matched wrongly "
        f"(answer at most {max(behind_ms):.0f} ms after its reading's stamp)",
    )


def test_writing_to_a_port_whose_far_end_reads_nothing_times_out(measured: Any) -> None:
    master, slave = pty.openpty()
    tty.setraw(slave)
    text = f'[[gauge]]\nname = "plunger"\nport = "{os.ttyname(slave)}"\nframe = "decimal"\nrequest = "?\\r"'
    instrument = parse_bench(text.encode()).instruments[0]
    longest_s = 0.0
    with Port(instrument) as port:
        for _ in range(200):
            began_s = time.monotonic()
            took = port.write(b"?" * 4096)
            longest_s = max(longest_s, time.monotonic() - began_s)
            if not took:
                break
        assert not took, "the far end took everything, so nothing was tested"
    os.close(master)
    os.close(slave)
    assert longest_s < within_s(0.5)
    measured(11, "master unread until full", f"write gave up after {longest_s:.2f} s")
