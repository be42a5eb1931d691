"""Runout and end float of what a gauge is on, from what it has said since it was set there."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

from analysis.base import GaugeFacts, Streams
from api.base import ConflictError, MisuseError
from api.measure import (
    EndFloatView,
    PartEntry,
    Parts,
    RunoutView,
    end_float_of,
    runout_of,
    tdc_counted_from,
)

if TYPE_CHECKING:
    from api.service.hands_free import HandsFree


class TurnedParts:
    """Called from the event loop; nothing is begun, for all that is said at the bench is heard anyway."""

    def __init__(self, parts: Parts, hands_free: HandsFree) -> None:
        self._parts = parts
        self._hands_free = hands_free

    async def runout(self, entry: PartEntry) -> RunoutView:
        """Tell the runout of what was turned under a gauge since it was set."""
        gauge, run_id = self._gauge(entry), self._run()
        zero = tdc_counted_from(self._parts.measurements, self._parts.stored, run_id)
        tdc_deg = zero.result["centre_deg"] if zero is not None and zero.result is not None else None
        streams = self._heard(self._hands_free.since_set(gauge))
        return await asyncio.to_thread(runout_of, entry, gauge, streams, self._facts(run_id, gauge), tdc_deg)

    async def end_float(self, entry: PartEntry) -> EndFloatView:
        """Tell how far the shaft was pushed and pulled since the crank stands."""
        gauge, run_id = self._gauge(entry), self._run()
        streams = self._heard(self._hands_free.since_standing(gauge))
        return await asyncio.to_thread(end_float_of, entry, gauge, streams, self._facts(run_id, gauge))

    def _gauge(self, entry: PartEntry) -> str:
        gauges = self._parts.bench.gauges()
        if entry.gauge is None and gauges:
            return gauges[0]
        if entry.gauge not in gauges:
            raise MisuseError(
                "no_such_gauge",
                f"This bench has no gauge {entry.gauge or ''}; it has {', '.join(gauges) or 'none'}.",
            )
        return entry.gauge

    def _run(self) -> int:
        if self._parts.bench.run_id is None:
            raise ConflictError("nothing_read", "No instrument is being read; see the instruments page.")
        return self._parts.bench.run_id

    def _facts(self, run_id: int, gauge: str) -> GaugeFacts:
        last = self._parts.measurements.last_tdc(gauge=gauge)
        known = {}
        if last is not None and last.result is not None and last.detail is not None:
            known = {"lag_s": last.result["lag_s"], "lag_u_s": last.detail["lag_u_s"]}
        return GaugeFacts(**known, **self._parts.stored.gauge_marks(run_id, gauge))

    def _heard(self, streams: Streams | None) -> Streams:
        if streams is None:
            raise ConflictError(
                "nothing_heard",
                "Crank and gauge have not both been read yet: see to their cables, then turn again.",
            )
        return streams
