"""The tables and paragraphs of a sheet's PDF."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any
from xml.sax.saxutils import escape

from reportlab.lib.enums import TA_JUSTIFY
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.platypus import Flowable, Paragraph, Spacer, Table

from analysis.timing import dead_centre_words
from api.base import LobeChangeView, ShiftedClearanceView
from api.sheet.model import Sheet, SheetCam, SheetLine, SheetMeasurement
from api.sheet.pen import HAIR, INK, INK_2, STOP, THIN, Face
from api.sheet.words import CHANGES_HEAD, change_cells, deg, moment, signed_side

Row = list[Any]
CALLS = {
    "in": "in",
    "out": "OUT",
    "cannot_tell": "cannot tell",
    "not_comparable": "not compared",
    "not_told": "not proved",
    "": "",
}


@dataclass(frozen=True, slots=True)
class Styles:
    """The paragraph styles of a sheet."""

    result: ParagraphStyle
    notice: ParagraphStyle
    head: ParagraphStyle
    cell: ParagraphStyle
    bold: ParagraphStyle
    label: ParagraphStyle
    number: ParagraphStyle
    small: ParagraphStyle
    stop: ParagraphStyle
    stop_line: ParagraphStyle
    caution: ParagraphStyle


def styles_of(face: Face) -> Styles:
    """Make the styles for a face."""

    def style(name: str, size: float, **more: Any) -> ParagraphStyle:
        usual: dict[str, Any] = {"fontName": face.plain, "leading": size * 1.22, "textColor": INK}
        return ParagraphStyle(name, fontSize=size, **(usual | more))

    return Styles(
        result=style("result", 15, fontName=face.bold, spaceAfter=3),
        notice=style("notice", 7.2, textColor=STOP, spaceAfter=3),
        head=style("head", 8.2, fontName=face.bold, spaceBefore=5, spaceAfter=1.5),
        cell=style("cell", 7.2),
        bold=style("bold", 7.6, fontName=face.bold),
        label=style("label", 6.2, textColor=INK_2),
        number=style("number", 9.6, fontName=face.bold),
        small=style("small", 7),
        stop=style("stop", 8, fontName=face.bold, textColor=STOP, spaceBefore=3),
        stop_line=style("stop_line", 7, textColor=STOP),
        caution=style("caution", 6.2, textColor=INK_2, alignment=TA_JUSTIFY),
    )


def paragraph(words: str, style: ParagraphStyle) -> Paragraph:
    """Set words as they are: nothing in them is taken for markup."""
    return Paragraph(escape(words), style)


def heading(words: str, styles: Styles) -> Paragraph:
    """Set a heading."""
    return paragraph(words, styles.head)


def beside(left: Any, right: Any, gutter: float, width: float) -> Table:
    """Set two things beside each other."""
    half = (width - gutter) / 2
    table = Table([[left, "", right]], colWidths=[half, gutter, half])
    table.setStyle([*_bare(), ("VALIGN", (0, 0), (-1, -1), "TOP")])
    return table


def _bare() -> list[tuple[Any, ...]]:
    return [(f"{side}PADDING", (0, 0), (-1, -1), 0) for side in ("LEFT", "RIGHT", "TOP", "BOTTOM")]


def _ruled(rows: int) -> list[tuple[Any, ...]]:
    """Hairlines between rows, a thin line under the head."""
    return [
        ("LINEBELOW", (0, 0), (-1, 0), 0.5, THIN),
        *(("LINEBELOW", (0, row), (-1, row), 0.25, HAIR) for row in range(1, rows)),
        ("LEFTPADDING", (0, 0), (-1, -1), 0),
        ("RIGHTPADDING", (0, 0), (-1, -1), 3),
        ("TOPPADDING", (0, 0), (-1, -1), 0.9),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 1.1),
        ("VALIGN", (0, 0), (-1, -1), "MIDDLE"),
    ]


def _table(
    head: Sequence[str], rows: list[Row], shares: Sequence[float], width: float, styles: Styles
) -> Table:
    cells = [[paragraph(word, styles.label) for word in head], *rows]
    table = Table(cells, colWidths=[share * width for share in shares], repeatRows=1)
    table.setStyle(_ruled(len(cells)))
    return table


# -- the cams in short


def cams_table(sheet: Sheet, styles: Styles, width: float) -> Table:
    """Set each cam in one row: card, as found, as left, verdict."""
    head = ("Cam", "Card", "As found", "As left", f"Against ±{sheet.job.tolerance:g}°")
    rows = [_cam_row(one, styles) for one in sheet.cams]
    return _table(head, rows, (0.11, 0.16, 0.265, 0.265, 0.2), width, styles)


def _cam_row(one: SheetCam, styles: Styles) -> Row:
    verdict = one.verdict
    call = CALLS[one.left]
    words = call if verdict is None else f"{call}: {signed_side(verdict.error_deg)} ± {verdict.u95_deg:.1f}"
    style = styles.number if one.left == "in" else styles.stop
    return [
        paragraph(one.cam.capitalize(), styles.number),
        _lines(one.card, styles.cell),
        _lines(one.as_found, styles.cell),
        _lines(one.as_left, styles.bold),
        paragraph(words, style),
    ]


def _lines(lines: Sequence[str], style: ParagraphStyle) -> Paragraph:
    return Paragraph("<br/>".join(escape(line) for line in lines), style)


def lines_table(lines: Sequence[SheetLine], styles: Styles, width: float) -> Table:
    """Set words and what they say."""
    rows = [[paragraph(one.name, styles.label), paragraph(one.text, styles.cell)] for one in lines]
    table = Table(rows or [["", ""]], colWidths=[0.24 * width, 0.76 * width])
    table.setStyle([rule for rule in _ruled(len(rows)) if rule[0] != "LINEBELOW"])
    return table


# -- measurements


def measurements_table(sheet: Sheet, styles: Styles, width: float) -> Table:
    """Set every measurement with method, drop, interval and verdict."""
    head = [*("No.", "Time", "What", "State", "Method", "Found", "±", "Card", "Error", "Verdict")]
    head += ["Lift", "Slack", "Gauge, lag", "Trace"]
    shares = (0.03, 0.046, 0.078, 0.073, 0.176, 0.1, 0.042, 0.052, 0.08, 0.085, 0.048, 0.045, 0.1, 0.045)
    rows = [_measurement_row(one, sheet.begun_at, styles) for one in sheet.measurements]
    return _table(head, rows, shares, width, styles)


def _measurement_row(one: SheetMeasurement, begun_at: str, styles: Styles) -> Row:
    call = CALLS[one.call] if one.counts else "counts no more"
    texts = (
        str(one.fact),
        moment(one.at, begun_at),
        f"{one.valve} {one.cylinder}" if one.what == "lobe" else f"TDC {one.cylinder}",
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
        one.measurement_id or "–",
    )
    style = styles.stop_line if one.call == "out" and one.counts else styles.small
    return [paragraph(text, style) for text in texts]


def _value(one: SheetMeasurement) -> str:
    if one.side in {"ATDC", "BTDC"}:
        return f"{one.value_deg:.2f} {one.side}"
    return f"{one.value_deg:.2f} mm" if one.side.startswith("mm") else f"{one.value_deg:.2f}°"


def _gauge(one: SheetMeasurement) -> str:
    if one.by_hand:
        return "by hand"
    lag = "" if one.lag_s is None else f", {one.lag_s * 1000:.0f} ms"
    return one.gauge.replace("_", " ") + lag


# -- valve to piston, all lobes


def piston_table(sheet: Sheet, styles: Styles, width: float) -> Table:
    """Set valve to piston, and what it becomes with the cam moved 5 and 10 either way."""
    head = ("Valve, mm", "Least", "At", "Wanted", "10 early", "5 early", "5 late", "10 late")
    rows = []
    for one in sheet.piston:
        shifted = {row.shift_deg: row for row in one.table}
        maker = one.minimum_from if one.minimum_from in {"engine maker", "the shop"} else "usual"
        texts = (
            f"{one.lobe.valve} {one.lobe.cylinder}"
            + ("" if one.still_holds else " (before the cam was moved)"),
            f"{one.least_mm:.2f} ± {one.u95_mm:.2f}",
            dead_centre_words(one.at_deg % 720.0, digits=0),
            f"{one.minimum_mm:.2f} ({maker})",
        )
        style = styles.small if one.enough else styles.stop_line
        moved = [_shifted(shifted.get(shift), styles) for shift in (-10.0, -5.0, 5.0, 10.0)]
        rows.append([*(paragraph(text, style) for text in texts), *moved])
    return _table(head, rows, (0.15, 0.17, 0.12, 0.16, 0.11, 0.1, 0.09, 0.1), width, styles)


def _shifted(row: ShiftedClearanceView | None, styles: Styles) -> Paragraph:
    if row is None:
        return paragraph("–", styles.small)
    mark, style = ("", styles.small) if row.enough else (" !", styles.stop_line)
    return paragraph(f"{row.least_mm:.2f}{mark}", style)


def lobes_table(sheet: Sheet, styles: Styles, width: float) -> Table:
    """Set every lobe beside the others."""
    head = ("Lobe", "Phase against the card", "Peak lift", "Duration", "Slack", "Unlike the others in")
    rows = []
    for one in sheet.lobes:
        at = "" if one.check_lift_mm is None else f" at {one.check_lift_mm:g} mm"
        texts = (
            f"{one.valve} {one.cylinder}",
            signed_side(one.phase_deg, 2),
            "–" if one.peak_lift_mm is None else f"{one.peak_lift_mm:.3f} mm",
            f"{deg(one.duration_deg, 1)}{at}",
            deg(one.slack_deg, 1),
            ", ".join(one.odd) or "–",
        )
        rows.append([paragraph(text, styles.stop_line if one.odd else styles.small) for text in texts])
    return _table(head, rows, (0.14, 0.2, 0.14, 0.2, 0.1, 0.22), width, styles)


def changes_table(sheet: Sheet, styles: Styles, width: float) -> Table:
    """Set every lobe that was measured again, with whether it moved."""
    rows = [
        [paragraph(text, styles.stop_line if _meant(one) else styles.small) for text in change_cells(one)]
        for one in sheet.changes
    ]
    return _table(CHANGES_HEAD, rows, (0.12, 0.16, 0.14, 0.16, 0.08, 0.12, 0.22), width, styles)


def _meant(one: LobeChangeView) -> bool:
    return one.call == "means something"


def told_lines(title: str, lines: Sequence[str], style: ParagraphStyle, styles: Styles) -> list[Flowable]:
    """Set a heading and lines under it; nothing where there are none."""
    if not lines:
        return []
    return [heading(title, styles), *(paragraph(line, style) for line in lines), Spacer(1, 0.5 * mm)]
