"""The bench file and the frame kinds it names: bytes of one instrument into values."""

from capture.bench.board import ASK_BOARD, BOARD_TAGS
from capture.bench.elsewhere import BrokerOfHouse
from capture.bench.file import (
    Bench,
    CrankInstrument,
    GaugeInstrument,
    Instrument,
    bench_sha256,
    load_bench,
    parse_bench,
)
from capture.bench.frames import Frame
from capture.bench.kinds import CRANK_KINDS, FRAME_KINDS, make_decoder

__all__ = [
    "ASK_BOARD",
    "BOARD_TAGS",
    "CRANK_KINDS",
    "FRAME_KINDS",
    "Bench",
    "BrokerOfHouse",
    "CrankInstrument",
    "Frame",
    "GaugeInstrument",
    "Instrument",
    "bench_sha256",
    "load_bench",
    "make_decoder",
    "parse_bench",
]
