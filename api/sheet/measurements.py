"""The measurements of a sheet, each in the card's own words where it can be compared."""

from __future__ import annotations

import math
from collections.abc import Iterable

from analysis.job import Evidence
from analysis.timing import (
    Fact,
    Job,
    Lobe,
    LobeMeasured,
    NotComparable,
    PartFigure,
    PartMeasured,
    TdcMeasured,
    full_lift_of,
    judge,
    lobe_error,
)
from api.records import Measurement
from api.sheet.model import SheetMeasurement, SheetPart
from api.sheet.words import SIDES, STAGES, method_words

MAY_BE_EMPTY = (
    "drop_mm",
    "card_deg",
    "error_deg",
    "peak_lift_mm",
    "full_lift_deg",
    "duration_deg",
    "check_lift_mm",
    "slack_deg",
)


KINDS = {
    "runout": "runout",
    "swash": "face swash",
    "end_float": "end float",
    "deck": "deck",
    "compression": "compression",
    "mark": "timing mark",
}
DIGITS = {"mm": 3, "cm3": 2, ": 1": 2}


def part_lines(facts: Iterable[Fact]) -> list[SheetPart]:
    """Give what was told last of each part beside the cams, in order."""
    newest = {(fact.what.part, fact.what.what): fact for fact in facts if isinstance(fact.what, PartMeasured)}
    return [
        SheetPart(
            fact=fact.number,
            at=fact.at,
            part=what.part,
            what=KINDS[what.what],
            found=[_figure(one) for one in what.figures],
            held=what.held,
            least_mm=what.least_mm,
            most_mm=what.most_mm,
            gauge=what.gauge,
        )
        for fact in newest.values()
        if isinstance(what := fact.what, PartMeasured)
    ]


def _figure(one: PartFigure) -> str:
    digits, unit = (
        DIGITS.get(one.unit) or _degree_digits(one.u95),
        one.unit.replace("cm3", "cm³").replace("deg", "°"),
    )
    return f"{one.name} {one.value:.{digits}f} ± {one.u95:.{digits}f} {unit}".replace(" °", "°")


def _degree_digits(u95: float) -> int:
    """As many as the interval has: a face's tilt is told to thousandths, where a runout is highest to whole degrees."""
    return min(max(math.ceil(-math.log10(u95)), 1), 3) if u95 > 0 else 3


def measurement_lines(
    job: Job, evidence: Evidence, facts: list[Fact], measured: dict[int, Measurement]
) -> list[SheetMeasurement]:
    """Give every true TDC and every lobe that was kept, in order, whether it still counts or not."""
    lines = []
    for fact in facts:
        if isinstance(fact.what, TdcMeasured):
            lines.append(_tdc(job, evidence, fact, fact.what, measured))
        elif isinstance(fact.what, LobeMeasured):
            lines.append(_lobe(job, evidence, fact, fact.what, measured))
    return lines


def _passes(measurement_id: str, measured: dict[int, Measurement]) -> int | None:
    found = measured.get(int(measurement_id)) if measurement_id.isdecimal() else None
    if found is None or found.result is None:
        return None
    return sum(1 for one in found.result.get("passes", []) if one.get("used"))


def _counts(evidence: Evidence, fact: Fact, step: str) -> bool:
    standing = {one.number for one in evidence.facts}
    return fact.number in standing and fact.number > evidence.opened_again.get(step, 0)


def _tdc(
    job: Job, evidence: Evidence, fact: Fact, what: TdcMeasured, measured: dict[int, Measurement]
) -> SheetMeasurement:
    """A TDC has no card to be held against."""
    passes = _passes(what.measurement_id, measured)
    method = "by hand: equal readings" if what.by_hand else "piston motion, every reading"
    return _line(
        fact,
        what,
        what="tdc",
        valve="",
        cam="",
        stage="",
        method=method,
        value_deg=what.centre_deg,
        side="on the encoder" if not what.by_hand else "on the disc",
        passes=passes,
        counts=_counts(evidence, fact, "true_tdc"),
    )


def _line(fact: Fact, source: TdcMeasured | LobeMeasured, **fields: object) -> SheetMeasurement:
    empty = dict.fromkeys(MAY_BE_EMPTY)
    common = {
        "fact": fact.number,
        "at": fact.at,
        "by": fact.by,
        "cylinder": source.cylinder,
        "u95_deg": source.u95_deg,
        "lag_s": source.lag_s,
        "gauge": source.gauge,
        "by_hand": source.by_hand,
        "measurement_id": source.measurement_id,
        "call": "",
        "sentence": "",
    }
    return SheetMeasurement.model_validate(empty | common | fields)


def _lobe(
    job: Job, evidence: Evidence, fact: Fact, what: LobeMeasured, measured: dict[int, Measurement]
) -> SheetMeasurement:
    """A lobe in the card's own words; where the card cannot judge it, full lift stands there and why."""
    cam = job.engine.cam_of(Lobe(what.cylinder, what.valve))
    offset = job.engine.firing_offset_deg(what.cylinder)
    fields: dict[str, object] = {
        "value_deg": full_lift_of(what.valve, what.centre_deg, offset),
        "side": SIDES[what.valve],
    }
    at_mm: float | None = None
    try:
        error = lobe_error(job, what)
    except NotComparable as why:
        fields |= {"call": "not_comparable", "sentence": why.message}
    else:
        at_mm, verdict = error.at_mm, judge(error.error_deg, error.u95_deg, job.tolerance)
        fields |= {
            "value_deg": error.measured,
            "side": "mm at TDC" if job.card.way == "lift_at_tdc" else SIDES[what.valve],
            "card_deg": error.card,
            "error_deg": error.error_deg,
            "u95_deg": error.u95_deg,
            "call": verdict.call,
            "sentence": verdict.sentence,
        }
    event = what.events[-1] if what.events else None
    return _line(
        fact,
        what,
        what="lobe",
        valve=what.valve,
        cam=cam.name,
        stage=STAGES[evidence.stage_of(fact.number, cam.name)],
        method=method_words(job.card, what.drop_mm, by_hand=what.by_hand, at_mm=at_mm),
        drop_mm=what.drop_mm,
        peak_lift_mm=what.peak_lift_mm,
        full_lift_deg=what.full_lift_deg,
        duration_deg=None if event is None else event.duration_deg,
        check_lift_mm=None if event is None else event.lift_mm,
        slack_deg=what.slack_deg,
        passes=_passes(what.measurement_id, measured),
        counts=_counts(evidence, fact, f"lobe.{cam.name}"),
        **fields,
    )
