"""The drawings of a sheet, once for PDF and page: before and after, lift curves, valve to piston."""

from __future__ import annotations

from collections.abc import Sequence

from reportlab.graphics.shapes import Drawing

from api.base import PistonClearanceView
from api.sheet.model import Sheet, SheetCurve, SheetMeasurement
from api.sheet.pen import ACCENT, HAIR, INK, STOP, THIN, WASH, Anchor, Face, Pen, Scale
from api.sheet.words import SIDES, signed_side

NAMES_UP_TO = 92.0
WORDS_WIDE = 34.0
AROUND_OVERLAP_DEG = 265
GAP_AROUND_DEG = 45
GAP_UP_TO_MM = 8


# -- before and after


def before_and_after(sheet: Sheet, width: float, height: float, face: Face) -> Drawing | None:
    """Draw every measurement of the timing lobes against the card, in order, with its interval."""
    rows = [one for one in sheet.measurements if one.error_deg is not None and _times_a_cam(sheet, one)]
    if not rows:
        return None
    pen = Pen(width, height, face, "Against the card, crank degrees")
    furthest = [abs(one.error_deg or 0) + one.u95_deg for one in rows]
    reach = 1.12 * max(*furthest, 2 * sheet.job.tolerance)
    axis = Scale(-reach, reach, NAMES_UP_TO, width - 6)
    upright = Scale(len(rows), 0, 14.0, height - 22)
    _tolerance(pen, axis, upright, sheet.job.tolerance)
    for place, one in enumerate(rows):
        if _begins(rows, place):
            _name(pen, one, axis, upright.at(place))
        _whisker(pen, one, axis, upright.at(place + 0.5), sheet.job.tolerance)
    return pen.drawing


def _times_a_cam(sheet: Sheet, one: SheetMeasurement) -> bool:
    return one.what == "lobe" and one.cylinder == sheet.job.engine.reference


def _begins(rows: Sequence[SheetMeasurement], place: int) -> bool:
    return place == 0 or rows[place - 1].valve != rows[place].valve


def _tolerance(pen: Pen, axis: Scale, upright: Scale, size: float) -> None:
    low, high = axis.at(-size), axis.at(size)
    pen.box((low, upright.start), (high, upright.end), WASH)
    for edge in (low, high):
        pen.line((edge, upright.start), (edge, upright.end), 0.4, ACCENT)
    pen.centre_line((axis.at(0), upright.start - 3), (axis.at(0), upright.end + 3))
    below = upright.start - 10
    pen.text((axis.start, below), f"early {axis.high:.1f}°")
    pen.text((axis.at(0), below), f"card ±{size:g}°", "middle")
    pen.text((axis.end, below), f"late {axis.high:.1f}°", "end")


def _name(pen: Pen, one: SheetMeasurement, axis: Scale, y: float) -> None:
    pen.line((0, y), (axis.end, y), 0.3, HAIR)
    pen.bold((0, y - 8), f"{one.valve.capitalize()} {one.cylinder}")


def _whisker(pen: Pen, one: SheetMeasurement, axis: Scale, y: float, tolerance: float) -> None:
    error, ink = one.error_deg or 0.0, INK if one.counts else THIN
    pen.text((36, y - 2), one.stage + (", by hand" if one.by_hand else ""))
    low, high = error - one.u95_deg, error + one.u95_deg
    pen.line((axis.at(low), y), (axis.at(high), y), 0.9, ink)
    _mark(pen, axis.at(error), y, one)
    x, anchor = _free(axis, (low, high), tolerance)
    pen.text((x, y - 2), signed_side(error), anchor, ink)


def _free(axis: Scale, own: tuple[float, float], tolerance: float) -> tuple[float, Anchor]:
    """Give where words about an interval are free of it and of the tolerance, on the nearer side with room."""
    left, right = axis.at(own[0]), axis.at(own[1])
    band = axis.at(-tolerance), axis.at(tolerance)
    if right < band[0] and band[0] - right > WORDS_WIDE:
        return right + 4, "start"
    if left > band[1] and axis.end - right < WORDS_WIDE:
        return left - 4, "end"
    return max(right, band[1]) + 4, "start"


def _mark(pen: Pen, x: float, y: float, one: SheetMeasurement) -> None:
    """Draw a diamond for in, a square for out, a ring for what cannot be told or counts no more."""
    if one.counts and one.call == "in":
        pen.filled([(x - 2.8, y), (x, y + 2.8), (x + 2.8, y), (x, y - 2.8)], ACCENT)
    elif one.counts and one.call == "out":
        pen.box((x - 2.1, y - 2.1), (x + 2.1, y + 2.1), STOP)
    else:
        pen.ring((x, y), 2.2 if one.counts else 1.4, INK if one.counts else THIN)


# -- lift curves


def lift_curves(sheet: Sheet, width: float, height: float, face: Face) -> Drawing | None:
    """Draw lift over the crank, as found thin and dashed, as left thick, with the card's centres."""
    if not sheet.curves:
        return None
    moved = any(curve.stage == "as left" for curve in sheet.curves)
    title = "Valve lift over the crank" + (": as found dashed, as left thick" if moved else "")
    pen = Pen(width, height, face, title)
    most = max(max(curve.lift_mm) for curve in sheet.curves)
    across = Scale(-AROUND_OVERLAP_DEG, AROUND_OVERLAP_DEG, 18, width - 4)
    up = Scale(0, most * 1.14, 14, height - 16)
    _angles(pen, across, up, 90)
    _lengths(pen, across, up, 2 if most > 4 else 1)
    touched = {curve.lobe for curve in sheet.curves if curve.stage == "as left"}
    for curve in sheet.curves:
        _curve(pen, curve, across, up, thick=curve.stage == "as left" or curve.lobe not in touched)
    for curve in {curve.lobe: curve for curve in sheet.curves}.values():
        _centre(pen, curve, across, up)
    return pen.drawing


def _angles(pen: Pen, across: Scale, up: Scale, step: int) -> None:
    furthest = int(across.high) // step * step
    for angle in range(-furthest, furthest + 1, step):
        x = across.at(angle)
        pen.line((x, up.start), (x, up.end), 0.3, THIN if angle == 0 else HAIR)
        words = "TDC" if angle == 0 else f"{abs(angle)} {'A' if angle > 0 else 'B'}TDC"
        pen.text((x, 5), words, "middle")


def _lengths(pen: Pen, across: Scale, up: Scale, step: int) -> None:
    for length in range(0, int(up.high) + 1, step):
        y = up.at(length)
        pen.line((across.start, y), (across.end, y), 0.3, THIN if length == 0 else HAIR)
        pen.text((across.start - 3, y - 2), str(length), "end")
    pen.text((across.start + 2, up.end - 6), "mm")


def _curve(pen: Pen, curve: SheetCurve, across: Scale, up: Scale, *, thick: bool) -> None:
    spots = [
        (across.at(angle), up.at(lift))
        for angle, lift in zip(curve.crank_deg, curve.lift_mm, strict=True)
        if across.low <= angle <= across.high and lift > 0.005
    ]
    if thick:
        pen.curve(spots, 1.3, INK)
    else:
        pen.curve(spots, 0.8, ACCENT, (3, 2))


def _centre(pen: Pen, curve: SheetCurve, across: Scale, up: Scale) -> None:
    if curve.card_centre_deg is None:
        return
    angle = (curve.card_centre_deg + 360) % 720 - 360
    x = across.at(angle)
    pen.centre_line((x, up.start), (x, up.end - 2))
    side = SIDES["inlet" if curve.valve == "inlet" else "exhaust"]
    pen.text((x + 3, up.end - 6), f"card {abs(angle):g} {side}", "start", INK)


# -- valve to piston


def piston_gap(sheet: Sheet, width: float, height: float, face: Face) -> Drawing | None:
    """Draw the gap between valve and piston near overlap TDC, against the least that is wanted."""
    shown = [one for one in sheet.piston if one.curve is not None and one.still_holds]
    if not shown:
        return None
    pen = Pen(width, height, face, "Valve to piston, mm, about overlap TDC")
    across = Scale(-GAP_AROUND_DEG, GAP_AROUND_DEG, 18, width - 4)
    up = Scale(0, GAP_UP_TO_MM, 14, height - 16)
    _angles(pen, across, up, 20)
    _lengths(pen, across, up, 2)
    for one in shown:
        _gap(pen, one, across, up)
    return pen.drawing


def _gap(pen: Pen, one: PistonClearanceView, across: Scale, up: Scale) -> None:
    assert one.curve is not None
    inlet = one.lobe.valve == "inlet"
    ink = INK if inlet else ACCENT
    spots = [
        (across.at(angle), up.at(gap))
        for angle, gap in zip(one.curve.after_tdc_deg, one.curve.clearance_mm, strict=True)
        if across.low <= angle <= across.high and gap <= up.high
    ]
    pen.curve(spots, 1.2, ink, () if inlet else (4, 1.5))
    half = (across.at(0), across.end) if inlet else (across.start, across.at(0))
    pen.hatched(*half, up.at(one.minimum_mm))
    x, y = across.at(one.at_deg), up.at(one.least_mm)
    pen.ring((x, y), 1.8, ink, ink)
    words = f"{one.lobe.valve}: least {one.least_mm:.2f} ± {one.u95_mm:.2f}, wanted {one.minimum_mm:.2f}"
    pen.text((half[0] + 4, up.at(one.minimum_mm) - 10), words, "start", ink)
