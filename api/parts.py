"""The parts of a bench at work, made once by the service and given to whoever needs some of them."""

from __future__ import annotations

from dataclasses import dataclass

from api.bench_state import BenchState
from api.board import Board
from api.config import ServiceConfig
from api.fits import Fits
from api.measurement_store import MeasurementStore
from api.measuring import Measuring
from api.shop_store import ShopStore
from api.streams import StoredStreams


@dataclass(frozen=True, slots=True)
class Parts:
    """What is kept, what the bench says, what is being measured."""

    config: ServiceConfig
    shop: ShopStore
    measurements: MeasurementStore
    stored: StoredStreams
    bench: BenchState
    board: Board
    fits: Fits
    measuring: Measuring
