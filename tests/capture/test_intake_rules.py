"""What is believed and what is not: proof, resets, spikes, resolution, lateness, doubt, stamps, questions."""

from __future__ import annotations

import random
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capture.base import LimitedLog
from capture.bench import parse_bench
from capture.port.asking import MOST_TRIES, Asker
from capture.port.backoff import BackOff
from capture.port.intake import Intake
from capture.port.stamping import DeviceClock, Stamper

MS = 1_000_000
CRANK = '[crank]\nport = "/dev/c"\nframe = "count"\ncounts_per_turn = 3600\n'
GAUGE = '[[gauge]]\nname = "g"\nport = "/dev/g"\nframe = "decimal"\n'


class Line:
    """An intake that is sent one line a millisecond."""

    def __init__(self, text: str, heard: Any) -> None:
        self.intake = Intake(parse_bench(text.encode()).instruments[0], heard)
        self.now_ns = 1000 * MS
        self.intake.begin("start", self.now_ns)
        self.say("")

    def say(self, *lines: object, every_ms: float = 1.0, late: bool = False) -> None:
        for line in lines:
            self.now_ns += round(every_ms * MS)
            self.intake.take(f"{line}\r\n".encode("latin-1"), self.now_ns, late=late)


def test_a_count_that_leaps_and_comes_back_is_dropped_and_counted(heard: Any) -> None:
    line = Line(CRANK, heard)
    line.say(*range(100, 120), 9119, *range(120, 140))
    assert heard.raw == list(range(100, 140))
    assert line.intake.damaged == 1


def test_a_slow_start_and_a_fast_turn_are_all_kept(heard: Any) -> None:
    line, count, counts = Line(CRANK, heard), 0.0, []
    for number in range(400):
        count += min(number, 100) / 10
        counts.append(int(count))
    line.say(*counts)
    assert heard.raw == counts


def test_a_turn_while_the_line_was_dead_is_motion_and_not_a_reset(heard: Any) -> None:
    line = Line(CRANK, heard)
    line.say(*range(100, 120))
    line.say(1500, every_ms=800)
    line.say(*range(1501, 1520))
    assert heard.raw == [*range(100, 120), *range(1500, 1520)]
    assert heard.events == []


@pytest.mark.parametrize("seed", range(5))
def test_a_crank_turned_on_while_the_computer_was_held_up_has_not_leapt(seed: int, heard: Any) -> None:
    """Of each hold-up some lines come late, at once with the next fresh one; those between are lost."""
    chance, line, count = random.Random(seed), Line(CRANK, heard), 0
    for _ in range(40):
        for _ in range(chance.randrange(1, 60)):
            count += 10
            line.say(count, every_ms=5)
        lost, late = chance.randrange(70, 100), chance.choice([1, 3, 30, 60])
        line.say(count + 10, every_ms=5 * lost)
        line.say(*(count + 10 * number for number in range(2, late)), every_ms=0.6)
        count += 10 * lost
        line.say(count, every_ms=0.1)
    line.say(count + 10, count + 20, every_ms=5)
    assert not heard.events
    assert line.intake.damaged == 0
    assert heard.raw[-1] == count + 20


def test_a_wrong_count_is_dropped_also_where_lines_are_few_and_a_leap_that_stays_is_told(heard: Any) -> None:
    line = Line(CRANK, heard)
    line.say(*range(100, 140), every_ms=5)
    line.say(*[140] * 8, every_ms=200)
    line.say(440, *[140] * 8, every_ms=200)
    assert 440 not in heard.raw
    line.say(*[140] * 20, every_ms=5)
    line.say(*[3440] * 4, every_ms=5)
    assert [event.code for event in heard.events] == ["counter_jump"]


@pytest.mark.parametrize("banner", [[], ["counter v1", ""]])
def test_a_counter_that_begins_again_makes_a_segment_and_no_motion(heard: Any, banner: list[str]) -> None:
    line = Line(CRANK, heard)
    line.say(*range(5000, 5020), *banner, *range(20))
    assert [event.code for event in heard.events] == ["counter_reset"]
    assert {readings.segment.number for readings in heard.all} == {0, 1}
    assert max(abs(np.diff(heard.raw))) == 1
    shift = heard.all[-1].segment.shift
    assert [raw - shift for raw in heard.raw[-20:]] == list(range(20)), (
        "the device's own count can be told again"
    )


def test_a_reset_while_the_cable_was_out_is_noticed(heard: Any) -> None:
    line = Line(CRANK, heard)
    line.say(*range(5000, 5020))
    line.intake.finish(line.now_ns)
    line.intake.begin("reopened", line.now_ns + 10**10)
    line.now_ns += 10**10
    line.say("", *range(20))
    assert [event.code for event in heard.events] == ["counter_reset"]


def reopened(line: Line, *lines: object) -> None:
    line.intake.finish(line.now_ns)
    line.now_ns += 10**10
    line.intake.begin("reopened", line.now_ns)
    line.say("", *lines)


def test_a_restart_while_the_cable_was_out_is_noticed_however_near_to_nought_the_count_was(
    heard: Any,
) -> None:
    line = Line(CRANK, heard)
    line.say(*range(20, 40))
    reopened(line, *[0] * 20)
    assert [event.code for event in heard.events] == ["counter_reset"]


def test_a_cable_put_back_where_the_count_goes_on_near_nought_is_no_restart(heard: Any) -> None:
    line = Line(CRANK, heard)
    line.say(*range(20, 40))
    reopened(line, *range(39, 60))
    line.say(*range(60, -20, -1))
    reopened(line, *range(-20, 0))
    assert not heard.events


def test_last_words_of_a_board_before_its_pause_do_not_hide_its_new_nought(heard: Any) -> None:
    line = Line(CRANK + "dtr = true\n", heard)
    line.say(*range(4000, 4040))
    reopened(line, *[4039] * 8, "counter v1")
    line.say(0, every_ms=1500)
    line.say(*range(1, 20))
    assert [event.code for event in heard.events] == ["counter_reset"]


def test_a_wrapping_counter_is_unwrapped_both_ways(heard: Any) -> None:
    line = Line(CRANK + "wraps_at = 3600\n", heard)
    way = [*range(3500, 3700), *range(3699, 3400, -1)]
    line.say(*(count % 3600 for count in way))
    assert heard.raw == way


def test_a_gauge_that_leaps_for_one_line_is_dropped_and_one_that_leaps_and_stays_is_kept(heard: Any) -> None:
    line = Line(GAUGE, heard)
    line.say("1.00", "1.01", "1.02", "7.02", "1.03", "1.04")
    assert heard.raw == [100, 101, 102, 103, 104]
    line.say("7.00", "7.01", "7.02")
    assert heard.raw[5:] == [700, 701, 702]
    assert line.intake.damaged == 1


def test_a_lost_digit_is_dropped_but_a_changed_unit_begins_a_segment(heard: Any) -> None:
    line = Line(GAUGE, heard)
    line.say("1.00", "1.01", "1.0", "1.02")
    assert heard.raw == [100, 101, 102]
    line.say("0.0400", "0.0401", "0.0402", "0.0403")
    assert heard.raw[3:] == [400, 401, 402, 403]
    assert heard.all[-1].segment.decimals == 4
    assert [event.code for event in heard.events] == ["resolution"]


def test_a_mostly_unreadable_stream_proves_nothing_by_lines_that_look_right(heard: Any) -> None:
    line, rng = Line(CRANK, heard), random.Random(1)
    for number in range(3000):
        line.say(number if rng.random() < 0.1 else "\xff\xfe")
    assert heard.raw == []
    assert line.intake.rejected >= 3000 - 5


def test_late_lines_have_a_segment_of_their_own(heard: Any) -> None:
    line = Line(CRANK, heard)
    line.say(*range(10))
    line.say(*range(10, 20), late=True)
    line.say(*range(20, 30))
    assert [readings.segment.reason for readings in heard.all if readings.first in {0, 10, 20}] == [
        "start",
        "late",
        "fresh",
    ]
    assert heard.raw == list(range(30))


def test_while_in_doubt_lines_are_counted_and_not_recorded(heard: Any) -> None:
    line = Line(CRANK, heard)
    line.intake.hold(in_doubt=True)
    line.say(*range(10))
    line.intake.hold(in_doubt=False)
    line.say(*range(10, 20))
    line.intake.finish(line.now_ns)
    assert heard.raw == list(range(10, 20))
    assert [gap.lines for gap in heard.gaps if gap.reason == "in_doubt"] == [10]
    assert heard.all[0].segment.reason == "accepted"


def index_lines(counts: list[int], index_at: int) -> list[str]:
    return [f"{count} {int(count % 3600 == index_at)}" for count in counts]


def test_an_index_mark_in_its_place_raises_nothing_and_one_that_moved_is_told(heard: Any) -> None:
    line = Line(CRANK.replace('"count"', '"count_index"'), heard)
    line.say(*index_lines(list(range(8000)), 100))
    assert heard.events == []
    line.say(*index_lines(list(range(8000, 12000)), 140))
    assert [event.code for event in heard.events] == ["index_slip"]
    assert "+40 counts" in heard.events[0].sentence
    line.say(*index_lines(list(range(12000, 18000)), 140))
    assert len(heard.events) == 1, "told once"


@settings(deadline=None)
@given(st.lists(st.tuples(st.integers(0, 5 * MS), st.lists(st.integers(1, 60), max_size=40)), max_size=40))
def test_stamps_rise_and_never_lie_after_the_read_nor_before_the_read_before(
    reads: list[tuple[int, list[int]]],
) -> None:
    stamper, now_ns, last, extra = Stamper(86806), 0, -1, 0
    stamper.begin(0)
    for wait_ns, lengths in reads:
        before_ns, now_ns = now_ns, now_ns + wait_ns
        ends = list(np.cumsum(lengths))
        for stamp in stamper.stamps(now_ns, sum(lengths), [int(end) for end in ends]):
            extra += 1
            assert stamp > last
            assert before_ns <= stamp <= now_ns + extra
            last = stamp


def test_lines_of_one_chunk_are_back_dated_by_their_place() -> None:
    stamper = Stamper(100)
    stamper.begin(0)
    assert stamper.stamps(100_000, 30, [10, 20, 30]) == [98_000, 99_000, 100_000]


def test_a_device_clock_takes_the_batching_of_the_bus_out_of_the_stamps() -> None:
    """True times every 2 ms, delivered in batches up to 16 ms late, device clock 80 ppm fast, wrapping."""
    rng, clock = random.Random(2), DeviceClock()
    true_ns = [10**9 + number * 2 * MS for number in range(10_000)]
    arrival = [((t // (16 * MS)) + 1) * 16 * MS + rng.randrange(MS) for t in true_ns]
    micros = [(2**32 - 5_000_000 + round(t * 1.00008) // 1000) % 2**32 for t in true_ns]
    stamps = np.array([clock.stamp(a, m) for a, m in zip(arrival, micros, strict=True)])
    error_ms = ((stamps - np.array(true_ns)) / MS)[1000:]
    raw_ms = ((np.array(arrival) - np.array(true_ns)) / MS)[1000:]
    assert error_ms.std() < raw_ms.std() / 10
    assert (np.diff(stamps[1000:]) > 0).all()
    assert (stamps <= np.array(arrival)).all()
    assert clock.drift_ppm == pytest.approx(-80, abs=5)
    assert abs(error_ms - error_ms.mean()).max() * MS < 10 * (clock.uncertainty_ns or 0)


def test_a_gauge_that_is_told_late_shares_the_clock_of_its_board() -> None:
    rng, clock = random.Random(5), DeviceClock()
    for number in range(5000):
        t = number * 4 * MS
        clock.stamp(t + 3 * 10**9 + rng.randrange(2 * MS), t // 1000)
    t = 4990 * 4 * MS
    assert clock.stamp(t + 3 * 10**9 + 20 * MS, t // 1000) == pytest.approx(t + 3 * 10**9, abs=MS / 10)


def test_a_question_is_tried_three_times_and_then_asked_rarely() -> None:
    asker, asked = Asker(100 * MS, 200 * MS), []
    for now_ms in range(3000):
        if asker.wants_to_ask(now_ms * MS):
            asker.asked(now_ms * MS)
            asked.append(now_ms)
    assert asked == [0, 200, 400, 2600]
    assert len(asked) == MOST_TRIES + 1
    assert asker.mute


def test_an_answer_is_stamped_half_way_and_a_doubtful_one_is_let_go() -> None:
    asker = Asker(100 * MS, 200 * MS)
    asker.asked(0)
    assert asker.answered(60 * MS) == 30 * MS
    asker.asked(100 * MS)
    assert asker.wants_to_ask(300 * MS)
    asker.asked(300 * MS)
    assert asker.answered(310 * MS) is None, "it may answer either question"
    assert not asker.wants_to_ask(400 * MS)
    assert asker.answered(500 * MS) is None, "nothing was asked since"
    asked_ms = next(now for now in range(500, 5000) if asker.wants_to_ask(now * MS))
    asker.asked(asked_ms * MS)
    assert asker.answered((asked_ms + 40) * MS) == (asked_ms + 20) * MS


@pytest.mark.parametrize("tick_ms", [100.0, 100.1, 50.0, 33.3, 80.0])
def test_a_gauge_that_measures_by_its_own_clock_is_met_at_every_place_of_its_tick(tick_ms: float) -> None:
    """How old an answer is, is the time since the gauge's last tick; in any three seconds all ages come about."""
    asker, ages = Asker(100 * MS, 200 * MS), []
    for now_ms in range(60_000):
        if asker.wants_to_ask(now_ms * MS):
            asker.asked(now_ms * MS)
            ages.append(now_ms % tick_ms / tick_ms)
            asker.answered((now_ms + 8) * MS)
    assert len(ages) == pytest.approx(600, abs=6), "as often in the mean as was asked for"
    for first in range(0, 570, 30):
        told = np.sort(ages[first : first + 30])
        assert np.max(np.diff(np.concatenate(([0.0], told, [1.0])))) < 0.4
        assert np.mean(told) == pytest.approx(0.5, abs=0.17)


@settings(deadline=None)
@given(delays=st.lists(st.integers(1, 900), min_size=5, max_size=40))
def test_no_answer_is_ever_matched_to_a_question_it_does_not_answer(delays: list[int]) -> None:
    """A gauge that answers in turn, each answer less than a second behind the one before or its question."""
    asker, questions, answers, queue = Asker(100 * MS, 200 * MS), [], [], list(delays)
    free_ms = 0
    for now_ms in range(12_000):
        while answers and answers[0][0] <= now_ms:
            _, asked_ms = answers.pop(0)
            stamp = asker.answered(now_ms * MS)
            assert stamp is None or stamp == (asked_ms + now_ms) * MS // 2
        if asker.wants_to_ask(now_ms * MS):
            asker.asked(now_ms * MS)
            questions.append(now_ms)
            free_ms = max(free_ms, now_ms) + (queue.pop(0) if queue else 20)
            answers.append((free_ms, now_ms))


def test_pauses_between_tries_grow_to_a_second_and_begin_again_after_success() -> None:
    back_off = BackOff()
    assert [back_off.next_pause_s() for _ in range(6)] == [0.1, 0.2, 0.4, 0.8, 1.0, 1.0]
    back_off.succeeded()
    assert back_off.next_pause_s() == 0.1


def test_the_log_says_a_thing_once_in_ten_seconds_and_how_often_it_was_left_out(
    caplog: pytest.LogCaptureFixture,
) -> None:
    import logging

    now_s = 0.0
    limited = LimitedLog(logging.getLogger("limited"), clock=lambda: now_s)
    for _ in range(100):
        limited.warning("port", "gone")
        now_s += 0.25
    assert [record.getMessage() for record in caplog.records] == [
        "gone",
        "gone (39 more of this left out)",
        "gone (39 more of this left out)",
    ]


def test_the_half_line_after_opening_is_listed_with_the_first_readings_and_not_a_second_later(
    heard: Any,
) -> None:
    intake = Intake(parse_bench((CRANK + GAUGE).encode()).instruments[1], heard)
    intake.begin("start", 1000 * MS)
    intake.take(b"2.345\r\n", 1010 * MS)
    intake.take(b"+12.346\r\n+12.347\r\n", 1030 * MS)
    assert [(gap.reason, gap.start_ns, gap.end_ns, gap.lines) for gap in heard.gaps[1:]] == [
        ("partial", 1000 * MS, 1030 * MS, 1)
    ]
    assert heard.raw == [12346, 12347]
