"""The counter board as its chip runs it: every edge counted, what cannot be counted told, gauges read meanwhile."""

from __future__ import annotations

import itertools
import random
from pathlib import Path

import pytest
from board_chip import (
    FIRST_CYCLE,
    SECOND,
    Chip,
    Encoder,
    Waveform,
    digits_13,
    one_group,
    send_packet,
    two_groups,
)

SETTLED = FIRST_CYCLE + SECOND // 5


@pytest.fixture(scope="module")
def chip(tmp_path_factory: pytest.TempPathFactory) -> Chip:
    return Chip.build(tmp_path_factory.mktemp("chip"))


@pytest.fixture
def wave() -> Waveform:
    return Waveform()


def test_forty_thousand_edges_a_second_with_jitter_while_two_gauges_are_read(
    chip: Chip, wave: Waveform
) -> None:
    wave.command(FIRST_CYCLE, "A3fns")
    wave.command(FIRST_CYCLE + SECOND // 10, "B2fns")
    encoder = Encoder(wave)
    end = encoder.run(SETTLED, 40_000, 40_000, jitter=0.5)
    for place, start in enumerate(range(SETTLED, int(end), SECOND // 20)):
        send_packet(wave, 0, start, digits_13(f"-12.{place:03}"), bit_us=120)
        send_packet(wave, 1, start + 3000, two_groups(0, 20480 * place), bit_us=60)
    sent = chip.run(wave, eeprom="forty")
    assert sent.count == 40_000
    assert not sent.tagged("E")
    assert not sent.tagged("X")
    assert [value for value, _ in sent.tagged("A")] == [f"m-12.{place:03}" for place in range(20)]
    assert [value for value, _ in sent.tagged("B")] == [f"m{25.4 * place:.4f}" for place in range(20)]
    print(
        f"40,000 edges/s, jitter of half a distance, two gauges: none lost; longest in cycles {sent.longest}"
    )


def test_reversals_and_bounce_cancel_out(chip: Chip, wave: Waveform) -> None:
    rng, encoder, at = random.Random(3), Encoder(wave), float(SETTLED)
    for turn in range(40):
        edges = rng.randint(1, 200) * (-1 if turn % 2 else 1)
        at = encoder.run(at, edges, 20_000, jitter=0.6, seed=turn) + 2000
        for _ in range(6):  # one phase chatters on an edge
            encoder.step(at, 1)
            encoder.step(at + 500, -1)
            at += 1000
    sent = chip.run(wave)
    assert sent.count == encoder.at
    assert not sent.tagged("E")


def test_both_phases_at_once_are_counted_as_illegal_and_told(chip: Chip, wave: Waveform) -> None:
    encoder = Encoder(wave)
    at = encoder.run(SETTLED, 400, 10_000)
    for _ in range(7):
        at += SECOND / 100
        for pin in range(2):  # within one and the same cycle
            wave.pin(at, "B", pin, 1 - encoder_level(encoder, pin))
        encoder.at += 2
    sent = chip.run(wave)
    assert sent.tagged("E")[-1][0] == "7"
    assert sent.count == 400


def encoder_level(encoder: Encoder, pin: int) -> int:
    return ((0, 0), (1, 0), (1, 1), (0, 1))[encoder.at % 4][pin]


def test_a_missing_phase_counts_to_and_fro_and_goes_nowhere(chip: Chip, wave: Waveform) -> None:
    encoder = Encoder(wave, missing_phase=True)
    encoder.run(SETTLED, 4000, 10_000)
    sent = chip.run(wave)
    counts = [int(value) for value, _ in sent.tagged("C")]
    assert max(counts) - min(counts) <= 1


def test_the_index_comes_with_the_count_and_the_time_it_was_seen_at(chip: Chip, wave: Waveform) -> None:
    encoder, seen = Encoder(wave), []
    for turn in range(3):
        start = SETTLED + turn * SECOND / 4
        encoder.run(start, 1000, 10_000)
        cycle = start + 499.5 * SECOND / 10_000
        encoder.index(cycle)
        seen.append(cycle)
    sent = chip.run(wave)
    told = sent.tagged("I")
    assert [int(value) for value, _ in told] == [500, 1500, 2500]
    distances = [after - before for (_, before), (_, after) in itertools.pairwise(told)]
    assert distances == [pytest.approx(250_000, abs=10)] * 2


def test_a_flood_is_said_in_the_line_and_the_board_speaks_on(chip: Chip, wave: Waveform) -> None:
    encoder = Encoder(wave)
    encoder.run(SETTLED, 60_000, 200_000)
    sent = chip.run(wave)
    assert len(sent.tagged("X")) > 50
    last = sent.lines[-1]
    assert last.startswith("C")


def test_lines_are_many_while_the_crank_turns_and_few_when_it_stands(chip: Chip, wave: Waveform) -> None:
    encoder = Encoder(wave)
    encoder.run(SETTLED, 500, 500)
    sent = chip.run(wave, 2.0)
    times = [micros for _, micros in sent.tagged("C")]
    turning = [micros for micros in times if 300_000 < micros < 1_200_000]
    standing = [micros for micros in times if micros > 1_600_000]
    assert len(turning) / 0.9 >= 200
    assert 5 < len(standing) / 1.6 < 15


def test_settings_are_kept_and_told_at_start_and_when_asked(chip: Chip, wave: Waveform) -> None:
    wave.command(FIRST_CYCLE, "A3riq")
    wave.command(FIRST_CYCLE + SECOND // 4, "D")
    wave.command(FIRST_CYCLE + SECOND // 2, "N-1234")
    sent = chip.run(wave, eeprom="kept")
    assert sent.count == -1234
    again = Waveform()
    again.command(FIRST_CYCLE + SECOND // 10, "?")
    again.command(FIRST_CYCLE + SECOND // 5, "A9fns")
    told = chip.run(again, eeprom="kept")
    assert [value for value, _ in told.tagged("K")] == ["D,A3riq,B0fns"] * 3
    assert [value for value, _ in told.tagged("V")] == ["1"] * 3
    assert [value for value, _ in told.tagged("W")] == ["command"]


def test_swapped_phases_are_set_right_by_a_command(chip: Chip, wave: Waveform) -> None:
    wave.command(FIRST_CYCLE, "D")
    Encoder(wave).run(SETTLED, 100, 1000)
    assert chip.run(wave, eeprom="backward").count == -100


@pytest.mark.parametrize("falling", [True, False])
@pytest.mark.parametrize("inverted", [True, False])
@pytest.mark.parametrize(
    ("kind", "bits", "told", "bit_us"),
    [
        (3, digits_13("-12.345"), "m-12.345", 200),
        (3, digits_13("+21.0765"), "m21.0765", 400),
        (3, digits_13("0.4860", inch=True), "i0.4860", 120),
        (1, one_group(-1234), "m-12.34", 380),
        (1, one_group(972, inch=True), "i0.4860", 380),
        (2, two_groups(5, -20480), "m-25.4000", 13),
        (2, two_groups(-70000, 10240), "m12.7000", 26),
    ],
)
def test_a_gauge_is_read_in_every_format_and_polarity(
    chip: Chip,
    wave: Waveform,
    kind: int,
    bits: list[int],
    told: str,
    bit_us: float,
    falling: bool,
    inverted: bool,
) -> None:
    wave.command(FIRST_CYCLE, f"B{kind}{'f' if falling else 'r'}{'i' if inverted else 'n'}s")
    wave.pin(FIRST_CYCLE, "C", 2, int(falling))
    for place in range(3):
        pauses = {24: 300.0} if kind == 2 else {}
        start = SETTLED + place * SECOND / 20
        send_packet(wave, 1, start, bits, bit_us=bit_us, falling=falling, inverted=inverted, pauses_us=pauses)
    sent = chip.run(wave, eeprom="formats")
    assert [value for value, _ in sent.tagged("B")] == [told] * 3
    first = sent.tagged("B")[0][1]
    assert first == pytest.approx(SETTLED / 16 + bit_us / 2, abs=250)  # when it began, not when it was told


def test_an_asked_gauge_is_asked_and_stamped_by_the_question(chip: Chip, wave: Waveform) -> None:
    wave.command(FIRST_CYCLE, "A3fnq")
    asked = chip.run(wave, eeprom="asked").requests
    rises = [cycle for cycle, pin, level in asked if pin == 4 and level]
    assert rises
    send_packet(wave, 0, rises[0] + 48_000, digits_13("1.000"))
    sent = chip.run(wave, eeprom="asked_again")
    (value, micros) = sent.tagged("A")[0]
    assert value == "m1.000"
    assert micros == pytest.approx(rises[0] / 16, abs=250)
    assert any(pin == 4 and not level and cycle > rises[0] for cycle, pin, level in sent.requests)


def test_another_format_and_a_mute_gauge_are_told(chip: Chip, wave: Waveform) -> None:
    wave.command(FIRST_CYCLE, "A3fns")
    wave.command(FIRST_CYCLE + SECOND // 10, "B1fns")
    send_packet(wave, 0, SETTLED, one_group(100))
    sent = chip.run(wave, 2.5, eeprom="both")
    problems = [value for value, _ in sent.tagged("W")]
    assert problems[0] == "A,length,24"
    assert "B,mute" in problems
    assert not sent.tagged("A")


@pytest.mark.parametrize("per_second", [1_000, 40_000])
def test_bits_of_a_gauge_lost_beside_a_fast_encoder_are_told_and_never_used(
    chip: Chip, wave: Waveform, per_second: int
) -> None:
    """Bits far shorter than WIRING.txt promises at this speed: a packet is whole, or it is told."""
    wave.command(FIRST_CYCLE, "B2fns")
    end = Encoder(wave).run(SETTLED, per_second, per_second, jitter=0.5)
    said = []
    for place, start in enumerate(range(SETTLED, int(end) - SECOND // 20, SECOND // 40)):
        send_packet(wave, 1, start, two_groups(0, 20480 * place), bit_us=13, pauses_us={24: 300.0})
        said.append(f"m{25.4 * place:.4f}")
    sent = chip.run(wave, eeprom="short_bits")
    told = [value for value, _ in sent.tagged("B")]
    problems = [value for value, _ in sent.tagged("W") if value.startswith("B,")]
    print(f"{per_second} edges/s: {len(told)} of {len(said)} packets whole, {len(problems)} told as lost")
    assert [value for value in said if value in told] == told, "nothing but what the gauge said, in its order"
    assert problems or len(told) == len(said)
    assert sent.count == per_second
    assert not sent.tagged("E")


def test_the_firmware_folder_says_how_it_is_wired_built_and_flashed() -> None:
    text = (Path(__file__).parents[2] / "capture" / "counter_board" / "WIRING.txt").read_text()
    assert "make flash" in text
