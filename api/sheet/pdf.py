"""A job's sheet as PDF: one page of A4, two where there is much to tell, framed and titled like a drawing."""

from __future__ import annotations

import io
from functools import partial

from reportlab.lib.pagesizes import A4
from reportlab.lib.units import mm
from reportlab.platypus import BaseDocTemplate, Flowable, Frame, KeepTogether, PageTemplate, Spacer

from api.sheet.figures import before_and_after, lift_curves, piston_gap
from api.sheet.frame import BLOCK, MARGIN, furnish_page
from api.sheet.model import Sheet
from api.sheet.pdf_parts import (
    Styles,
    beside,
    heading,
    lines_table,
    paragraph,
    set_list,
    set_table,
    styles_of,
)
from api.sheet.pen import Face
from api.sheet.tables import (
    SheetList,
    cams_table,
    changes_table,
    closing_lists,
    done_list,
    lobes_table,
    measurements_table,
    parts_table,
    piston_table,
    too_near,
)
from api.sheet.type import face_for
from api.sheet.words import INTERVAL_NOTE, TOO_NEAR_NOTE

PAD = 3.2 * mm
WIDTH = A4[0] - 2 * (MARGIN + PAD)
GUTTER = 4 * mm
HALF = (WIDTH - GUTTER) / 2
DRAWN = (1.0, 0.9, 0.8)


def sheet_pdf(sheet: Sheet) -> bytes:
    """Give the sheet as the bytes of a PDF file."""
    face = face_for(sheet.model_dump_json())
    pages = {share: _built(sheet, face, 0, share)[1] for share in DRAWN}
    share = min(DRAWN, key=lambda one: (pages[one], -one))
    return _built(sheet, face, pages[share], share)[0]


def _built(sheet: Sheet, face: Face, pages: int, share: float) -> tuple[bytes, int]:
    """Build the document, knowing how many pages it has from a build before; give it and its pages.

    `share` of their height is given to the drawings, so that no last line stands alone on a page.
    """
    file = io.BytesIO()
    document = BaseDocTemplate(
        file,
        pagesize=A4,
        title=f"Camshaft timing sheet {sheet.job.reference}",
        author=sheet.signed_by or sheet.job.builder,
        subject=f"{sheet.job.engine.name}, {sheet.job.card.name}",
        creator="Lobewright",
    )
    frame = Frame(
        MARGIN + PAD,
        MARGIN + BLOCK,
        WIDTH,
        A4[1] - 2 * MARGIN - BLOCK,
        leftPadding=0,
        rightPadding=0,
        topPadding=PAD,
        bottomPadding=1.5 * mm,
    )
    furnish = partial(furnish_page, sheet=sheet, face=face, pages=pages)
    document.addPageTemplates([PageTemplate("sheet", [frame], onPage=furnish)])
    document.build(_story(sheet, styles_of(face), face, share))
    return file.getvalue(), document.page


def _story(sheet: Sheet, styles: Styles, face: Face, share: float) -> list[Flowable]:
    parts: list[Flowable] = [paragraph(sheet.result, styles.result)]
    if sheet.notice:
        parts.append(paragraph(sheet.notice, styles.notice))
    parts += [
        set_table(cams_table(sheet), styles, WIDTH),
        *(paragraph(one.cannot_be_cured, styles.stop) for one in sheet.cams if one.cannot_be_cured),
        Spacer(1, 2 * mm),
        beside(lines_table(sheet.engine, styles, HALF), lines_table(sheet.card, styles, HALF), GUTTER, WIDTH),
        Spacer(1, 2.5 * mm),
        *_drawings(sheet, face, share),
        heading("Measured", styles),
        set_table(measurements_table(sheet), styles, WIDTH),
        paragraph(INTERVAL_NOTE, styles.caution),
        *_measured_again(sheet, styles),
        *_of_valves(sheet, styles, face, share),
        *_of_cylinders(sheet, styles),
        *_of_parts(sheet, styles),
        *_told(sheet, styles),
    ]
    return parts


def _measured_again(sheet: Sheet, styles: Styles) -> list[Flowable]:
    if not sheet.changes:
        return []
    return [KeepTogether([heading("Measured again", styles), set_table(changes_table(sheet), styles, WIDTH)])]


def _drawings(sheet: Sheet, face: Face, share: float) -> list[Flowable]:
    rows = sum(1 for one in sheet.measurements if one.error_deg is not None)
    height = share * min(max(36 * mm, 12 * mm + rows * 3.4 * mm), 62 * mm)
    drawn = [before_and_after(sheet, HALF, height, face), lift_curves(sheet, HALF, height, face)]
    there = [one for one in drawn if one is not None]
    if len(there) == 2:
        return [beside(there[0], there[1], GUTTER, WIDTH), Spacer(1, 1.5 * mm)]
    return [*there]


def _of_valves(sheet: Sheet, styles: Styles, face: Face, share: float) -> list[Flowable]:
    """Valve clearances, and valve to piston with its drawing beside it."""
    left: list[Flowable] = []
    if sheet.clearances:
        left += [heading("Valve clearances, cold", styles), lines_table(sheet.clearances, styles, HALF)]
    if sheet.piston:
        left += [heading("Valve to piston", styles), set_table(piston_table(sheet), styles, HALF)]
        if too_near(sheet):
            left.append(paragraph(TOO_NEAR_NOTE, styles.caution))
    drawn = piston_gap(sheet, HALF, share * 34 * mm, face)
    if drawn is not None:
        return [KeepTogether([Spacer(1, 1 * mm), beside(left, drawn, GUTTER, WIDTH)])]
    return left


def _of_cylinders(sheet: Sheet, styles: Styles) -> list[Flowable]:
    if not sheet.lobes:
        return []
    table = set_table(lobes_table(sheet), styles, WIDTH)
    return [KeepTogether([heading("Every lobe, as measured last", styles), table])]


def _of_parts(sheet: Sheet, styles: Styles) -> list[Flowable]:
    if not sheet.parts:
        return []
    table = set_table(parts_table(sheet), styles, WIDTH)
    return [KeepTogether([heading("Other parts", styles), table])]


def _told(sheet: Sheet, styles: Styles) -> list[Flowable]:
    return [
        *_done(done_list(sheet), styles),
        *(part for one in closing_lists(sheet) for part in set_list(one, styles)),
        Spacer(1, 1 * mm),
        paragraph(" ".join(sheet.cautions), styles.caution),
    ]


def _done(done: SheetList, styles: Styles) -> list[Flowable]:
    """What was done and decided, in two columns."""
    if not done.lines:
        return []
    half = (len(done.lines) + 1) // 2
    parts = (done.lines[:half], done.lines[half:])
    left, right = ([paragraph(line, styles.small) for line in part] for part in parts)
    return [heading(done.title, styles), beside(left, right, GUTTER, WIDTH)]
