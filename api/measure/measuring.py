"""Measurements at the bench: begun, estimated while the crank turns, finished from what is stored.

A measurement is an interval on a run. While it runs its readings are gathered from the live feed and the
estimate runs in a worker thread; its end is always computed from the stored readings, so that the number
on the screen is the number the trace will give again. Nothing but the row in ``shop.db`` is needed to go
on after the service was killed.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import time
from collections.abc import Awaitable, Callable, Iterator
from dataclasses import replace

from api.base import Centre, ConflictError, Interval, ServiceError
from api.base import Measurement as MeasurementMessage
from api.live import (
    PROGRAM,
    BenchState,
    Board,
    CurvePointsSoFar,
    FeedMessage,
    FitOutcome,
    LiveEstimate,
    estimate,
)
from api.measure.plan import ByItself, planned
from api.measure.requests import MeasurementAsked
from api.records import Measurement, MeasurementStore, State, StoredInterval, StoredStreams, now_text
from capture.base import wire_now_ns

log = logging.getLogger("lobewright.measuring")
LEAST_PAUSE_S = 0.1
SHARE_OF_A_CORE = 0.34
CUT_OFF = (
    "Capture was started again and this measurement's readings end there. "
    "Finish it with what is stored, or throw it away and start again."
)
Flush = Callable[[], Awaitable[bool]]
HandOn = Callable[[Measurement, StoredInterval, FitOutcome], None]


class Running:
    """One running measurement: its interval, its points, its newest estimate."""

    def __init__(self, measurement: Measurement) -> None:
        self.measurement = measurement
        self.interval = Interval(measurement.start_ns)
        self.estimate = LiveEstimate(measurement.analysis_settings(), measurement.gauge_facts())
        self.points = CurvePointsSoFar()
        self.task: asyncio.Task[None] | None = None
        self.ending = False
        self.estimated_at = 0

    @property
    def size(self) -> int:
        """Count the readings that an estimate would use."""
        return len(self.interval.crank.t_ns) + len(self.interval.gauge.t_ns)


class Measuring:
    """All running measurements; called from the event loop only."""

    def __init__(
        self,
        store: MeasurementStore,
        bench: BenchState,
        stored: StoredStreams,
        board: Board,
        flush: Flush,
        hand_on: HandOn,
    ) -> None:
        self._store = store
        self._bench = bench
        self._stored = stored
        self._board = board
        self._flush = flush
        self._hand_on = hand_on
        self._active: list[Running] = []

    # -- the life of a measurement

    def resume(self) -> None:
        """Go on with what was running when the service ended."""
        for measurement in self._store.running():
            running = Running(measurement)
            running.interval.start_over()
            self._active.append(running)
            self._go(running)
            log.info("going on with measurement %d, begun %s", measurement.id, measurement.started_at)

    async def begin(self, asked: MeasurementAsked, by_itself: ByItself | None = None) -> Measurement:
        """Begin a measurement now, or where it began by itself.

        Raises
        ------
        BenchError, NotFoundError, ConflictError
            The bench is not alive, has no such gauge, or the gauge is measuring already.
        """
        plan = await asyncio.to_thread(planned, asked, self._bench, self._store, self._stored)
        for other in self._active:
            if other.measurement.gauge == plan.gauge:
                raise ConflictError(
                    "gauge_in_use",
                    f"Gauge {plan.gauge} is measuring already (number {other.measurement.id}); "
                    "finish or discard that first.",
                )
        since_ns = by_itself.since_ns if by_itself is not None else None
        if by_itself is not None:
            plan = replace(plan, settings=plan.settings | by_itself.settings)
        plan = replace(plan, start_ns=since_ns or wire_now_ns(), started_at=now_text())
        running = Running(plan)
        if since_ns is not None:
            running.interval.start_over()  # what was turned before is in the store
        self._active.append(running)  # it gathers from this instant, while the row is being written
        try:
            running.measurement = await self._store.add(plan)
        except BaseException:
            self._active.remove(running)
            raise
        self._go(running)
        return running.measurement

    async def finish(self, number: int, until_ns: int | None = None) -> Measurement:
        """End the interval, now or where it ended by itself, and compute the number from what is stored."""
        with self._ending(number) as running:
            asked_ns = until_ns or wire_now_ns()
            flushed = await self._flush()
            measurement = running.measurement
            end_ns = await asyncio.to_thread(self._told_until, measurement, asked_ns)
            interval = await asyncio.to_thread(self._read, measurement, end_ns)
            outcome = await asyncio.to_thread(
                estimate, interval.streams(), measurement.analysis_settings(), measurement.gauge_facts()
            )
            ended = await self._store.end(number, _state(outcome), _ended(outcome, end_ns, flushed))
            self._gone(running, ended)
            await asyncio.to_thread(self._hand_on, ended, interval, outcome)
            return ended

    async def discard(self, number: int, why: str = "Discarded.") -> Measurement:
        """End it without a number; its readings stay stored."""
        with self._ending(number) as running:
            ended = await self._store.end(number, "discarded", {"end_ns": wire_now_ns(), "sentence": why})
            self._gone(running, ended)
            return ended

    async def name(self, number: int, touches: str) -> Measurement:
        """Say what its gauge touches, where that was not told when it began."""
        named = await self._store.name(number, touches)
        for running in self._active:
            if running.measurement.id == number:
                running.measurement = replace(running.measurement, touches=touches)
        self._shown_anew(named)
        return named

    async def take_back(self, number: int, why: str) -> Measurement:
        """Let a number that was kept count no more; its readings stay stored."""
        gone = await self._store.take_back(number, why)
        self._shown_anew(gone)
        return gone

    def _shown_anew(self, changed: Measurement) -> None:
        if self._board.measurement is not None and self._board.measurement.id == changed.id:
            self._board.measurement = changed.view()
        self._announce(changed)

    async def close(self) -> None:
        """Stop estimating; the rows stay as running and are gone on with later."""
        tasks = [running.task for running in self._active if running.task]
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)

    @contextlib.contextmanager
    def _ending(self, number: int) -> Iterator[Running]:
        """Let one caller only end a measurement; a failure leaves it running."""
        running = next((one for one in self._active if one.measurement.id == number), None)
        if running is None:
            measurement = self._store.get(number)
            raise ConflictError(
                "already_ended", f"Measurement {number} has ended already: {measurement.state}."
            )
        if running.ending:
            raise ConflictError("being_ended", f"Measurement {number} is being ended by another screen.")
        running.ending = True
        try:
            yield running
        finally:
            running.ending = False

    def _go(self, running: Running) -> None:
        running.task = asyncio.create_task(self._follow(running))
        self._board.measurement = running.measurement.view()
        self._board.centre = None
        self._board.screens.draw(running.measurement.id, running.points)
        self._announce(running.measurement)

    def _gone(self, running: Running, ended: Measurement) -> None:
        if running.task:
            running.task.cancel()
        self._active.remove(running)
        self._board.measurement = ended.view()
        self._announce(ended)

    def _announce(self, measurement: Measurement) -> None:
        self._board.screens.publish(MeasurementMessage(measurement=measurement.view()))
        self._board.publish_guide()

    # -- while it runs

    def take_readings(self, message: FeedMessage) -> None:
        """Give live readings to the measurements they belong to."""
        quantity = self._bench.specs.get(message["channel"], {}).get("quantity")
        for running in self._active:
            measurement = running.measurement
            if measurement.run_id != self._bench.run_id:
                continue
            if quantity == "crank" or measurement.gauge == message["channel"]:
                running.interval.take(
                    quantity or "gauge", message["first"], message["t_ns"], message["value"]
                )
                running.points.grow(running.interval)

    def feed_began(self) -> None:
        """The live feed was connected anew: what came meanwhile is in the store only."""
        for running in self._active:
            running.interval.start_over()
            if running.measurement.run_id != self._bench.run_id:
                self._tell_cut_off(running)

    def _tell_cut_off(self, running: Running) -> None:
        """Capture began another run, in which the crank may count from another zero."""
        running.measurement = replace(running.measurement, sentence=CUT_OFF)
        self._board.measurement = running.measurement.view()
        self._announce(running.measurement)

    async def _follow(self, running: Running) -> None:
        """Estimate again and again until cancelled; a failure is logged and does not end it."""
        while True:
            began = time.monotonic()
            try:
                if not running.interval.whole:
                    await self._fill(running)
                await self._estimate(running)
            except ServiceError as error:
                log.warning("measurement %d: %s", running.measurement.id, error.message)
                await asyncio.sleep(1.0)
            except Exception:
                log.exception("the live estimate of measurement %d failed", running.measurement.id)
                await asyncio.sleep(1.0)
            took = time.monotonic() - began
            await asyncio.sleep(max(LEAST_PAUSE_S, took / SHARE_OF_A_CORE - took))

    async def _fill(self, running: Running) -> None:
        """Set what is stored before what came live."""
        interval = running.interval
        interval.whole = True
        await self._flush()
        stored = await asyncio.to_thread(self._read, running.measurement, None)
        if not interval.whole:
            return  # the feed left some out meanwhile; the next round tries again
        interval.put_before(stored.crank_part(), stored.gauge_part())
        running.points.start_over()
        running.points.grow(interval)
        self._board.screens.draw(running.measurement.id, running.points)

    async def _estimate(self, running: Running) -> None:
        """Compute the settling number, unless nothing has come since the last."""
        if running.size == running.estimated_at or not running.interval.gauge.t_ns:
            return
        running.estimated_at = running.size
        measurement = running.measurement
        streams = running.interval.streams()
        outcome = await asyncio.to_thread(running.estimate, streams)
        if running.ending:
            return
        self._board.centre = Centre(
            measurement_id=measurement.id,
            result=outcome.result,
            error=outcome.error,
            outlook=outcome.outlook,
            curve_deg=outcome.curve_deg,
            curve_mm=outcome.curve_mm,
        )
        self._board.screens.publish(self._board.centre)
        self._board.publish_guide()

    def _told_until(self, measurement: Measurement, asked_ns: int) -> int:
        assert measurement.run_id is not None
        told_ns = self._stored.told_until(measurement.run_id, measurement.gauge, asked_ns)
        return max(measurement.start_ns, told_ns)

    def _read(self, measurement: Measurement, end_ns: int | None) -> StoredInterval:
        assert measurement.run_id is not None
        return self._stored.of_run(measurement.run_id, measurement.gauge, measurement.start_ns, end_ns)


def _state(outcome: FitOutcome) -> State:
    return "finished" if outcome.result is not None else "refused"


def _ended(outcome: FitOutcome, end_ns: int, flushed: bool) -> dict[str, object]:
    late = "" if flushed else " Capture did not answer; the last second before the end may be missing."
    return {
        "end_ns": end_ns,
        "result": outcome.result,
        "detail": outcome.detail,
        "error": outcome.error,
        "sentence": outcome.sentence + late,
        "program": PROGRAM,
    }
