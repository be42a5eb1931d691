"""The frame kinds that a bench file can name, and the decoder of each."""

from __future__ import annotations

from capture.bench.board import BoardDecoder
from capture.bench.frames import (
    CountDecoder,
    CountIndexDecoder,
    CountMicrosDecoder,
    DecimalDecoder,
    Decoder,
    PatternDecoder,
    TaggedDecoder,
)

FRAME_KINDS: dict[str, str] = {
    "decimal": "a signed decimal a line",
    "tagged": "a tag and a decimal",
    "count": "a count a line",
    "count_index": "a count with an index mark",
    "count_micros": "a count with the device's own microseconds",
    "board": "the counter board: crank and gauges on one port",
    "pattern": "a regular expression with named groups, for anything else",
}
CRANK_KINDS = ("count", "count_index", "count_micros", "board", "pattern")
GAUGE_KINDS = ("decimal", "tagged", "board", "pattern")


def make_decoder(kind: str, *, tag: str = "", pattern: str = "", unit: str = "mm") -> Decoder:
    """A fresh decoder of the named kind.

    Raises
    ------
    KeyError
        For a kind that is not in `FRAME_KINDS`; the bench file is checked before it comes to that.
    """
    if kind == "tagged":
        return TaggedDecoder(tag)
    if kind == "board":
        return BoardDecoder(tag, unit)
    if kind == "pattern":
        return PatternDecoder(pattern)
    plain: dict[str, type[Decoder]] = {
        "decimal": DecimalDecoder,
        "count": CountDecoder,
        "count_index": CountIndexDecoder,
        "count_micros": CountMicrosDecoder,
    }
    return plain[kind]()
