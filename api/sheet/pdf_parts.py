"""Tables, lists and paragraphs as a sheet's PDF sets them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any
from xml.sax.saxutils import escape

from reportlab.lib.enums import TA_JUSTIFY
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.platypus import Flowable, Paragraph, Spacer, Table

from api.sheet.model import SheetLine
from api.sheet.pen import HAIR, INK, INK_2, STOP, THIN, Face
from api.sheet.tables import SheetCell, SheetList, SheetTable

SHARES = {
    "cams": (0.11, 0.16, 0.265, 0.265, 0.2),
    "measured": (0.03, 0.046, 0.078, 0.073, 0.176, 0.1, 0.042, 0.052, 0.08, 0.085, 0.048, 0.045, 0.1, 0.045),
    "again": (0.12, 0.16, 0.14, 0.16, 0.08, 0.12, 0.22),
    "piston": (0.15, 0.17, 0.12, 0.16, 0.11, 0.1, 0.09, 0.1),
    "lobes": (0.14, 0.2, 0.14, 0.2, 0.1, 0.22),
    "parts": (0.2, 0.14, 0.3, 0.16, 0.1, 0.1),
}
"""What of the table's width each column is given."""


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
        """A style of this face, with what differs from the usual."""
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


def set_table(table: SheetTable, styles: Styles, width: float) -> Table:
    """Set a table of the sheet."""
    head = [paragraph(word, styles.label) for word in table.head]
    cells = [head, *([_cell(cell, styles) for cell in row] for row in table.rows)]
    there = Table(cells, colWidths=[share * width for share in SHARES[table.name]], repeatRows=1)
    there.setStyle(_ruled(len(cells)))
    return there


def _cell(cell: SheetCell, styles: Styles) -> Paragraph:
    return Paragraph("<br/>".join(escape(line) for line in cell.lines), _style(cell, styles))


def _style(cell: SheetCell, styles: Styles) -> ParagraphStyle:
    if cell.stop:
        return styles.stop if cell.look == "large" else styles.stop_line
    return {"small": styles.small, "line": styles.cell, "bold": styles.bold, "large": styles.number}[
        cell.look
    ]


def lines_table(lines: Sequence[SheetLine], styles: Styles, width: float) -> Table:
    """Set words and what they say."""
    rows = [[paragraph(one.name, styles.label), paragraph(one.text, styles.cell)] for one in lines]
    table = Table(rows or [["", ""]], colWidths=[0.24 * width, 0.76 * width])
    table.setStyle([rule for rule in _ruled(len(rows)) if rule[0] != "LINEBELOW"])
    return table


def set_list(told: SheetList, styles: Styles) -> list[Flowable]:
    """Set a heading and the lines under it."""
    style = styles.stop_line if told.stop else styles.small
    lines = (paragraph(line, style) for line in told.lines)
    return [heading(told.title, styles), *lines, Spacer(1, 0.5 * mm)]
