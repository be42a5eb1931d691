"""The tables and lists of a sheet, each said once: its page and its PDF both set them as they are."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from analysis.timing import dead_centre_words
from api.base import PistonClearanceView, ShiftedClearanceView, ValvesApartView, when
from api.sheet.model import Sheet, SheetCam, SheetMeasurement, SheetPart
from api.sheet.words import change_cells, deg, mm, moment, signed_side

SHIFTS_DEG = (-10.0, -5.0, 5.0, 10.0)
CALLS = {
    "in": "in",
    "out": "OUT",
    "cannot_tell": "cannot tell",
    "not_comparable": "not compared",
    "not_told": "not proved",
    "": "",
}
HELD = {"": "", "within": "within", "beyond": "beyond", "open": "too near to judge"}


@dataclass(frozen=True, slots=True)
class SheetCell:
    """What stands in one cell.

    Attributes
    ----------
    look
        How large: ``small``, ``line``, ``bold`` or ``large``.
    stop
        Set in the colour that says stop.
    trace
        Number of the measurement that it leads to, where a page can lead there.
    """

    lines: tuple[str, ...]
    look: Literal["small", "line", "bold", "large"] = "small"
    stop: bool = False
    trace: str = ""


@dataclass(frozen=True, slots=True)
class SheetTable:
    """A head and rows under it; `name` tells page and PDF how wide its columns are."""

    name: Literal["cams", "measured", "again", "piston", "lobes", "parts"]
    head: tuple[str, ...]
    rows: tuple[tuple[SheetCell, ...], ...]


@dataclass(frozen=True, slots=True)
class SheetList:
    """A heading and lines under it."""

    title: str
    lines: tuple[str, ...]
    stop: bool = False


def _cells(texts: Sequence[str], *, stop: bool) -> tuple[SheetCell, ...]:
    return tuple(SheetCell((text,), stop=stop) for text in texts)


# -- the cams in short


def cams_table(sheet: Sheet) -> SheetTable:
    """Give each cam in one row: card, as found, as left, verdict."""
    head = ("Cam", "Card", "As found", "As left", f"Against ±{sheet.job.tolerance:g}°")
    return SheetTable("cams", head, tuple(_cam_row(one) for one in sheet.cams))


def _cam_row(one: SheetCam) -> tuple[SheetCell, ...]:
    verdict = one.verdict
    call = CALLS[one.left]
    words = call if verdict is None else f"{call}: {signed_side(verdict.error_deg)} ± {verdict.u95_deg:.1f}"
    return (
        SheetCell((one.cam.capitalize(),), "large"),
        SheetCell(tuple(one.card), "line"),
        SheetCell(tuple(one.as_found), "line"),
        SheetCell(tuple(one.as_left), "bold"),
        SheetCell((words,), "large", stop=one.left != "in"),
    )


# -- measurements


def measurements_table(sheet: Sheet) -> SheetTable:
    """Give every measurement with method, drop, interval and verdict."""
    head = (
        "No.",
        "Time",
        "What",
        "State",
        "Method",
        "Found",
        "±",
        "Card",
        "Error",
        "Verdict",
        "Lift",
        "Slack",
    )
    rows = tuple(_measurement_row(one, sheet.begun_at) for one in sheet.measurements)
    return SheetTable("measured", (*head, "Gauge, lag", "Trace"), rows)


def _measurement_row(one: SheetMeasurement, begun_at: str) -> tuple[SheetCell, ...]:
    call = CALLS[one.call] if one.counts else "counts no more"
    texts = (
        str(one.fact),
        moment(one.at, begun_at),
        f"{one.valve or 'TDC'} {one.cylinder}",
        one.stage or "–",
        one.method,
        _value(one),
        f"{one.u95_deg:.2f}",
        "–" if one.card_deg is None else f"{one.card_deg:g}",
        signed_side(one.error_deg),
        call or "–",
        "–" if one.peak_lift_mm is None else f"{one.peak_lift_mm:.2f}",
        deg(one.slack_deg, 1),
        _gauge(one),
    )
    stop = one.call == "out" and one.counts
    trace = SheetCell((one.measurement_id or "–",), stop=stop, trace=one.measurement_id)
    return (*_cells(texts, stop=stop), trace)


def _value(one: SheetMeasurement) -> str:
    if one.side in {"ATDC", "BTDC"}:
        return f"{one.value_deg:.2f} {one.side}"
    return mm(one.value_deg) if one.side.startswith("mm") else deg(one.value_deg)


def _gauge(one: SheetMeasurement) -> str:
    if one.by_hand:
        return "by hand"
    lag = "" if one.lag_s is None else f", {one.lag_s * 1000:.0f} ms"
    return one.gauge.replace("_", " ") + lag


def changes_table(sheet: Sheet) -> SheetTable:
    """Give every lobe that was measured again, with whether it moved."""
    head = ("Lobe", "Measured", "Between", "Moved by", "±", "At a drop of", "Real move?")
    rows = tuple(_cells(change_cells(one), stop=one.call == "means something") for one in sheet.changes)
    return SheetTable("again", head, rows)


# -- valve to piston, all lobes


def piston_table(sheet: Sheet) -> SheetTable:
    """Give valve to piston, and what it becomes with the cam moved 5 and 10 either way."""
    head = ("Valve, mm", "Least", "At", "Wanted", "10 early", "5 early", "5 late", "10 late")
    rows = (*(_piston_row(one) for one in sheet.piston), *(_apart_row(one) for one in sheet.apart))
    return SheetTable("piston", head, rows)


def _whose(said: str) -> str:
    return said if said in {"engine maker", "the shop"} else "usual"


def _apart_row(one: ValvesApartView) -> tuple[SheetCell, ...]:
    texts = (
        f"inlet to exhaust {one.cylinder}" + ("" if one.still_holds else " (before a cam was moved)"),
        f"{one.least_mm:.2f} ± {one.u95_mm:.2f}",
        dead_centre_words(one.at_deg % 720.0, digits=0),
        f"{one.minimum_mm:.2f} ({_whose(one.minimum_from)})",
    )
    return (*_cells(texts, stop=not one.enough), *(_shifted(None) for _ in SHIFTS_DEG))


def _piston_row(one: PistonClearanceView) -> tuple[SheetCell, ...]:
    shifted = {row.shift_deg: row for row in one.table}
    texts = (
        f"{one.lobe.valve} {one.lobe.cylinder}" + ("" if one.still_holds else " (before the cam was moved)"),
        f"{one.least_mm:.2f} ± {one.u95_mm:.2f}",
        dead_centre_words(one.at_deg % 720.0, digits=0),
        f"{one.minimum_mm:.2f} ({_whose(one.minimum_from)})",
    )
    return (*_cells(texts, stop=not one.enough), *(_shifted(shifted.get(shift)) for shift in SHIFTS_DEG))


def _shifted(row: ShiftedClearanceView | None) -> SheetCell:
    if row is None:
        return SheetCell(("–",))
    return SheetCell((f"{row.least_mm:.2f}{'' if row.enough else ' !'}",), stop=not row.enough)


def too_near(sheet: Sheet) -> bool:
    """Whether a move that the table of valve to piston shows would come too near."""
    return any(
        not row.enough for one in sheet.piston for row in one.table if abs(row.shift_deg) <= SHIFTS_DEG[-1]
    )


def lobes_table(sheet: Sheet) -> SheetTable:
    """Give every lobe beside the others."""
    head = ("Lobe", "Phase against the card", "Peak lift", "Duration", "Slack", "Unlike the others in")
    rows = []
    for one in sheet.lobes:
        at = "" if one.check_lift_mm is None else f" at {one.check_lift_mm:g} mm"
        texts = (
            f"{one.valve} {one.cylinder}",
            signed_side(one.phase_deg, 2),
            mm(one.peak_lift_mm, 3),
            f"{deg(one.duration_deg, 1)}{at}",
            deg(one.slack_deg, 1),
            ", ".join(one.odd) or "–",
        )
        rows.append(_cells(texts, stop=bool(one.odd)))
    return SheetTable("lobes", head, tuple(rows))


def parts_table(sheet: Sheet) -> SheetTable:
    """Give what was told of parts beside the cams."""
    head = ("Part", "What", "Found", "Against the limit typed", "Gauge", "Time")
    rows = []
    for one in sheet.parts:
        texts = (one.part, one.what, *("",) * 2, one.gauge.replace("_", " "), moment(one.at, sheet.begun_at))
        cells = list(_cells(texts, stop=False))
        cells[2] = SheetCell(tuple(one.found), "small")
        cells[3] = SheetCell((_limit(one),), stop=one.held == "beyond")
        rows.append(tuple(cells))
    return SheetTable("parts", head, tuple(rows))


def _limit(one: SheetPart) -> str:
    limits = " to ".join(f"{limit:g}" for limit in (one.least_mm, one.most_mm) if limit is not None)
    return f"{limits} mm: {HELD[one.held]}" if limits else HELD[one.held]


# -- lists


def done_list(sheet: Sheet) -> SheetList:
    """Give what was done and decided; who did it only where it was not the builder."""
    builder = sheet.job.builder
    lines = (
        f"{moment(one.at, sheet.begun_at)} {one.words}" + ("" if one.by == builder else f" ({one.by})")
        for one in sheet.happenings
    )
    by = f", by {builder} unless said" if builder else ""
    return SheetList(f"Done and decided{by}", tuple(lines))


def closing_lists(sheet: Sheet) -> tuple[SheetList, ...]:
    """Give what was left out, warned of, noted and stated; what has no lines is not there."""
    left_out = tuple(
        f"{one.title}: {'gone past on own decision' if one.code else 'skipped'}. {one.reason} "
        f"({one.by}, {when(one.at)})"
        for one in sheet.departures
    )
    own = "Skipped, or gone past on the builder's own decision"
    lists = (
        SheetList(own, left_out or ("Nothing.",), stop=bool(left_out)),
        SheetList("Warnings", tuple(one.message for one in sheet.findings), stop=True),
        SheetList("Note", (sheet.job.note,) if sheet.job.note else ()),
        SheetList("Statement", (sheet.statement,) if sheet.statement else ()),
    )
    return tuple(one for one in lists if one.lines)


def title_block(sheet: Sheet, made: str = "Made") -> tuple[tuple[tuple[str, str], tuple[str, str]], ...]:
    """Give the columns of the title block, each two cells of a label and its text."""
    job = sheet.job
    signed = f"{sheet.signed_by}, {when(sheet.signed_at)}" if sheet.signed_by else "Not signed"
    return (
        (("Job", job.reference), ("Customer", job.customer or "–")),
        (("Engine", job.engine.name), ("Cam card", job.card.name)),
        (("Builder", job.builder or "–"), ("Begun", when(sheet.begun_at))),
        (("Signed", signed), (made, f"{when(sheet.made_at)}, Lobewright {sheet.program}")),
    )
