"""A printed strip of degrees to stick on a rim, true to scale, as PDF; cut out and butted end to end."""

from __future__ import annotations

import io
import math
from dataclasses import dataclass

from reportlab.lib.pagesizes import A4, landscape
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas

from api.base import MisuseError

LEAST_RIM_MM, MOST_RIM_MM = 40.0, 1200.0
_MARGIN_MM = 15.0
_HIGH_MM = 14.0
_GAP_MM = 9.0
_RULE_MM = 100.0
_TURN_DEG = 360
_LABEL_MM, _HALF_LABEL_MM = 7.5, 3.5


@dataclass(frozen=True, slots=True)
class _Row:
    """One piece of the strip: whole degrees from one end to the other."""

    first: int
    last: int


def degree_strip_pdf(rim_mm: float, clockwise: bool = True) -> bytes:
    """Draw the strip for a rim of that diameter, 0 to 360 degrees in pieces that fit the page.

    Parameters
    ----------
    rim_mm : float
        Diameter of the bare rim. The paper's own thickness makes its rim larger by twice that; 0.1 mm of paper on
        180 mm is a tenth of a per cent, 0.4 degrees over the whole turn, all of it at the joint.
    clockwise : bool
        Whether the rim turns clockwise as it is read: numbers then rise to the left, so that higher ones come under
        the pointer later.

    Raises
    ------
    MisuseError
        ``bad_rim``.
    """
    if not (math.isfinite(rim_mm) and LEAST_RIM_MM <= rim_mm <= MOST_RIM_MM):
        raise MisuseError(
            "bad_rim",
            f"A rim of {rim_mm:g} mm cannot be; measure its diameter, {LEAST_RIM_MM:g} to {MOST_RIM_MM:g} mm.",
        )
    file = io.BytesIO()
    wide, high = landscape(A4)
    page = Canvas(file, pagesize=(wide, high), pageCompression=0, invariant=1)
    page.setTitle(f"Degree strip for a rim of {rim_mm:g} mm")
    degree_mm = math.pi * rim_mm / _TURN_DEG
    top = high / mm - _MARGIN_MM
    top = _head(page, rim_mm, top)
    for row in _rows(degree_mm, wide / mm - 2.0 * _MARGIN_MM):
        if top - _HIGH_MM < _MARGIN_MM:
            page.showPage()
            top = high / mm - _MARGIN_MM
        _draw(page, row, degree_mm, top, clockwise)
        top -= _HIGH_MM + _GAP_MM
    page.save()
    return file.getvalue()


def _head(page: Canvas, rim_mm: float, top: float) -> float:
    page.setFont("Helvetica-Bold", 11)
    page.drawString(_MARGIN_MM * mm, (top - 4.0) * mm, f"Degree strip, rim of {rim_mm:g} mm diameter")
    page.setFont("Helvetica", 8)
    told = (
        "Print at 100 %, not fitted to the page. The rule below must measure 100 mm: if it does not, the strip is wrong.",
        f"All pieces together are {math.pi * rim_mm:.1f} mm: the rim's way round. Cut at the end lines, butt them, TDC at "
        "true TDC under the pointer; A is after TDC, B before. Plugs out, fingers clear of belts.",
    )
    for line, text in enumerate(told):
        page.drawString(_MARGIN_MM * mm, (top - 9.0 - 4.0 * line) * mm, text)
    y = top - 18.0
    page.setLineWidth(0.3)
    page.line(_MARGIN_MM * mm, y * mm, (_MARGIN_MM + _RULE_MM) * mm, y * mm)
    for end in (0.0, _RULE_MM):
        page.line((_MARGIN_MM + end) * mm, (y - 1.5) * mm, (_MARGIN_MM + end) * mm, (y + 1.5) * mm)
    return y - 8.0


def _rows(degree_mm: float, room_mm: float) -> list[_Row]:
    """Pieces of whole tens of degrees where they fit, else of whole degrees."""
    most = int(room_mm / degree_mm)
    most = max(most // 10 * 10, 1) if most >= 10 else max(most, 1)
    return [_Row(first, min(first + most, _TURN_DEG)) for first in range(0, _TURN_DEG, most)]


def _draw(page: Canvas, row: _Row, degree_mm: float, top: float, clockwise: bool) -> None:
    count = row.last - row.first
    bottom = top - _HIGH_MM
    every = 10 if 10.0 * degree_mm > _LABEL_MM else 30
    page.setLineWidth(0.2)
    page.rect(_MARGIN_MM * mm, bottom * mm, count * degree_mm * mm, _HIGH_MM * mm)
    for step in range(count + 1):
        deg = row.first + step
        along = (count - step) if clockwise else step
        x = _MARGIN_MM + along * degree_mm
        long = 7.0 if deg % 10 == 0 else 5.0 if deg % 5 == 0 else 3.0
        page.setLineWidth(0.35 if deg % 10 == 0 else 0.15)
        page.line(x * mm, bottom * mm, x * mm, (bottom + long) * mm)
        if deg % every == 0:
            _number(page, deg, x, bottom, (row, degree_mm))


def _number(page: Canvas, deg: int, x: float, bottom: float, of: tuple[_Row, float]) -> None:
    """Degrees from the nearest TDC: A after it, B before it."""
    row, degree_mm = of
    left, right = _MARGIN_MM, _MARGIN_MM + (row.last - row.first) * degree_mm
    place = min(max(x, left + _HALF_LABEL_MM), right - _HALF_LABEL_MM)
    if deg % _TURN_DEG == 0:
        told = "TDC"
    elif deg == _TURN_DEG // 2:
        told = "BDC"
    else:
        told = f"{deg} A" if deg < _TURN_DEG // 2 else f"{_TURN_DEG - deg} B"
    page.setFont("Helvetica-Bold" if deg % 90 == 0 else "Helvetica", 7)
    page.drawCentredString(place * mm, (bottom + 9.5) * mm, told)
