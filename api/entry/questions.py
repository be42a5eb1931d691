"""What an engine or a cam card can hardly be: asked about at entry. What cannot be at all is refused.

The ranges are wide; inside them nothing is asked. They are common practice, no source, unless a line says
otherwise; a builder who knows better confirms.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator

from analysis.base import EntryError
from analysis.timing import CamCard, Engine, Job, LobeCard, Valve, cam_words, events_to_timing
from api.base import Question
from api.entry.drive_questions import drive_questions, follower_questions, lift_place_questions
from api.entry.names import refuse_bad_card_names, refuse_bad_engine_names, refuse_bad_job_names
from api.entry.usual import outside
from api.entry.values import Unit
from api.entry.valve_questions import events_middle_questions, together_questions, valve_questions

CYLINDER = re.compile(r"[A-Z]?[0-9]{1,2}")
VALVES: tuple[Valve, ...] = ("inlet", "exhaust")


def refuse_impossible_engine(engine: Engine) -> None:
    """Refuse an engine that cannot exist; raises `EntryError`."""
    if not engine.name.strip():
        raise EntryError("no_name", "The engine has no name; give it one that the shop will find it by.")
    refuse_bad_engine_names(engine)
    _refuse_cylinders(engine)
    _refuse_valves(engine)
    _refuse_cams(engine)
    _refuse_crank(engine)


def _refuse_cylinders(engine: Engine) -> None:
    """Cylinders and their firing order, each named once and in both."""
    names = engine.cylinders
    odd = [name for name in names if not CYLINDER.fullmatch(name)]
    if not names or odd:
        raise EntryError(
            "cylinder_names",
            f"Cylinders are named 1, 2, 3 … in line or A1, B1 … in a vee{_not(odd)}. Correct the names.",
        )
    if len(set(names)) != len(names):
        raise EntryError("cylinder_twice", f"A cylinder is named twice in {', '.join(names)}. Correct it.")
    if sorted(engine.firing_order) != sorted(names):
        raise EntryError(
            "firing_order",
            f"The firing order {'-'.join(engine.firing_order) or '(none)'} does not name each of the "
            f"cylinders {', '.join(names)} once. Correct one of them.",
        )
    if engine.reference not in names:
        raise EntryError(
            "reference", f"The reference cylinder {engine.reference} is not one of the cylinders."
        )
    steps = engine.firing_intervals_deg
    if steps and (len(steps) != len(names) or abs(sum(steps) - 720) > 0.5 or min(steps) < 0):
        raise EntryError(
            "firing_intervals", f"The firing intervals must be {len(names)} angles that make 720 degrees."
        )


def _refuse_valves(engine: Engine) -> None:
    for kind, count in (("inlet", engine.inlet_valves), ("exhaust", engine.exhaust_valves)):
        if not 1 <= count <= 3:
            raise EntryError(
                "valve_count", f"A cylinder has 1 to 3 {kind} valves, not {count}. Correct the number."
            )


def _not(odd: list[str]) -> str:
    return f", not {', '.join(odd)}" if odd else ""


def _refuse_cams(engine: Engine) -> None:
    """Every valve is opened by one cam at most, the reference cylinder's by one at least."""
    if not engine.cams:
        raise EntryError("no_cam", "The engine has no cam; give one for both valves, or inlet and exhaust.")
    names = [cam.name for cam in engine.cams]
    if len(set(names)) != len(names) or not all(name.strip() for name in names):
        raise EntryError("cam_names", "Every cam needs a name of its own; correct the names.")
    served: set[tuple[str, Valve]] = set()
    for cam in engine.cams:
        if not cam.valves:
            raise EntryError("cam_without_valves", f"The {cam_words(cam.name)} opens no valve; say which.")
        strange = set(cam.cylinders) - set(engine.cylinders)
        if strange:
            raise EntryError(
                "cam_cylinders", f"The {cam_words(cam.name)} serves {', '.join(strange)}, not there."
            )
        own = {(cylinder, valve) for cylinder in engine.served_by(cam) for valve in cam.valves}
        if own & served:
            raise EntryError(
                "valve_twice", f"The {cam_words(cam.name)} opens valves that another cam opens too."
            )
        served |= own
    if not any(engine.reference in engine.served_by(cam) for cam in engine.cams):
        raise EntryError("reference_unserved", f"No cam serves the reference cylinder {engine.reference}.")


def _refuse_crank(engine: Engine) -> None:
    """Lengths that no crank train can have."""
    for word, value in (("stroke", engine.stroke_mm), ("rod", engine.rod_mm)):
        if value is not None and value <= 0:
            raise EntryError("impossible_engine", f"A {word} of {value:g} mm cannot be; correct it.")
    least_mm = (engine.stroke_mm or 0) / 2 + abs(engine.offset_mm or 0)
    if engine.stroke_mm and engine.rod_mm and engine.rod_mm <= least_mm:
        raise EntryError(
            "impossible_engine",
            f"A rod of {engine.rod_mm:g} mm cannot turn over a stroke of {engine.stroke_mm:g} mm; "
            "check both, and their unit.",
        )
    for word, value in (
        ("inlet head", engine.inlet_head_mm),
        ("exhaust head", engine.exhaust_head_mm),
        ("distance of the heads", engine.heads_apart_mm),
        ("least valve to valve", engine.valve_to_valve_mm),
    ):
        if value is not None and value <= 0:
            raise EntryError("impossible_engine", f"A {word} of {value:g} mm cannot be; correct it.")
    if any(not 0 <= (engine.valve_angle_deg(valve) or 0.0) < 60 for valve in VALVES):
        raise EntryError(
            "impossible_engine", "A valve leans to the bore by 0 to less than 60 degrees. Correct its angle."
        )
    limit = engine.slack_limit_deg
    if limit is not None and limit <= 0:
        raise EntryError("impossible_engine", "The slack limit is more than 0 degrees, or not known.")


def engine_questions(engine: Engine) -> list[Question]:
    """Ask about what an engine can hardly be."""
    found = [
        outside("stroke", "engine.stroke_mm", "A stroke of", engine.stroke_mm, (30, 250)),
        outside("rod", "engine.rod_mm", "A rod of", engine.rod_mm, (60, 500)),
        outside("pin_offset", "engine.pin_offset_mm", "A pin offset of", engine.pin_offset_mm, (-4, 4)),
        _pin_side(engine),
        outside(
            "crank_offset", "engine.crank_offset_mm", "A crank offset of", engine.crank_offset_mm, (-20, 20)
        ),
        outside(
            "slack_limit", "engine.slack_limit_deg", "A slack limit of", engine.slack_limit_deg, (0.2, 15)
        ),
        *(
            outside(
                f"{valve}_to_piston", f"engine.{valve}_to_piston_mm", "A least clearance of", least, (0.5, 6)
            )
            for valve in VALVES
            if (least := engine.least_to_piston_mm(valve)) is not None
        ),
        outside(
            "valve_to_valve",
            "engine.valve_to_valve_mm",
            "A least valve to valve of",
            engine.valve_to_valve_mm,
            (0.5, 6),
        ),
        _rod_ratio(engine),
        _fires_evenly(engine),
        *drive_questions(engine),
        *valve_questions(engine),
    ]
    return [one for one in found if one is not None]


def _pin_side(engine: Engine) -> Question | None:
    """Ask to which side a pin is offset where nobody has said; engines kept before it was asked are among them."""
    if engine.offset_side_known:
        return None
    return Question(
        code="pin_side_not_known",
        place="engine.pin_offset_mm",
        message=f"To which side is the pin offset by {abs(engine.pin_offset_mm or 0):g} mm? Towards the thrust "
        "side is positive: seen turning clockwise, the left. If it is not known, true TDC will be less certain.",
    )


def _fires_evenly(engine: Engine) -> Question | None:
    """Ask whether a twin or a vee fires evenly: on one crankpin it does not."""
    may_be_uneven = (
        len(engine.cylinders) == 2 or len({name[:1] for name in engine.cylinders if name[0].isalpha()}) > 1
    )
    if engine.firing_intervals_deg or not may_be_uneven:
        return None
    even = 720 / len(engine.cylinders)
    return Question(
        code="firing_intervals_not_stated",
        place="engine.firing_intervals_deg",
        message=f"Does it fire evenly, every {even:g} degrees? A 45-degree twin on one crankpin fires at 315 and "
        "405, a 90-degree twin at 270 and 450. Give the intervals, in the firing order.",
    )


def _rod_ratio(engine: Engine) -> Question | None:
    if not engine.stroke_mm or not engine.rod_mm:
        return None
    ratio = engine.rod_mm / engine.stroke_mm
    if 1.2 <= ratio <= 2.6:
        return None
    return Question(
        code="rod_ratio",
        place="engine.rod_mm",
        message=f"Rod over stroke would be {ratio:.2f}; engines have 1.3 to 2.5. Check both.",
    )


def refuse_impossible_card(card: CamCard) -> None:
    """Refuse a card that cannot be; raises `EntryError`."""
    refuse_bad_card_names(card)
    if not card.name.strip():
        raise EntryError("no_name", "The card has no name; give it one that the shop will find it by.")
    if card.tolerance_deg <= 0:
        raise EntryError(
            "tolerance_impossible",
            f"A tolerance of {card.tolerance_deg:g} degrees can be met by no cam and no measurement; give "
            "the cam maker's figure, or 1.",
        )
    if card.way == "separation":
        _refuse_separation(card)
    elif card.inlet is None and card.exhaust is None:
        raise EntryError("empty_card", "The card says nothing of inlet or exhaust; enter at least one.")
    for valve in VALVES:
        half = card.lobe(valve)
        if half is not None:
            _refuse_half(card, valve, half)


def _refuse_separation(card: CamCard) -> None:
    if card.separation_cam_deg is None:
        raise EntryError("no_separation", "A card by lobe separation needs its separation in cam degrees.")
    if not 60 <= card.separation_cam_deg <= 150:
        raise EntryError(
            "separation_impossible",
            f"A lobe separation of {card.separation_cam_deg:g} cam degrees cannot be; about 100 to 120 is.",
        )


def _refuse_half(card: CamCard, valve: Valve, half: LobeCard) -> None:
    """One valve's half: what its card's way needs, and no figure that cannot be."""
    _refuse_full_lift(valve, half.full_lift_deg)
    wanted: dict[str, tuple[str, ...]] = {
        "full_lift": ("full_lift_deg",),
        "equal_lift": ("full_lift_deg",),
        "events": ("opens_deg", "closes_deg"),
        "lift_at_tdc": ("lift_at_tdc_mm",),
    }
    missing = [name for name in wanted.get(card.way, ()) if getattr(half, name) is None]
    if missing:
        raise EntryError(
            "card_incomplete",
            f"A card meant by {card.way.replace('_', ' ')} needs {', '.join(missing)} for the {valve}.",
        )
    for name in ("lift_mm", "check_lift_mm", "drop_mm", "lift_at_tdc_mm", "rocker_ratio"):
        value = getattr(half, name)
        if value is not None and value <= 0:
            raise EntryError("card_impossible", f"{valve}.{name}: {value:g} cannot be; it is more than 0.")
    for name in ("checking_clearance_mm", "running_clearance_mm"):
        value = getattr(half, name)
        if value is not None and value < 0:
            raise EntryError("card_impossible", f"{valve}.{name}: {value:g} cannot be; it is 0 or more.")


def _refuse_full_lift(valve: Valve, full_lift_deg: float | None) -> None:
    """Full lift of an inlet is told after TDC, that of an exhaust before it, and neither lies past BDC."""
    if full_lift_deg is None or 0 < full_lift_deg < 180:
        return
    side, other = ("ATDC", "BTDC") if valve == "inlet" else ("BTDC", "ATDC")
    if full_lift_deg <= 0:
        raise EntryError(
            "other_side_of_tdc",
            f"{valve}.full_lift_deg: {full_lift_deg:g} {side} would be {-full_lift_deg:g} {other}; the lobe centre "
            f"of the {valve} lies {side}. Look at the card again, and which cam it is.",
        )
    raise EntryError(
        "centre_impossible",
        f"{valve}.full_lift_deg: {full_lift_deg:g} {side} cannot be a lobe's centre: it lies past BDC. It is "
        "about 95 to 125; if the card counts from another dead centre, turn it into "
        f"{side}.",
    )


def card_questions(card: CamCard, written: dict[str, Unit]) -> list[Question]:
    """Ask about what a card can hardly be; `written` are the units that were written out, by place."""
    found = [*_mixed(written), *_of_the_whole(card)]
    for valve in VALVES:
        half = card.lobe(valve)
        if half is not None:
            found += [*_of_half(card, valve, half), *lift_place_questions(valve, half)]
    return [one for one in found if one is not None]


def _mixed(written: dict[str, Unit]) -> Iterator[Question]:
    metric = [place for place, unit in written.items() if unit == "mm"]
    inch = [place for place, unit in written.items() if unit != "mm"]
    if metric and inch:
        yield Question(
            code="mixed_units",
            place=inch[0],
            message=f"This card mixes inch and mm: {inch[0]} is in inch or thou, {metric[0]} in mm.",
        )


def _of_the_whole(card: CamCard) -> Iterable[Question | None]:
    yield outside("tolerance", "card.tolerance_deg", "A tolerance of", card.tolerance_deg, (0.2, 4))
    yield outside(
        "separation", "card.separation_cam_deg", "A lobe separation of", card.separation_cam_deg, (98, 122)
    )
    yield outside("advance", "card.advance_deg", "An advance of", card.advance_deg, (-10, 10))


def _of_half(card: CamCard, valve: Valve, half: LobeCard) -> Iterable[Question | None]:
    """What is out of the usual in one valve's half."""
    at = f"card.{valve}"

    def asked(name: str, words: str, low: float, high: float) -> Question | None:
        return outside(f"{valve}_{name}", f"{at}.{name}", words, getattr(half, name), (low, high))

    yield asked("full_lift_deg", f"A lobe centre of the {valve} at", 85, 135)
    yield asked("lift_mm", f"A peak lift of the {valve} valve of", 4, 18)
    yield asked("drop_mm", "A drop below full lift of", 0.1, 3)
    yield asked("check_lift_mm", "A check lift of", 0.05, 2.6)
    yield asked("lift_at_tdc_mm", "A lift at TDC of", 0.1, 6)
    yield asked("checking_clearance_mm", "A checking clearance of", 0, 1)
    yield asked("running_clearance_mm", "A running clearance of", 0, 1)
    yield asked("rocker_ratio", "A rocker ratio of", 0.9, 2.2)
    yield from _of_events(valve, half, at)
    yield from events_middle_questions(valve, half)
    if card.way in {"events", "equal_lift"} and half.check_lift_mm is None:
        yield Question(
            code=f"{valve}_check_lift_not_stated",
            place=f"{at}.check_lift_mm",
            message=f"The card does not say at which lift the {valve}'s angles are taken; nothing measured "
            "can be compared with them then.",
        )


def _of_events(valve: Valve, half: LobeCard, at: str) -> Iterable[Question | None]:
    """By how much opening, closing, duration and centre disagree with one another."""
    if half.opens_deg is None or half.closes_deg is None:
        yield outside(
            f"{valve}_duration_deg", f"{at}.duration_deg", "A duration of", half.duration_deg, (160, 360)
        )
        return
    timing = events_to_timing(valve, half.opens_deg, half.closes_deg)
    yield outside(
        f"{valve}_duration_deg", at, "By these events a duration of", timing.duration_deg, (160, 360)
    )
    if half.duration_deg is not None and abs(half.duration_deg - timing.duration_deg) > 1:
        yield Question(
            code=f"{valve}_duration_disagrees",
            place=f"{at}.duration_deg",
            message=f"The {valve}'s events make a duration of {timing.duration_deg:g} degrees; the card says "
            f"{half.duration_deg:g}.",
        )
    if half.full_lift_deg is not None and abs(half.full_lift_deg - timing.full_lift_deg) > 8:
        yield Question(
            code=f"{valve}_centre_disagrees",
            place=f"{at}.full_lift_deg",
            message=f"The middle of the {valve}'s events is {timing.full_lift_deg:g}; the card's lobe "
            f"centre is {half.full_lift_deg:g}.",
        )


def refuse_impossible_job(job: Job) -> None:
    """Refuse an engine and a card that do not go together; raises `EntryError`."""
    refuse_bad_job_names(job)
    strange = [name for name in job.cylinders_wanted if name not in job.engine.cylinders]
    if strange:
        raise EntryError("no_such_cylinder", f"{job.engine.name} has no cylinder {', '.join(strange)}.")
    single = any(len(cam.valves) > 1 for cam in job.engine.cams)
    if job.card.way in {"separation", "equal_overlap_lift"} and not single:
        raise EntryError(
            "card_of_single_cam",
            f"Card {job.card.name} is meant for a single cam that opens both valves; {job.engine.name} has "
            "none. Use a card with full-lift angles.",
        )


def job_questions(job: Job) -> list[Question]:
    """Ask about what an engine and a card can hardly be together, and what an engine on file does not say."""
    silent = [one for one in (_pin_side(job.engine), _fires_evenly(job.engine)) if one is not None]
    silent += [*follower_questions(job), *together_questions(job)]
    if job.card.way == "separation":
        return silent
    opened = {valve for cam in job.engine.cams for valve in cam.valves}
    return [
        *silent,
        *(
            Question(
                code=f"card_silent_on_{valve}",
                place=f"card.{valve}",
                message=f"Card {job.card.name} says nothing of the {valve} valves that {job.engine.name} has.",
            )
            for valve in VALVES
            if valve in opened and job.card.lobe(valve) is None
        ),
    ]
