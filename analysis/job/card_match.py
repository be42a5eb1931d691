"""Which card on file an unknown cam fits: lift, duration and separation compared, phase left out.

Phase is left out because an adjustable pulley can stand anywhere; the separation of two lobes on one shaft
cannot. What two grindings of one card may differ by is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import hypot, sqrt
from typing import Literal

import numpy as np

from analysis.base import Refusal
from analysis.job.checks import card_duration_deg, valve_check_lift_mm, valve_lift_mm
from analysis.timing import (
    SAME_LIFT_MM,
    CamCard,
    Event,
    LobeCard,
    LobeMeasured,
    Valve,
    full_lift_of,
    separation_cam_deg,
)

LIFT_SD_MM = 0.10
DURATION_SD_DEG = 1.5
CLEARANCE_SD_DEG = 1.25
SEPARATION_SD_CAM_DEG = 0.5

Fit = Literal["fits", "could be", "does not fit", "cannot be compared"]


@dataclass(frozen=True, slots=True)
class Feature:
    """One thing compared: `off` is measured less card in units of what such cams differ by."""

    name: str
    unit: str
    measured: float
    card: float
    off: float


@dataclass(frozen=True, slots=True)
class CardMatch:
    """How well a card fits: root mean square of the features' `off`; 1 is as near as two of one grinding."""

    card: CamCard
    fit: Fit
    off_rms: float | None
    features: tuple[Feature, ...]
    sentence: str


def rank_cards(
    cards: Sequence[CamCard], measured: Sequence[LobeMeasured], firing_offset_deg: float = 0.0
) -> tuple[CardMatch, ...]:
    """Return the cards, best fit first; those with nothing to compare last.

    Parameters
    ----------
    measured
        One lobe, or an inlet and an exhaust lobe of one cylinder.
    firing_offset_deg
        Of that cylinder.
    """
    one_shaft = len({one.valve for one in measured}) == 2
    matches = [_match(card, measured, firing_offset_deg if one_shaft else None) for card in cards]
    return tuple(sorted(matches, key=_order))


def _order(match: CardMatch) -> tuple[int, float]:
    if match.off_rms is None:
        return 1, 0.0
    return 0, match.off_rms + 0.5 / len(match.features)  # more compared is more proved


def _match(card: CamCard, measured: Sequence[LobeMeasured], firing_offset_deg: float | None) -> CardMatch:
    features = tuple(feature for one in measured for feature in _of_lobe(card, one))
    if firing_offset_deg is not None:
        features += tuple(_separation(card, measured, firing_offset_deg))
    if not features:
        return CardMatch(
            card,
            "cannot be compared",
            None,
            (),
            f"{card.name}: the card states nothing that was measured (lift, or duration at a check lift).",
        )
    rms = sqrt(sum(feature.off**2 for feature in features) / len(features))
    worst = max(features, key=lambda feature: abs(feature.off))
    fit = _fit(rms, abs(worst.off), len(features))
    return CardMatch(card, fit, rms, features, _sentence(card, fit, worst, len(features)))


def _fit(rms: float, worst: float, count: int) -> Fit:
    """One thing alone proves nothing, however near it is."""
    if rms <= 1.5 and worst <= 2.5:
        return "fits" if count > 1 else "could be"
    return "could be" if worst <= 4 else "does not fit"


def _sentence(card: CamCard, fit: Fit, worst: Feature, count: int) -> str:
    off = worst.measured - worst.card
    return (
        f"{card.name} {fit}: of {count} thing(s) compared, {worst.name} is farthest off, "
        f"{worst.measured:.2f} against {worst.card:.2f} {worst.unit} ({off:+.2f})."
    )


def _of_lobe(card: CamCard, measured: LobeMeasured) -> Iterator[Feature]:
    half = card.lobe(measured.valve)
    if half is None:
        return
    lift = valve_lift_mm(half)
    if lift is not None and measured.peak_lift_mm is not None:
        sd = hypot(LIFT_SD_MM, 0.01 * lift, measured.peak_lift_u_mm or 0.0)
        off = (measured.peak_lift_mm - lift) / sd
        yield Feature(f"{measured.valve} lift", "mm", measured.peak_lift_mm, lift, off)
    yield from _duration(half, measured)


def _duration(half: LobeCard, measured: LobeMeasured) -> Iterator[Feature]:
    wanted = card_duration_deg(half)
    if wanted is None or half.check_lift_mm is None:
        return
    found = duration_at(measured.events, valve_check_lift_mm(half))
    if found is not None:
        duration, between = found
        sd = hypot(DURATION_SD_DEG, CLEARANCE_SD_DEG, 2.0 if between else 0.0)
        yield Feature(f"{measured.valve} duration", "deg", duration, wanted, (duration - wanted) / sd)


def duration_at(events: Sequence[Event], lift_mm: float) -> tuple[float, bool] | None:
    """Return the duration at a check lift, and whether it lies between two others; `None` outside."""
    known = sorted((event.lift_mm, event.duration_deg) for event in events)
    for lift, duration in known:
        if abs(lift - lift_mm) <= SAME_LIFT_MM:
            return duration, False
    if len(known) < 2 or not known[0][0] <= lift_mm <= known[-1][0]:
        return None
    lifts, durations = zip(*known, strict=True)
    return float(np.interp(lift_mm, np.array(lifts), np.array(durations))), True


def _separation(
    card: CamCard, measured: Sequence[LobeMeasured], firing_offset_deg: float
) -> Iterator[Feature]:
    """Only cards of full lift or separation state it, and only of the drop they were taken at."""
    by_valve: dict[Valve, LobeMeasured] = {one.valve: one for one in measured}
    wanted = _card_separation(card)
    if wanted is None:
        return
    inlet, exhaust = (
        full_lift_of(valve, by_valve[valve].centre_deg, firing_offset_deg) for valve in ("inlet", "exhaust")
    )
    found = separation_cam_deg(inlet, exhaust)
    u_cam = sum(one.u95_deg for one in by_valve.values()) / 4
    off = (found - wanted) / hypot(SEPARATION_SD_CAM_DEG, u_cam)
    yield Feature("lobe separation", "cam deg", found, wanted, off)


def _card_separation(card: CamCard) -> float | None:
    if card.separation_cam_deg is not None:
        return card.separation_cam_deg
    if card.way != "full_lift" or card.inlet is None or card.exhaust is None:
        return None
    if card.inlet.full_lift_deg is None or card.exhaust.full_lift_deg is None:
        return None
    return separation_cam_deg(card.inlet.full_lift_deg, card.exhaust.full_lift_deg)


def card_from(
    name: str, measured: Sequence[LobeMeasured], firing_offset_deg: float = 0.0, check_lift_mm: float = 1.0
) -> CamCard:
    """Return a new card made from measured lobes: full lift at their drop, lift, duration at a check lift.

    Parameters
    ----------
    name : str
        Of the card.
    measured : sequence of LobeMeasured
        One of each valve that the card is to have.
    firing_offset_deg : float
        Of their cylinder.

    Raises
    ------
    Refusal
        ``nothing_measured``.
    """
    if not measured:
        raise Refusal("nothing_measured", "No lobe is measured to make a card from. Measure one first.")
    halves = {one.valve: _half_from(one, firing_offset_deg, check_lift_mm) for one in measured}
    return CamCard(
        name=name,
        way="full_lift",
        inlet=halves.get("inlet"),
        exhaust=halves.get("exhaust"),
        note="Made from a measured cam, not from its maker's card.",
    )


def _half_from(measured: LobeMeasured, firing_offset_deg: float, check_lift_mm: float) -> LobeCard:
    found = duration_at(measured.events, check_lift_mm)
    duration = None if found is None else round(found[0], 1)
    full_lift = full_lift_of(measured.valve, measured.centre_deg, firing_offset_deg)
    return LobeCard(
        full_lift_deg=round(full_lift, 1),
        drop_mm=measured.drop_mm,
        duration_deg=duration,
        check_lift_mm=None if duration is None else check_lift_mm,
        lift_mm=None if measured.peak_lift_mm is None else round(measured.peak_lift_mm, 2),
    )
