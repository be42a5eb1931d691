"""What was told of a part beside the cams, as an entry of a job, and its figures and curve as CSV."""

from __future__ import annotations

from collections.abc import Iterable
from functools import singledispatch
from typing import Any

from analysis.timing import Fact, PartFigure, PartKind, PartMeasured
from api.base import Body, NotFoundError, csv_text, safe_cell
from api.measure import (
    CompressionView,
    DeckView,
    EndFloatView,
    FigureView,
    Held,
    MarkView,
    PartView,
    RunoutView,
)
from api.records import ToldPart

MM_AN_INCH = 25.4


def part_measured(part: str, told: PartView, entry: Body | None = None) -> PartMeasured:
    """Give the entry of what was told of a part.

    Parameters
    ----------
    part : str
        What the builder calls it.
    told : PartView
        What was told of it.
    entry : Body, optional
        What was typed for it, the maker's limits among it.
    """
    kind, figures, words = _entry(told)
    return PartMeasured(
        part=part,
        what=kind,
        figures=tuple(figures),
        words=words,
        held=getattr(told, "held", ""),
        gauge=getattr(told, "gauge", ""),
        least_mm=getattr(entry, "least_mm", None),
        most_mm=getattr(entry, "most_mm", None),
    )


Entry = tuple[PartKind, list[PartFigure], str]


@singledispatch
def _entry(told: PartView) -> Entry:
    raise TypeError(type(told).__name__)


@_entry.register
def _runout(told: RunoutView) -> Entry:
    """Of a face it is the swash that is kept."""
    figures = [
        _mm("full swing", told.total_mm),
        _mm("off its axis", told.eccentricity_mm),
        _mm("oval", told.ovality_mm),
    ]
    if told.waves and told.waves[0].seen:
        figures.append(PartFigure("highest at", told.high_at_deg.value, told.high_at_deg.u95, "deg"))
    if told.swash is None:
        return "runout", figures, told.words
    tilt = told.swash.tilt_deg
    figures = [
        figures[0],
        _mm(f"swash at {told.swash.radius_mm:g} mm from the axis", told.swash.swash_mm),
        PartFigure("tilt", tilt.value, tilt.u95, "deg"),
        *figures[3:],
    ]
    return "swash", figures, told.words


@_entry.register
def _end_float(told: EndFloatView) -> Entry:
    return "end_float", [_mm("float", told.float_mm)], told.words


@_entry.register
def _deck(told: DeckView) -> Entry:
    figures = [_mm(f"cylinder {one.cylinder}", one.deck_mm) for one in told.cylinders]
    if len(figures) == 1:
        return "deck", figures, "Deck height of one cylinder; below the face is positive."
    spread = told.spread_mm
    words = f"Deck heights apart by {spread.value:.3f} ± {spread.u95:.3f} mm; below the face is positive."
    return "deck", [*figures, _mm("spread", spread)], words


@_entry.register
def _compression(told: CompressionView) -> Entry:
    ratio = told.ratio
    figures = [
        PartFigure("ratio", ratio.value, ratio.u95, ": 1"),
        PartFigure("swept", told.swept_cm3.value, told.swept_cm3.u95, "cm3"),
        PartFigure("left at TDC", told.left_cm3.value, told.left_cm3.u95, "cm3"),
    ]
    within = f" ± {ratio.u95:.2f}" if ratio.u95 else ""
    left_out = f" Not in its interval: {', '.join(told.without_limit)}." if told.without_limit else ""
    return "compression", figures, f"Compression ratio {ratio.value:.2f}{within} : 1.{left_out}"


@_entry.register
def _mark(told: MarkView) -> Entry:
    late = told.late_deg
    figures = [PartFigure("late", late.value, late.u95, "deg"), _mm("along the rim", told.along_rim_mm)]
    return "mark", figures, told.words


def _mm(name: str, figure: FigureView) -> PartFigure:
    return PartFigure(name, figure.value, figure.u95, "mm")


def part_source(told: PartView) -> dict[str, Any] | None:
    """Give the curve that an entry was told from, where there is one; it is kept beside the entry."""
    if not isinstance(told, RunoutView):
        return None
    return {"crank_deg": told.crank_deg, "reading_mm": told.reading_mm, "angles_from": told.angles_from}


def kept_source(told: dict[str, Any]) -> dict[str, Any] | None:
    """Give the same of a result that was kept before it had a name."""
    names = ("crank_deg", "reading_mm", "angles_from")
    return {name: told[name] for name in names} if "reading_mm" in told else None


class PartLine(Body):
    """One result of a part in the list: its figures, the limits typed, and where it belongs."""

    id: int
    at: str
    part: str
    what: PartKind
    words: str
    figures: list[PartFigure]
    least_mm: float | None
    most_mm: float | None
    held: Held
    gauge: str
    job_id: int | None
    reference: str
    fact: int | None
    has_curve: bool
    has_readings: bool


class PartRecord(PartLine):
    """All that is kept of it: what was typed and answered, and which readings of which run it was told from."""

    entry: dict[str, Any]
    facts: dict[str, Any]
    told: dict[str, Any]
    run_id: int | None
    start_ns: int | None
    end_ns: int | None
    thrown_at: str
    program: str


def part_line(part: ToldPart, reference: str) -> PartLine:
    """Give what the list shows of a result; `reference` is the job's."""
    return PartLine(**_line_fields(part, reference))


def part_record(part: ToldPart, reference: str) -> PartRecord:
    """Give all that is kept of a result."""
    own = {name: getattr(part, name) for name in PartRecord.model_fields if name not in PartLine.model_fields}
    return PartRecord(**_line_fields(part, reference), **own)


def _line_fields(part: ToldPart, reference: str) -> dict[str, Any]:
    what = part.measured
    return {
        "id": part.id,
        "at": part.at,
        "part": what.part,
        "what": what.what,
        "words": what.words,
        "figures": list(what.figures),
        "least_mm": what.least_mm,
        "most_mm": what.most_mm,
        "held": what.held,
        "gauge": what.gauge,
        "job_id": part.job_id,
        "reference": reference,
        "fact": part.fact,
        "has_curve": "reading_mm" in part.told,
        "has_readings": part.run_id is not None,
    }


# -- as CSV


def lines_csv(lines: Iterable[PartLine]) -> str:
    """Give every number of every result, in mm and inch where it is a length."""
    head = ("result", "at", "job", "part", "what", *NUMBER_HEAD, "least_mm", "most_mm", "held")
    return _csv(
        head,
        (
            (line.id, line.at, line.reference, line.part, line.what, *number, *limits, line.held)
            for line in lines
            for limits in [["" if one is None else one for one in (line.least_mm, line.most_mm)]]
            for number in map(_number, line.figures)
        ),
    )


def parts_csv(facts: Iterable[Fact]) -> str:
    """Give every number of every part of a job, in mm and inch where it is a length."""
    head = ("entry", "at", "by", "part", "what", *NUMBER_HEAD, "held")
    return _csv(
        head,
        (
            (fact.number, fact.at, fact.by, what.part, what.what, *number, what.held)
            for fact in facts
            if isinstance(what := fact.what, PartMeasured)
            for number in map(_number, what.figures)
        ),
    )


NUMBER_HEAD = ("number", "value", "u95", "unit", "inch", "u95_inch")


def _number(one: PartFigure) -> tuple[object, ...]:
    inch = [x / MM_AN_INCH for x in (one.value, one.u95)] if one.unit == "mm" else ["", ""]
    return one.name, one.value, one.u95, one.unit, *inch


def curve_csv(source: dict[str, Any] | None) -> str:
    """Give the curve of one part by crank degree, mm and inch; raises `NotFoundError` where it has none."""
    if not source or "reading_mm" not in source:
        raise NotFoundError(
            "no_curve", "Nothing was drawn of this part: its numbers are in the list of parts."
        )
    pairs = zip(source["crank_deg"], source["reading_mm"], strict=True)
    return _csv(
        ("crank_deg", "reading_mm", "reading_inch"), ((deg, mm, mm / MM_AN_INCH) for deg, mm in pairs)
    )


def _csv(head: Iterable[str], rows: Iterable[Iterable[object]]) -> str:
    return csv_text([head, *([_cell(cell) for cell in row] for row in rows)])


def _cell(cell: object) -> str:
    return repr(cell) if isinstance(cell, float) else safe_cell(str(cell))
