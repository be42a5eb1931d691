"""What the print view of a sheet is rendered from, besides the sheet itself: its drawings as SVG."""

from __future__ import annotations

import re
from typing import Any

from reportlab.graphics.renderSVG import drawToString
from reportlab.graphics.shapes import Drawing

from api.sheet.figures import before_and_after, lift_curves, piston_gap
from api.sheet.model import Sheet
from api.sheet.pen import Face
from api.sheet.tables import (
    cams_table,
    changes_table,
    closing_lists,
    done_list,
    lobes_table,
    measurements_table,
    parts_table,
    piston_table,
    title_block,
    too_near,
)
from api.sheet.words import INTERVAL_NOTE, TOO_NEAR_NOTE

WIDTH = 262.0
TYPE = "Helvetica, Arial, 'Liberation Sans', sans-serif"
_NOT_WANTED = re.compile(
    r"<clipPath.*?</clipPath>|<title>.*?</title>|<desc>.*?</desc>|style=\"clip-path[^\"]*\"| id=\"[^\"]*\"",
    re.DOTALL,
)
_HEAD = re.compile(r"^.*?(?=<svg)", re.DOTALL)


def page_words(sheet: Sheet) -> dict[str, Any]:
    """Give what the template needs."""
    rows = sum(1 for one in sheet.measurements if one.error_deg is not None)
    height = min(max(102.0, 34 + rows * 9.6), 176.0)
    return {
        "sheet": sheet,
        "before_and_after": svg(before_and_after(sheet, WIDTH, height, Face()), "Against the card"),
        "lift_curves": svg(lift_curves(sheet, WIDTH, height, Face()), "Valve lift over the crank"),
        "piston_gap": svg(piston_gap(sheet, WIDTH, 100, Face()), "Valve to piston"),
        "cams": cams_table(sheet),
        "measured": measurements_table(sheet),
        "again": changes_table(sheet),
        "piston": piston_table(sheet),
        "lobes": lobes_table(sheet),
        "parts": parts_table(sheet),
        "done": done_list(sheet),
        "closing": closing_lists(sheet),
        "title_block": title_block(sheet),
        "interval_note": INTERVAL_NOTE,
        "too_near_note": TOO_NEAR_NOTE if too_near(sheet) else "",
    }


def svg(drawing: Drawing | None, label: str) -> str:
    """Give a drawing as an SVG element that scales with its place; empty where there is none."""
    if drawing is None:
        return ""
    text = _NOT_WANTED.sub("", _HEAD.sub("", drawToString(drawing), count=1))
    text = text.replace("font-family: Helvetica-Bold", f"font-weight: 700; font-family: {TYPE}")
    text = text.replace("font-family: Helvetica;", f"font-family: {TYPE};")
    return text.replace("<svg ", f'<svg role="img" aria-label="{label}" ', 1)
