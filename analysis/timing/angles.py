"""The arithmetic of cam cards: full-lift angles, events, durations, overlap, separation, and their words.

Signs as cards have them: inlet opens BTDC and closes ABDC, exhaust opens BBDC and closes ATDC, each positive;
a negative number lies on the other side of its dead centre. Crank degrees unless the name says ``cam_deg``.
On the crank's own scale 0 is overlap TDC, 180 BDC after it, 540 BDC before it, 720 overlap TDC again.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from analysis.timing.card import Valve
from analysis.timing.engine import CYCLE_DEG

HALF_CYCLE_DEG = CYCLE_DEG / 2


@dataclass(frozen=True, slots=True)
class EventTiming:
    """Duration, middle and card angles of one valve's opening and closing.

    `full_lift_deg` is the middle of the events (inlet ATDC, exhaust BTDC): the angle of full lift only where
    both flanks are alike.
    """

    opens_deg: float
    closes_deg: float
    duration_deg: float
    full_lift_deg: float


def nearest(angle_deg: float, cycle_deg: float = CYCLE_DEG) -> float:
    """Return `angle_deg` brought into (-cycle/2, cycle/2]."""
    return cycle_deg / 2 - (cycle_deg / 2 - angle_deg) % cycle_deg


def duration_of(opens_deg: float, closes_deg: float) -> float:
    """Return the duration of a valve that opens before one dead centre and closes after the next.

    >>> duration_of(6, 35)
    221
    """
    return opens_deg + 180 + closes_deg


def events_to_timing(valve: Valve, opens_deg: float, closes_deg: float) -> EventTiming:
    """Return duration and middle of a card's events.

    >>> events_to_timing("inlet", 9, 55).full_lift_deg
    113.0
    >>> events_to_timing("exhaust", 51, 13).full_lift_deg
    109.0
    """
    duration = duration_of(opens_deg, closes_deg)
    before_or_after = opens_deg if valve == "inlet" else closes_deg
    return EventTiming(opens_deg, closes_deg, duration, duration / 2 - before_or_after)


def overlap_of(inlet_opens_deg: float, exhaust_closes_deg: float) -> float:
    """Return how long both valves are open, negative where both are shut.

    >>> overlap_of(28, 45)
    73
    """
    return inlet_opens_deg + exhaust_closes_deg


def separation_cam_deg(inlet_deg: float, exhaust_deg: float) -> float:
    """Return the lobe separation, cam degrees, from inlet ATDC and exhaust BTDC in crank degrees."""
    return (inlet_deg + exhaust_deg) / 2


def full_lifts_of(separation_cam: float, advance_deg: float) -> tuple[float, float]:
    """Return inlet ATDC and exhaust BTDC of a single cam from its separation and advance."""
    return separation_cam - advance_deg, separation_cam + advance_deg


def crank_angle_of(valve: Valve, full_lift_deg: float, firing_offset_deg: float = 0.0) -> float:
    """Return where on the crank (0..720) a card's full-lift angle lies.

    >>> crank_angle_of("exhaust", 108)
    612.0
    """
    signed = full_lift_deg if valve == "inlet" else -full_lift_deg
    return (signed + firing_offset_deg) % CYCLE_DEG


def full_lift_of(valve: Valve, crank_deg: float, firing_offset_deg: float = 0.0) -> float:
    """Return a crank angle as the card would say it: inlet ATDC, exhaust BTDC, in (-360, 360]."""
    after = nearest(crank_deg - firing_offset_deg)
    return after if valve == "inlet" else nearest(-after)


def events_on_crank(valve: Valve, opens_deg: float, closes_deg: float) -> tuple[float, float]:
    """Return where on the crank (0..720) a card's opening and closing lie."""
    if valve == "inlet":
        opens, closes = -opens_deg, 180 + closes_deg
    else:
        opens, closes = -180 - opens_deg, closes_deg
    return opens % CYCLE_DEG, closes % CYCLE_DEG


def error_of(measured_crank_deg: float, card_crank_deg: float) -> float:
    """Return measured less card on the crank, -360..360: late is positive, inlet and exhaust alike."""
    return nearest(measured_crank_deg - card_crank_deg)


def cam_deg_of(crank_deg: float) -> float:
    """Return crank degrees as cam degrees."""
    return crank_deg / 2


def late_or_early(error_deg: float) -> Literal["late", "early"]:
    """Return the side of an error: positive is late."""
    return "late" if error_deg > 0 else "early"


def later_or_earlier(change_deg: float) -> Literal["later", "earlier"]:
    """Return the way of a change: positive is later."""
    return "later" if change_deg > 0 else "earlier"


def early_or_late(error_deg: float, digits: int = 1) -> str:
    """Return an error in the trade's words: ``10.0 deg late (5.0 cam deg)``.

    >>> early_or_late(-1.24)
    '1.2 deg early (0.6 cam deg)'
    """
    size = abs(error_deg)
    if round(size, digits) == 0:
        return "on it"
    return f"{size:.{digits}f} deg {late_or_early(error_deg)} ({cam_deg_of(size):.{digits}f} cam deg)"


def dead_centre_words(crank_deg: float, firing_offset_deg: float = 0.0, digits: int = 1) -> str:
    """Return a crank angle by the nearest dead centre of the overlap cycle: ``108.0 ATDC``, ``72.0 BBDC``.

    Angles within 90 of overlap TDC or firing TDC count from TDC, the others from BDC; those about firing TDC
    say so.
    """
    after = nearest(crank_deg - firing_offset_deg)
    if abs(after) <= 90:
        return _beside(after, "TDC", digits)
    if abs(after) < 270:
        bdc = 180.0 if after > 0 else -180.0
        return _beside(after - bdc, "BDC", digits)
    return _beside(nearest(after, HALF_CYCLE_DEG), "TDC", digits) + " (firing)"


def full_lift_words(valve: Valve, full_lift_deg: float, digits: int = 1) -> str:
    """Return a card angle with its dead centre: inlet ``108.0 ATDC``, exhaust ``108.0 BTDC``."""
    after = full_lift_deg if valve == "inlet" else -full_lift_deg
    return _beside(after, "TDC", digits)


def _beside(after_deg: float, centre: str, digits: int) -> str:
    if round(abs(after_deg), digits) == 0:
        return centre
    return f"{abs(after_deg):.{digits}f} {'A' if after_deg > 0 else 'B'}{centre}"
