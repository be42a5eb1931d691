"""An unknown cam against the cards on file: the right one first, and none where there is none."""

from __future__ import annotations

import random

import pytest

from analysis.base import Refusal
from analysis.job import card_from, rank_cards
from analysis.timing import CamCard, Event, LobeCard, LobeMeasured


def half(lift, duration, centre, check=1.0):
    return LobeCard(
        full_lift_deg=centre, drop_mm=1.27, lift_mm=lift, duration_deg=duration, check_lift_mm=check
    )


GARTH = CamCard("Garth 248", "full_lift", half(9.0, 214, 106), half(9.0, 214, 110))
WHINFELL = CamCard("Whinfell 262", "full_lift", half(9.8, 226, 108), half(9.6, 224, 110))
DODD = CamCard("Dodd 280", "full_lift", half(10.6, 240, 108), half(10.4, 240, 108))
SILENT = CamCard("Cat Bells", "full_lift", LobeCard(108, 1.27), LobeCard(108, 1.27))
FILE = (DODD, SILENT, GARTH, WHINFELL)


def measured(valve, card, rng, phase=0.0):
    wanted = card.lobe(valve)
    centre = (wanted.full_lift_deg if valve == "inlet" else -wanted.full_lift_deg) + phase
    duration = wanted.duration_deg + rng.gauss(0, 1.0)
    return LobeMeasured(
        "1",
        valve,
        centre % 720,
        1.27,
        0.1,
        peak_lift_mm=wanted.lift_mm + rng.gauss(0, 0.05),
        events=(Event(0.3, 0, 0, duration + 30), Event(1.0, 0, 0, duration), Event(1.27, 0, 0, duration - 8)),
    )


@pytest.mark.parametrize("seed", range(15))
@pytest.mark.parametrize("card", [GARTH, WHINFELL, DODD], ids=lambda card: card.name)
def test_the_card_of_the_measured_lobe_comes_first_wherever_the_pulley_stands(card, seed):
    rng = random.Random(seed)
    ranked = rank_cards(FILE, [measured("inlet", card, rng, phase=rng.uniform(-30, 30))])
    assert ranked[0].card is card
    assert ranked[0].fit == "fits"
    assert [match.fit for match in ranked[1:-1]] == ["does not fit"] * 2 or ranked[1].fit != "fits"
    assert ranked[-1].card is SILENT
    assert ranked[-1].fit == "cannot be compared"


def test_both_lobes_of_one_shaft_are_told_apart_by_their_separation():
    rng = random.Random(1)
    narrow = CamCard("Garth 248 narrow", "full_lift", half(9.0, 214, 103), half(9.0, 214, 107))
    pair = [measured("inlet", narrow, rng, 7.0), measured("exhaust", narrow, rng, 7.0)]
    ranked = rank_cards([GARTH, narrow], pair)
    assert ranked[0].card is narrow
    assert "lobe separation" in {feature.name for feature in ranked[0].features}
    assert ranked[1].fit != "fits"


def test_a_cam_that_is_on_no_card_fits_none():
    stranger = CamCard("?", "full_lift", half(11.8, 262, 112), None)
    ranked = rank_cards(FILE, [measured("inlet", stranger, random.Random(2))])
    assert {match.fit for match in ranked} == {"does not fit", "cannot be compared"}


def test_lift_alone_is_not_proof():
    only_lift = LobeMeasured("1", "inlet", 108, 1.27, 0.1, peak_lift_mm=9.8)
    best = rank_cards(FILE, [only_lift])[0]
    assert (best.card, best.fit) == (WHINFELL, "could be")


def test_a_duration_between_two_check_lifts_is_read_off_between_them():
    card = CamCard("Whinfell 262", "full_lift", half(9.8, 230.3, 108, check=0.8), None)
    exact = LobeMeasured(
        "1", "inlet", 108, 1.27, 0.1, events=(Event(0.3, 0, 0, 256.0), Event(1.0, 0, 0, 226.0))
    )
    feature = rank_cards([card], [exact])[0].features[0]
    assert feature.measured == pytest.approx(256 - 30 * 0.5 / 0.7)


def test_a_duration_outside_the_measured_lifts_is_not_made_up():
    card = CamCard("Whinfell 262", "full_lift", half(None, 190.0, 108, check=3.0), None)
    exact = LobeMeasured("1", "inlet", 108, 1.27, 0.1, events=(Event(0.3, 0, 0, 256.0),))
    assert rank_cards([card], [exact])[0].fit == "cannot be compared"


def test_a_measured_cam_is_saved_as_a_card_that_it_then_fits():
    rng = random.Random(3)
    pair = [measured("inlet", WHINFELL, rng), measured("exhaust", WHINFELL, rng)]
    card = card_from("Unknown from the Tarn", pair)
    assert card.inlet.full_lift_deg == pytest.approx(108)
    assert card.exhaust.full_lift_deg == pytest.approx(110)
    assert card.inlet.drop_mm == 1.27
    assert rank_cards([card, GARTH], pair)[0].card is card
    assert "measured cam" in card.note


def test_a_card_from_nothing_is_refused():
    with pytest.raises(Refusal, match="nothing_measured"):
        card_from("Nothing", [])
