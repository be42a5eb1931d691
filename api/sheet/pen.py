"""A pen for the drawings of a sheet, in the manner of a workshop drawing.

Thick for the thing itself, thin for what explains it, chain-dotted for a centre line, hatched for what must
not be used. Nothing is told by colour alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from reportlab.graphics.shapes import Circle, Drawing, Line, Polygon, PolyLine, String
from reportlab.lib.colors import Color, HexColor

INK, INK_2, THIN, HAIR = (HexColor(code) for code in ("#14181b", "#454e54", "#7b858a", "#c9cec9"))
ACCENT, WASH, STOP, PAPER = (HexColor(code) for code in ("#0b5394", "#dbe7f1", "#a12a12", "#ffffff"))
CENTRE_LINE = (7.0, 1.5, 1.5, 1.5)
SMALL = 6.2
TITLE = 7.5
Anchor = Literal["start", "middle", "end"]
Spot = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Face:
    """Names of the type that is drawn with."""

    plain: str = "Helvetica"
    bold: str = "Helvetica-Bold"


@dataclass(frozen=True, slots=True)
class Scale:
    """From values to points along one axis."""

    low: float
    high: float
    start: float
    end: float

    def at(self, value: float) -> float:
        """Give the place of a value, held within the axis."""
        least, most = sorted((self.low, self.high))
        inside = min(max(value, least), most)
        return self.start + (inside - self.low) / (self.high - self.low) * (self.end - self.start)


class Pen:
    """Draws on one drawing with one face."""

    def __init__(self, width: float, height: float, face: Face, title: str) -> None:
        self.drawing = Drawing(width, height)
        self.width, self.height, self.face = width, height, face
        self.bold((0, height - 8), title, TITLE)

    def text(self, spot: Spot, words: str, anchor: Anchor = "start", ink: Color = INK_2) -> None:
        """Write small words."""
        self.drawing.add(
            String(*spot, words, fontName=self.face.plain, fontSize=SMALL, fillColor=ink, textAnchor=anchor)
        )

    def bold(self, spot: Spot, words: str, size: float = SMALL) -> None:
        """Write bold words."""
        self.drawing.add(String(*spot, words, fontName=self.face.bold, fontSize=size, fillColor=INK))

    def line(self, start: Spot, end: Spot, width: float = 0.4, ink: Color = THIN) -> None:
        """Draw a straight line."""
        self.drawing.add(Line(*start, *end, strokeColor=ink, strokeWidth=width))

    def centre_line(self, start: Spot, end: Spot) -> None:
        """Draw a chain-dotted line."""
        line = Line(*start, *end, strokeColor=INK, strokeWidth=0.5)
        line.strokeDashArray = list(CENTRE_LINE)
        self.drawing.add(line)

    def curve(self, spots: Sequence[Spot], width: float, ink: Color, dashes: Sequence[float] = ()) -> None:
        """Draw a line through spots."""
        if len(spots) < 2:
            return
        line = PolyLine([value for spot in spots for value in spot], strokeColor=ink, strokeWidth=width)
        if dashes:
            line.strokeDashArray = list(dashes)
        self.drawing.add(line)

    def filled(self, corners: Sequence[Spot], ink: Color) -> None:
        """Fill a shape."""
        flat = [value for spot in corners for value in spot]
        self.drawing.add(Polygon(flat, fillColor=ink, strokeColor=None))

    def box(self, low: Spot, high: Spot, ink: Color) -> None:
        """Fill a rectangle."""
        self.filled([low, (high[0], low[1]), high, (low[0], high[1])], ink)

    def ring(self, spot: Spot, radius: float, ink: Color, inside: Color | None = PAPER) -> None:
        """Draw a ring, or a dot where `inside` is the ink."""
        self.drawing.add(Circle(*spot, radius, fillColor=inside, strokeColor=ink, strokeWidth=0.8))

    def hatched(self, start: float, end: float, y: float) -> None:
        """Hatch the underside of a level line: nothing may be there."""
        self.line((start, y), (end, y), 0.5, STOP)
        x = start
        while x + 2.5 <= end:
            self.line((x, y - 2.5), (x + 2.5, y), 0.3, STOP)
            x += 3.5
