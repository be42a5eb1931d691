"""Runout and end float of what a gauge is on, from what it has said since it was set there."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

from analysis.base import Streams
from api.base import ConflictError
from api.measure import (
    EndFloatView,
    MeasurementAsked,
    PartEntry,
    Parts,
    RunoutView,
    end_float_of,
    planned,
    runout_of,
)
from api.service.looking import since_set
from api.store import Measurement

if TYPE_CHECKING:
    from api.service.hands_free import HandsFree


class TurnedParts:
    """Called from the event loop; nothing is begun, for all that is said at the bench is heard anyway."""

    def __init__(self, parts: Parts, hands_free: HandsFree) -> None:
        self._parts = parts
        self._hands_free = hands_free

    async def runout(self, entry: PartEntry) -> RunoutView:
        """Tell the runout of what was turned under a gauge since it was set."""
        as_now = self._as_now(entry)
        tdc_deg = as_now.settings["tdc_deg"] if as_now.settings["tdc_from"] is not None else None
        streams = _heard(self._hands_free.lately(as_now.gauge))

        def found() -> RunoutView:  # with the looking back, of which there may be minutes
            return runout_of(entry, as_now.gauge, since_set(streams), as_now.gauge_facts(), tdc_deg)

        return await asyncio.to_thread(found)

    async def end_float(self, entry: PartEntry) -> EndFloatView:
        """Tell how far the shaft was pushed and pulled since the crank stands."""
        as_now = self._as_now(entry)
        streams = _heard(self._hands_free.since_standing(as_now.gauge))
        return await asyncio.to_thread(end_float_of, entry, as_now.gauge, streams, as_now.gauge_facts())

    def _as_now(self, entry: PartEntry) -> Measurement:
        """Give gauge, what is known of it, and true TDC as a lobe that was begun now would have them."""
        asked = MeasurementAsked(touches="valve_1", gauge=entry.gauge)
        return planned(asked, self._parts.bench, self._parts.measurements, self._parts.stored)


def _heard(streams: Streams | None) -> Streams:
    if streams is None:
        raise ConflictError(
            "nothing_heard",
            "Crank and gauge have not both been read yet: see to their cables, then turn again.",
        )
    return streams
