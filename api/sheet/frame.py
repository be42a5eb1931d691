"""Frame and title block of a sheet's PDF, as a workshop drawing has them."""

from __future__ import annotations

from collections.abc import Sequence

from reportlab.lib.pagesizes import A4
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import BaseDocTemplate

from api.sheet.model import Sheet
from api.sheet.pen import ACCENT, INK, STOP, THIN, Face
from api.sheet.tables import title_block

MARGIN = 9 * mm
BLOCK = 21 * mm
NAMED = 36 * mm
SHARES = (0.235, 0.225, 0.215, 0.325)
SIZES = (9.0, 8.0, 7.0, 6.2, 5.4)
Cell = tuple[str, str]


class FramePen:
    """Draws the frame on one page."""

    def __init__(self, canvas: Canvas, face: Face) -> None:
        self.canvas = canvas
        self.face = face

    def border(self) -> None:
        """Draw the frame and its centring marks."""
        width, height = A4
        self.canvas.setStrokeColor(INK)
        self.canvas.setLineWidth(0.9)
        self.canvas.rect(MARGIN, MARGIN, width - 2 * MARGIN, height - 2 * MARGIN)
        self.canvas.setLineWidth(0.6)
        for x, y, dx, dy in (
            (width / 2, height, 0, -1),
            (width / 2, 0, 0, 1),
            (0, height / 2, 1, 0),
            (width, height / 2, -1, 0),
        ):
            self.canvas.line(x + dx * 4 * mm, y + dy * 4 * mm, x + dx * MARGIN, y + dy * MARGIN)

    def name(self, left: float, top: float) -> None:
        """Write what this is."""
        self.canvas.setFillColor(INK)
        self.canvas.setFont(self.face.bold, 12)
        self.canvas.drawString(left + 3 * mm, top - 9 * mm, "Camshaft")
        self.canvas.drawString(left + 3 * mm, top - 13.6 * mm, "timing sheet")
        self.canvas.setStrokeColor(ACCENT)
        self.canvas.setLineWidth(0.8)
        self.canvas.setDash(6, 1.6)
        self.canvas.line(left + 3 * mm, top - 16 * mm, left + 31 * mm, top - 16 * mm)
        self.canvas.setDash()
        self.canvas.setStrokeColor(INK)

    def cell(self, x: float, top: float, width: float, cell: Cell) -> None:
        """Write one cell, as large as it fits."""
        label, text = cell
        self.canvas.setFillColor(THIN)
        self.canvas.setFont(self.face.plain, 5.6)
        self.canvas.drawString(x, top - 3.1 * mm, label)
        self.canvas.setFillColor(INK)
        size = self._fitting(text, width, SIZES)
        self.canvas.setFont(self.face.bold, size)
        self.canvas.drawString(x, top - 7.4 * mm, self._cut(text, width, size))

    def _fitting(self, text: str, width: float, sizes: Sequence[float]) -> float:
        wide = self.canvas.stringWidth
        return next((size for size in sizes if wide(text, self.face.bold, size) <= width), sizes[-1])

    def _cut(self, text: str, width: float, size: float) -> str:
        while text and self.canvas.stringWidth(text, self.face.bold, size) > width:
            text = text[:-2] + "…" if len(text) > 2 else ""
        return text

    def not_signed(self) -> None:
        """Say in the corner that nobody has signed."""
        self.canvas.setFillColor(STOP)
        self.canvas.setFont(self.face.bold, 8)
        self.canvas.drawRightString(A4[0] - MARGIN - 2 * mm, A4[1] - MARGIN - 4.4 * mm, "NOT SIGNED")


def furnish_page(canvas: Canvas, document: BaseDocTemplate, *, sheet: Sheet, face: Face, pages: int) -> None:
    """Draw frame and title block of one page."""
    canvas.saveState()
    pen = FramePen(canvas, face)
    pen.border()
    _title_block(pen, sheet, f"{document.page} of {max(pages, document.page)}")
    if not sheet.signed_by:
        pen.not_signed()
    canvas.restoreState()


def _title_block(pen: FramePen, sheet: Sheet, page: str) -> None:
    left, top, row = MARGIN, MARGIN + BLOCK, BLOCK / 2
    width = A4[0] - 2 * MARGIN
    pen.canvas.setLineWidth(0.9)
    pen.canvas.line(left, top, left + width, top)
    pen.name(left, top)
    x = left + NAMED
    pen.canvas.setLineWidth(0.4)
    pen.canvas.line(x, top - row, left + width, top - row)
    for share, cells in zip(SHARES, title_block(sheet, f"Sheet {page}, made"), strict=True):
        pen.canvas.line(x, MARGIN, x, top)
        for place, cell in enumerate(cells):
            pen.cell(x + 1.6 * mm, top - place * row, share * (width - NAMED) - 3 * mm, cell)
        x += share * (width - NAMED)
