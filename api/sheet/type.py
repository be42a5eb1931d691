"""Which type a sheet is set in: what every printer has, or one that is embedded for names it cannot set."""

from __future__ import annotations

from functools import cache

from api.sheet.pen import Face

PLAIN, BOLD = "Vera", "VeraBd"


def face_for(text: str) -> Face:
    """Give the face that can set a text; letters that neither has are left to the embedded one's blank."""
    try:
        text.encode("cp1252")
    except UnicodeEncodeError:
        return _embedded()
    return Face()


@cache
def _embedded() -> Face:
    """Bitstream Vera, which comes with the PDF library."""
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    for name in (PLAIN, BOLD):
        pdfmetrics.registerFont(TTFont(name, f"{name}.ttf"))
    pdfmetrics.registerFontFamily(PLAIN, normal=PLAIN, bold=BOLD, italic=PLAIN, boldItalic=BOLD)
    return Face(PLAIN, BOLD)
