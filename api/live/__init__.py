"""What the bench says now, and the screens that are told."""

from api.live.bench_state import BenchState, FeedMessage
from api.live.bench_turn import Turn, tdc_to_tdc, turned_deg
from api.live.board import Board
from api.live.coach import coaching
from api.live.curve_points import LOOK_BACK_NS, STILL_DEG, CurvePointsSoFar
from api.live.estimating import PROGRAM, FitOutcome, LiveEstimate, estimate
from api.live.feed import Feed
from api.live.fields import error_fields, result_fields, together_fields
from api.live.numbers import LiveNumbers
from api.live.recent import Recent
from api.live.screens import Watcher

__all__ = [
    "LOOK_BACK_NS",
    "PROGRAM",
    "STILL_DEG",
    "BenchState",
    "Board",
    "CurvePointsSoFar",
    "Feed",
    "FeedMessage",
    "FitOutcome",
    "LiveEstimate",
    "LiveNumbers",
    "Recent",
    "Turn",
    "Watcher",
    "coaching",
    "error_fields",
    "estimate",
    "result_fields",
    "tdc_to_tdc",
    "together_fields",
    "turned_deg",
]
