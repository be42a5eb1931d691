"""The parts of a bench at work, made once by the service and given to whoever needs some of them."""

from __future__ import annotations

from dataclasses import dataclass

from api.base import ServiceConfig
from api.live import BenchState, Board
from api.measure.fits import Fits
from api.measure.measuring import Measuring
from api.records import MeasurementStore, StoredStreams
from api.store import ShopStore


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
