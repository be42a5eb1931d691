"""The words of a sheet: engine, card, what happened, as a builder would write them down."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from itertools import pairwise
from typing import Any

from analysis.timing import (
    Adjuster,
    Cam,
    CamCard,
    ClearanceNoted,
    Decided,
    Engine,
    Fact,
    FittedUp,
    Job,
    LobeCard,
    Moved,
    Noted,
    StrokeFound,
    Tightened,
    Valve,
    WentBack,
    Withdrawn,
    full_lifts_of,
    late_or_early,
    later_or_earlier,
)
from api.base import Finding, LobeChangeView, when
from api.sheet.model import SheetHappening, SheetLine

INTERVAL_NOTE = "± is the expanded uncertainty, k = 2: 95 in 100 such intervals hold the true value."
TOO_NEAR_NOTE = "! Less than wanted, uncertainty taken into account: do not move the cam there."
SIDES: dict[Valve, str] = {"inlet": "ATDC", "exhaust": "BTDC"}
WAYS = {
    "full_lift": "full lift, equal readings near the nose",
    "equal_lift": "middle of equal lifts at a check lift",
    "events": "opening and closing at a check lift",
    "lift_at_tdc": "lift at TDC",
    "equal_overlap_lift": "equal lift at overlap TDC",
    "separation": "lobe separation and advance",
}
MOVES = {
    "cam_turned": "crank held on a flank, cam turned to the gauge's target",
    "crank_turned": "cam held, crank turned past the number and forward to it",
    "key": "offset key",
    "dowel": "offset dowel",
    "hole": "vernier holes",
    "tooth": "by teeth",
    "other": "by scale",
}
BETWEEN = {"nipped": "nipped up", "torqued": "torqued", "": "nothing touched"}
STAGES = {"as_found": "as found", "moved": "moved", "nipped": "nipped up", "torqued": "torqued"}


def moment(at: str, begun_at: str) -> str:
    """Give the time of day; the day, too, where it is not the day on which the job was begun."""
    day, begun = when(at), when(begun_at)
    return day[-5:] if day[:11] == begun[:11] else f"{day[:6]} {day[-5:]}"


CLOCK_BACK_S = 60.0
"""Clocks of two benches, and one that the network keeps right, differ by less."""


def set_back(facts: Sequence[Fact], begun_at: str) -> list[Finding]:
    """Warn where times run back: entries stand in the order in which they came, whatever the computer's clock said."""
    return [
        Finding(
            code="clock_set_back",
            message=f"{moment(before.at, begun_at)} was followed by {moment(after.at, begun_at)}: the computer's clock was "
            "set back meanwhile. The order is that of the numbers.",
        )
        for before, after in pairwise(facts)
        if _later_by_s(before.at, after.at) > CLOCK_BACK_S
    ]


def _later_by_s(at: str, other: str) -> float:
    try:
        return (dt.datetime.fromisoformat(at) - dt.datetime.fromisoformat(other)).total_seconds()
    except (ValueError, TypeError):
        return 0.0


def mm(value: float | None, digits: int = 2) -> str:
    """Give a length, or a dash."""
    return "–" if value is None else f"{value:.{digits}f} mm"


def deg(value: float | None, digits: int = 2) -> str:
    """Give an angle without its sign word, or a dash."""
    return "–" if value is None else f"{value:.{digits}f}°"


def signed_side(error_deg: float | None, digits: int = 1) -> str:
    """Give an error in the trade's words: late, early, or on it."""
    if error_deg is None:
        return "–"
    if round(abs(error_deg), digits) == 0:
        return "on it"
    return f"{abs(error_deg):.{digits}f}° {late_or_early(error_deg)}"


def change_cells(one: LobeChangeView) -> tuple[str, ...]:
    """Give one lobe measured again: which, what was measured, what was done between, by how much it moved."""
    return (
        f"{one.valve} {one.cylinder}",
        f"no. {one.before}, then {one.after}",
        BETWEEN[one.between],
        moved_words(one.by_deg),
        f"{one.u95_deg:.2f}",
        mm(one.drop_mm),
        one.call,
    )


def moved_words(by_deg: float) -> str:
    """Give how far a lobe went, in the trade's words."""
    if round(abs(by_deg), 2) == 0:
        return "0.00°"
    return f"{abs(by_deg):.2f}° {later_or_earlier(by_deg)}"


def engine_lines(engine: Engine) -> list[SheetLine]:
    """Give the engine."""
    rod = "" if engine.rod_mm is None else f", rod {engine.rod_mm:g} mm"
    pin = _pin_words(engine)
    stroke = "not given" if engine.stroke_mm is None else f"{engine.stroke_mm:g} mm{rod}{pin}"
    lines = [
        ("Engine", engine.name),
        (
            "Firing order",
            f"{'-'.join(engine.firing_order)}, reference cylinder {engine.reference}{_intervals(engine)}",
        ),
        ("Rotation", f"{engine.rotation}, seen from the {engine.seen_from}"),
        ("Stroke", stroke),
        *_several_valves(engine),
        *((f"{cam.name.capitalize()} adjuster", _adjuster(cam)) for cam in engine.cams),
    ]
    if engine.slack_limit_deg is not None:
        lines.append(("Slack limit", deg(engine.slack_limit_deg, 1)))
    return [SheetLine(name=name, text=text) for name, text in lines]


def _intervals(engine: Engine) -> str:
    steps = engine.firing_intervals_deg
    return f", every {'-'.join(f'{step:g}' for step in steps)} crank deg" if steps else ""


def _pin_words(engine: Engine) -> str:
    """Say how far and to which side the pin is offset, and the crank."""
    said = ""
    if engine.pin_offset_mm is not None:
        side = "towards" if engine.pin_offset_mm > 0 else "away from"
        where = f" {side} the thrust side" if engine.pin_side_known else ", side not known"
        said = f", pin offset {abs(engine.pin_offset_mm):g} mm" + (where if engine.pin_offset_mm else "")
    if engine.crank_offset_mm:
        side = "towards" if engine.crank_offset_mm > 0 else "away from"
        said += f", crank offset {abs(engine.crank_offset_mm):g} mm {side} the thrust side"
    return said


def _several_valves(engine: Engine) -> list[tuple[str, str]]:
    """Say that one valve stands for several, where it does."""
    if engine.inlet_valves == engine.exhaust_valves == 1:
        return []
    counts = f"{engine.inlet_valves} inlet, {engine.exhaust_valves} exhaust a cylinder"
    return [("Valves", f"{counts}; one of each measured")]


def _adjuster(cam: Cam) -> str:
    adjuster: Adjuster = cam.adjuster
    words = {
        "slots": "slotted pulley",
        "holes": f"vernier holes, {adjuster.hole_cam_deg or 0:g} cam deg a hole",
        "keys": "offset keys",
        "dowels": "offset dowels",
        "teeth": f"{adjuster.gear_teeth or 0} teeth",
        "none": "not given",
    }[adjuster.kind]
    radius = adjuster.bolt_circle_radius_mm
    return words if radius is None else f"{words}, bolts at {radius:g} mm radius"


def card_lines(job: Job) -> list[SheetLine]:
    """Give the card, its way said."""
    card = job.card
    maker = f", {card.maker}" if card.maker else ""
    lines = [("Card", f"{card.name}{maker}"), ("Meant by", WAYS[card.way])]
    if card.way == "separation" and card.separation_cam_deg is not None:
        inlet, exhaust = full_lifts_of(card.separation_cam_deg, card.advance_deg or 0.0)
        lines.append(
            ("Separation", f"{card.separation_cam_deg:g} cam deg, advance {card.advance_deg or 0:g}°")
        )
        lines.append(("Lobe centre", f"inlet {inlet:g} ATDC, exhaust {exhaust:g} BTDC"))
    for valve in ("inlet", "exhaust"):
        half = card.lobe(valve)
        if half is not None:
            lines.append((valve.capitalize(), half_words(valve, half)))
    own = "" if job.tolerance_deg is None else ", set for this job"
    lines.append(("Tolerance", f"±{job.tolerance:g}° of the crank{own}"))
    return [SheetLine(name=name, text=text) for name, text in lines]


def half_words(valve: Valve, half: LobeCard) -> str:
    """Give one half of a card in one line."""
    parts = []
    if half.full_lift_deg is not None:
        drop = "" if half.drop_mm is None else f" at {half.drop_mm:g} mm drop"
        parts.append(f"{half.full_lift_deg:g} {SIDES[valve]}{drop}")
    if half.opens_deg is not None and half.closes_deg is not None:
        parts.append(f"{half.opens_deg:g}/{half.closes_deg:g}{_at_lift(half)}")
    if half.lift_at_tdc_mm is not None:
        parts.append(f"{half.lift_at_tdc_mm:g} mm at TDC")
    if half.lift_mm is not None:
        parts.append(f"lift {half.lift_mm:g} mm{' at the lobe' if half.lift_at == 'lobe' else ''}")
    if half.checking_clearance_mm is not None:
        parts.append(f"checked at {half.checking_clearance_mm:g} mm clearance")
    if half.rocker_ratio != 1.0:
        parts.append(f"rocker {half.rocker_ratio:g}")
    return ", ".join(parts) or "–"


def _at_lift(half: LobeCard) -> str:
    return "" if half.check_lift_mm is None else f" at {half.check_lift_mm:g} mm"


def card_number(card: CamCard, valve: Valve) -> str:
    """Give the card's own number for a valve, in short."""
    if card.way == "separation" and card.separation_cam_deg is not None:
        inlet, exhaust = full_lifts_of(card.separation_cam_deg, card.advance_deg or 0.0)
        return f"{inlet if valve == 'inlet' else exhaust:g} {SIDES[valve]}"
    half = card.lobe(valve)
    if half is None:
        return "–"
    if card.way in {"full_lift", "equal_lift"} and half.full_lift_deg is not None:
        return f"{half.full_lift_deg:g} {SIDES[valve]}"
    return half_words(valve, half).split(",")[0]


def method_words(card: CamCard, drop_mm: float, *, by_hand: bool, at_mm: float | None) -> str:
    """Say how a lobe's number was made."""
    hand = "by hand: " if by_hand else ""
    if card.way in {"equal_lift", "events"} and at_mm is not None:
        return f"{hand}equal lifts at {at_mm:.2f} mm"
    if card.way == "lift_at_tdc":
        return f"{hand}lift at TDC"
    return f"{hand}equal lifts, {drop_mm:.2f} mm drop"


def clearance_lines(job: Job, facts: list[Fact]) -> list[SheetLine]:
    """Give the valve clearances noted, against the card."""
    newest = {
        (fact.what.cylinder, fact.what.valve): fact.what
        for fact in facts
        if isinstance(fact.what, ClearanceNoted)
    }
    lines = []
    for (cylinder, valve), what in newest.items():
        card = job.card.lobe(valve)
        wanted = None if card is None else card.checking_clearance_mm
        against = "card says none" if wanted is None else f"card {wanted:.2f}"
        lines.append(SheetLine(name=f"{valve} {cylinder}", text=f"{what.clearance_mm:.2f} mm ({against})"))
    return lines


def happenings(facts: list[Fact]) -> list[SheetHappening]:
    """Give what was decided and done, in order."""
    told = [(fact, words) for fact in facts if (words := _words(fact))]
    return [SheetHappening(fact=fact.number, at=fact.at, by=fact.by, words=words) for fact, words in told]


def _words(fact: Fact) -> str:
    tell = _TOLD.get(type(fact.what))
    return "" if tell is None else tell(fact.what)


def _decided(what: Decided) -> str:
    words = {"correct": "to be corrected", "leave": "left as it is", "measure_again": "to be measured again"}
    return f"{what.cam.capitalize()} cam {words[what.decision]}{_because(what.reason)}."


def _tightened(what: Tightened) -> str:
    done = "nipped up" if what.to == "nipped" else "torqued"
    torque = "" if what.torque_nm is None else f" to {what.torque_nm:g} Nm"
    locking = f", {what.locking}" if what.locking else ""
    return f"{what.cam.capitalize()} cam {done}{torque}{locking}."


def _moved(what: Moved) -> str:
    asked = "" if what.asked_deg is None else f" by {_change(what.asked_deg)}"
    return f"{what.cam.capitalize()} cam moved{asked}: {MOVES[what.way]}."


def _change(change_deg: float) -> str:
    return f"{abs(change_deg):.1f}° {later_or_earlier(change_deg)}"


def _because(reason: str) -> str:
    return f": {reason.rstrip('.')}" if reason else ""


_TOLD: dict[type, Callable[[Any], str]] = {
    FittedUp: lambda what: f"Fitted up: {' '.join(what.lines)}",
    StrokeFound: lambda what: f"Overlap TDC told from firing TDC: {what.how_words}.",
    Decided: _decided,
    Moved: _moved,
    Tightened: _tightened,
    WentBack: lambda what: f"Went back to {what.step}{_because(what.reason)}.",
    Withdrawn: lambda what: f"Entry {what.number} withdrawn{_because(what.reason)}.",
    Noted: lambda what: f"Note: {what.text}",
}
