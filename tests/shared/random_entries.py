"""Engines, cards and jobs at random, as they are typed into the entry forms: every field that the forms have."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from hypothesis import strategies as st

FLANK_MM_DEG, HALF_WIDE_DEG = 0.06, 150.0
"""Lobes with straight flanks: 9 mm high, 150 crank degrees to either side of the nose."""

Fields = dict[str, Any]


@dataclass
class Case:
    """An engine, card and job as entered, and what is true of them besides."""

    engine: Fields
    card: Fields
    aim: str
    bank_late_deg: float
    zero_deg: float
    found_late_deg: list[float]
    ground_deg: float
    seen_from: str
    slips_deg: list[float]
    hold: list[str]
    noted: bool
    """Whether moves say what is fitted since; those kept before that was asked do not."""


def tenths(low: float, high: float) -> st.SearchStrategy[float]:
    return st.integers(round(low * 10), round(high * 10)).map(lambda count: count / 10)


SIZES = st.lists(st.integers(1, 16).map(lambda half: half / 2), min_size=1, max_size=6, unique=True)


@st.composite
def adjusters(draw: Any) -> Fields:
    kind = draw(st.sampled_from(["slots", "holes", "keys", "dowels", "teeth", "none"]))
    more: Fields = {"bolt_circle_radius_mm": draw(st.none() | tenths(15, 60))}
    if kind == "slots":
        more["slot_each_way_cam_deg"] = draw(st.none() | tenths(3, 12))
        more["fitted_deg"] = draw(tenths(-2, 2))
    if kind == "holes":
        more["hole_cam_deg"] = draw(tenths(0.5, 6))
    if kind in {"keys", "dowels"}:
        sizes = draw(SIZES)
        more |= {"sizes_deg": sizes, "sizes_act_on": draw(st.sampled_from(["cam", "crank"]))}
        more["fitted_deg"] = draw(st.sampled_from([0.0, *sizes])) * draw(st.sampled_from([-1, 1]))
    if kind == "teeth" or draw(st.booleans()):
        more["gear_teeth"] = draw(st.integers(30, 60))
    return {"kind": kind} | more


@st.composite
def engines(draw: Any) -> Fields:
    vee = draw(st.booleans())
    count = draw(st.integers(1, 3 if vee else 6))
    names = [f"{bank}{place}" for bank in ("AB" if vee else [""]) for place in range(1, count + 1)]
    order = draw(st.permutations(names))
    cuts = draw(
        st.none() | st.sets(st.integers(1, 143), min_size=len(order) - 1, max_size=len(order) - 1).map(sorted)
    )
    at = None if cuts is None else [0, *(5 * cut for cut in cuts), 720]
    cams = []
    for bank in draw(st.sampled_from([["A", "B"], [""]])) if vee else [""]:
        for valves in draw(st.sampled_from([[["inlet", "exhaust"]], [["inlet"], ["exhaust"]]])):
            served = [name for name in names if name.startswith(bank)] if bank else []
            word = valves[0] if len(valves) == 1 else "camshaft"
            cam = {"name": f"{bank} {word}".strip(), "valves": valves, "cylinders": served}
            cams.append(cam | {"turns_with_crank": draw(st.booleans()), "adjuster": draw(adjusters())})
    return {
        "name": "Fell",
        "cylinders": names,
        "firing_order": list(order),
        "reference_cylinder": draw(st.sampled_from(["", *names])),
        "firing_intervals_deg": [] if at is None else [after - at[n] for n, after in enumerate(at[1:])],
        "rotation": draw(st.sampled_from(["clockwise", "anticlockwise"])),
        "seen_from": draw(st.sampled_from(["timing end", "flywheel end"])),
        "stroke_mm": draw(st.none() | tenths(40, 100)),
        "rod_mm": draw(st.none() | tenths(110, 200)),
        "pin_offset_mm": draw(st.none() | tenths(-3, 3)),
        "pin_side_known": draw(st.booleans()),
        "crank_offset_mm": draw(st.none() | tenths(-5, 5)),
        "slack_limit_deg": draw(st.none() | tenths(1, 6)),
        "forward_only": draw(st.booleans()),
        "inlet_valves": draw(st.integers(1, 3)),
        "exhaust_valves": draw(st.integers(1, 3)),
        "inlet_to_piston_mm": draw(st.none() | tenths(1, 3)),
        "exhaust_to_piston_mm": draw(st.none() | tenths(1, 3)),
        "valve_to_valve_mm": draw(st.none() | tenths(1, 3)),
        "cams": cams,
    }


WAYS = ["full_lift", "equal_lift", "events", "lift_at_tdc"]
BOTH_LOBES = ["separation", "separation", "separation", "equal_overlap_lift"]


@st.composite
def cards(draw: Any, single: bool) -> Fields:
    way = draw(st.sampled_from(WAYS + BOTH_LOBES if single else WAYS))
    inlet, exhaust = draw(tenths(96, 120)), draw(tenths(96, 120))
    if way == "equal_overlap_lift":
        exhaust = inlet
    card: Fields = {"name": "Fell 248", "way": way, "tolerance_deg": draw(tenths(0.5, 2))}
    if way == "separation":
        return card | {"separation_cam_deg": (inlet + exhaust) / 2, "advance_deg": (exhaust - inlet) / 2}
    drop = draw(st.sampled_from([None, 0.5, 1.27]))
    at_lobe, ratio, clearance = draw(st.booleans()), draw(tenths(1, 1.8)), draw(st.sampled_from([0.0, 0.2]))
    for valve, centre in (("inlet", inlet), ("exhaust", exhaust)):
        half: Fields = {"full_lift_deg": centre, "drop_mm": drop, "check_lift_mm": 1.0}
        half |= {"lift_at": "lobe" if at_lobe else "valve", "rocker_ratio": ratio}
        half |= {"checking_clearance_mm": clearance}
        half["lift_at_tdc_mm"] = FLANK_MM_DEG * (HALF_WIDE_DEG - centre)
        open_deg = HALF_WIDE_DEG - check_lift_at_valve(half) / FLANK_MM_DEG
        before_or_after_tdc, beyond_bdc = open_deg - centre, centre + open_deg - 180
        names = ("opens_deg", "closes_deg") if valve == "inlet" else ("closes_deg", "opens_deg")
        card[valve] = half | dict(zip(names, (before_or_after_tdc, beyond_bdc), strict=True))
    return card


def check_lift_at_valve(half: Fields) -> float:
    """A lobe's millimetre through the rocker, less what the clearance takes."""
    return half["rocker_ratio"] - half["checking_clearance_mm"] if half["lift_at"] == "lobe" else 1.0


@st.composite
def cases(draw: Any) -> Case:
    engine = draw(engines())
    single = all(len(cam["valves"]) == 2 for cam in engine["cams"])
    vee = engine["cylinders"][0].startswith("A")
    return Case(
        engine,
        draw(cards(single)),
        draw(st.sampled_from(["inlet", "exhaust", "share"])),
        draw(tenths(-2.5, 2.5)) if vee else 0.0,
        draw(tenths(0, 359)),
        [draw(tenths(-20, 20)) for _ in engine["cams"]],
        draw(tenths(-3, 3)),
        draw(st.sampled_from(["timing end", "flywheel end"])),
        [draw(tenths(-2, 2)) for _ in range(2)],
        [draw(st.sampled_from(["crank", "cam"])) for _ in range(3)],
        draw(st.booleans()),
    )
