"""Hands-free: measurements of the open job begin and end by themselves, from what the crank and the gauges do.

Nothing here measures: what it begins and ends goes the way of a press. The beginning is found backwards in what was
read since the gauge was set where it stands; where it is not sure what a gauge touches the guide asks.
"""

from __future__ import annotations

import asyncio
import logging
import time
from dataclasses import dataclass

import numpy as np

from analysis.base import GaugeFacts, Streams
from analysis.moving import STILL_DEG
from analysis.touching import KnownZero, Touch, last_moved_by_hand, recognise
from api.base import BenchEvent, MeasureEntry, ServiceError
from api.guide import (
    ASKED_AFTER_DEG,
    GuideContext,
    GuideContexts,
    Wanted,
    Watch,
    ends_now,
    guidance_in,
    is_of,
    matching,
    metal_moved,
    question,
    wanted,
    zero_of,
)
from api.jobs import JobMeasuring
from api.live import Recent
from api.measure import ByItself, Parts
from api.store import Measurement, hands_free, now_text, setting_hands_free
from capture.base import wire_now_ns

log = logging.getLogger("lobewright.hands_free")
LOOK_EVERY_S = 0.25
REFUSED_REST_S = 3.0
BEFORE_NS = 400_000_000
"""So long before the crank is first turned a measurement begins: the gauge at rest belongs to it."""
LOOK_ON_NS = 2_000_000_000
"""So long after the crank came to rest it is looked on: the slowest gauge has told all by then."""
LIFTED_AFTER_NS = 150_000_000
"""Of a gauge that was lifted as soon as the crank stood, so much of the rest still counts: the lag of slow gauges."""
SET_NS = 300_000_000
"""A gauge that a hand has just let go of still settles."""
MOVES_DEG = 0.5
FOLLOWED_NS, FOLLOWED_MM, LEFT_ALONE_MM = 3_000_000_000, 0.1, 0.03
"""A gauge that a hand sets anew while the crank stands did not come to where it is by the crank."""
TURNED_DEG = 8.0
"""Less than this is no turning, but a hand laid on the bar."""


@dataclass(frozen=True, slots=True)
class _Look:
    """What one gauge does since an instant: what it touches, when the crank was first turned, how far."""

    touch: Touch
    since_ns: int
    turned_deg: float
    moved_by_hand_ns: int | None


class HandsFree:
    """Watches the bench while a job is open; called from the event loop only."""

    def __init__(self, parts: Parts, measuring: JobMeasuring, contexts: GuideContexts) -> None:
        self._parts = parts
        self._measuring = measuring
        self._contexts = contexts
        self._recent = Recent()
        self.on = hands_free(parts.shop.read)
        contexts.watch = Watch(self.on)
        self._set_ns: dict[str, int] = {}
        self._from_ns = 0
        self._due_ns = 0
        self._step: tuple[int, str | None] = (0, None)
        self._metal: tuple[int, int] = (0, 0)
        self._turned_on_ns = 0
        self._ended: tuple[int, str] = (0, "")
        self._answered_ns = 0
        self._next_look_s = 0.0
        self._looked_ns = 0
        self._had_enough = 0
        self._known: dict[tuple[int | None, str], GaugeFacts] = {}

    # -- what is heard

    def take(self, channel: str, t_ns: list[int], value: list[float]) -> None:
        """Take live readings of a channel."""
        self._recent.take(channel, t_ns, value, is_crank=channel == self._parts.bench.crank())

    def forget(self) -> None:
        """The readings began anew: nothing from before can be joined to what comes."""
        self._recent.forget()
        self._from_ns = wire_now_ns()

    async def switch(self, on: bool) -> None:
        """Let measurements begin and end by themselves, or by buttons alone; kept for the shop."""
        await self._parts.shop.change(setting_hands_free(on, now_text()))
        self.on = on
        self._from_ns = wire_now_ns()
        self._tell(Watch(on))

    def answered(self) -> None:
        """The question was answered: what it was about is asked no more until it is turned again."""
        self._answered_ns = wire_now_ns()
        self._tell(Watch(self.on))

    def count_since(self, start_ns: int) -> None:
        """Count the turning from where a measurement began."""
        heard = self._recent.course(self._parts.bench.crank() or "", start_ns)
        self._contexts.hand.count_since(start_ns, heard)

    def stands_since_ns(self) -> int:
        """Give when the crank came to where it stands; 0 before it was read."""
        return self._recent.stands_since_ns() or 0

    def followed_and_left_alone(self, gauge: str) -> bool:
        """Whether a gauge went with the crank before it came to rest, and nobody has moved it since."""
        stood_ns = self.stands_since_ns()
        streams = self._streams(gauge, stood_ns - FOLLOWED_NS)
        if not stood_ns or streams is None:
            return False
        stood_s = FOLLOWED_NS / 1e9
        before = streams.gauge_mm[streams.gauge_time_s <= stood_s]
        since = streams.gauge_mm[streams.gauge_time_s > stood_s + SET_NS / 1e9]
        if not before.size or not since.size:
            return False
        followed = float(np.ptp(before)) >= FOLLOWED_MM
        return followed and float(np.ptp(since)) <= LEFT_ALONE_MM

    def counts_from(self, crank_deg: float) -> None:
        """What was turned since the crank stood there counts for what is measured next."""
        left_ns = self._recent.last_at_ns(self._parts.bench.crank() or "", crank_deg, STILL_DEG)
        self._turned_on_ns = left_ns or 0

    # -- what is done

    async def follow(self, context: GuideContext | None) -> None:
        """Begin, end or ask, where the bench has come so far."""
        if not self.on or context is None:
            self._tell(Watch(self.on))
            return
        self._note_changes(context)
        running = self._measuring.running(context.job_id)
        if running is not None and running.ends_by_itself and await self._end_where_over(context, running):
            return
        if time.monotonic() < self._next_look_s or context.waiting or context.trouble:
            return
        if running is None and not self._turned_lately():
            return
        self._next_look_s = time.monotonic() + LOOK_EVERY_S
        try:
            if running is None:
                await self._begin_where_turned(context)
            else:
                await self._doubt(context, running)
        except ServiceError as error:
            log.info("hands-free rests: %s", error.message)
            self._next_look_s = time.monotonic() + REFUSED_REST_S

    def _turned_lately(self) -> bool:
        """Whether the crank was turned since it was looked at last, or the step became another."""
        stood_ns = self._recent.stands_since_ns()
        since_ns = max(self._due_ns, self._answered_ns, stood_ns or 0)
        if since_ns + LOOK_ON_NS < self._looked_ns:
            return False
        self._looked_ns = wire_now_ns()
        return stood_ns is not None

    def _note_changes(self, context: GuideContext) -> None:
        """Nothing counts that was turned before a cam was touched, or for the measurement before."""
        now_ns, view = wire_now_ns(), self._parts.board.measurement
        step = (context.job_id, context.state.now)
        if step != self._step:
            self._step, self._due_ns = step, now_ns
        metal = (context.job_id, metal_moved(context))
        if metal != self._metal:
            self._metal, self._from_ns, self._turned_on_ns = metal, self._turned_on_ns or now_ns, 0
        ended = (view.id, view.state) if view is not None and view.state != "running" else (0, "")
        if ended != self._ended:
            self._ended = ended
            self._known.clear()
            if view is not None and ended[0]:
                self._from_ns = max(self._from_ns, self._parts.measurements.get(view.id).end_ns or 0)

    async def _begin_where_turned(self, context: GuideContext) -> None:
        choice = wanted(context)
        if not choice:
            self._tell(Watch(self.on))
            return
        looks = await self._look(context, choice[0].cylinder)
        for gauge, look in looks.items():
            one = matching(look.touch, self._own_first(context, choice, looks))
            if one is not None and not _needs_reading(context, one):
                await self._begin_by_itself(context, one, gauge, look)
                return
        self._ask(context, choice[0], looks)

    def _own_first(
        self, context: GuideContext, choice: list[Wanted], looks: dict[str, _Look]
    ) -> list[Wanted]:
        """Leave later steps to later while the gauge of the step that is due has not told yet what it touches."""
        own = [one for one in choice if context.step is not None and one.step == context.step.id]
        usual = looks.get(self._measuring.usual_gauge(context.job_id, own[0].valve) or "") if own else None
        return own if usual is not None and usual.touch.kind == "not_yet" else choice

    async def _begin_by_itself(self, context: GuideContext, one: Wanted, gauge: str, look: _Look) -> None:
        usual = self._measuring.usual_gauge(context.job_id, one.valve)
        by_itself = ByItself(look.since_ns)
        entry = MeasureEntry(step=one.step, cylinder=one.cylinder, valve=one.valve, gauge=gauge)
        begun = await self._measuring.begin(context.job_id, entry, by_itself)
        self.count_since(begun.start_ns)
        swapped = f" Not gauge {usual}, but {gauge} is on it." if usual not in {None, gauge} else ""
        self.say(gauge, "begun_by_itself", f"{_words(begun.touches)}: it began by itself.{swapped}")
        self._tell(Watch(self.on))

    async def _end_where_over(self, context: GuideContext, running: Measurement) -> bool:
        """End what has enough once the crank has rested; `True` where it did."""
        stood_ns, view = self._recent.stands_since_ns(), context.measurement
        if stood_ns is None or view is None or context.trouble:
            return False
        enough = guidance_in(context).enough
        if enough:
            self._had_enough = view.id
        over = ends_now(context, enough, (wire_now_ns() - stood_ns) / 1e9)
        if over:
            await self._end(context, await self._lifted_ns(context, running, stood_ns))
        return over

    async def _lifted_ns(self, context: GuideContext, running: Measurement, stood_ns: int) -> int | None:
        """Give until when a gauge that was lifted in the rest still told of its part; `None` where it was not."""
        cylinder = running.touches.partition("_")[2].upper()
        look = (await self._look(context, cylinder, running)).get(running.gauge)
        if look is None or look.moved_by_hand_ns is None or look.moved_by_hand_ns < stood_ns:
            return None
        return _told_until_ns(stood_ns, look.moved_by_hand_ns)

    async def _end(self, context: GuideContext, until_ns: int | None = None) -> None:
        ended = await self._measuring.finish(context.job_id, until_ns)
        self.say(ended.gauge, "ended_by_itself", f"{_words(ended.touches)}: it ended by itself.")

    async def _doubt(self, context: GuideContext, running: Measurement) -> None:
        """A gauge that is lifted ends what began by itself, without a number where there was not enough.

        What moves like something else is asked about.
        """
        view = context.measurement
        if view is None or view.id != running.id:
            return
        what = running.touches.partition("_")
        look = (await self._look(context, what[2].upper(), running)).get(running.gauge)
        if look is None:
            return
        if running.begun_by_itself and look.moved_by_hand_ns is not None:
            stood_ns = self._recent.stands_since_ns()
            if self._had_enough == running.id and stood_ns is not None:
                await self._end(context, _told_until_ns(stood_ns, look.moved_by_hand_ns))
                return
            why = "Thrown away by itself: the gauge was moved before there was enough."
            await self._measuring.discard(context.job_id, why)
            self.say(running.gauge, "thrown_away_by_itself", why)
            return
        if is_of(view, look.touch, context) or self._answered_ns > running.start_ns:
            self._tell(Watch(self.on))
            return
        valve = None if what[0] == "piston" else what[0]
        asked = question(look.touch, Wanted("", what[2].upper(), valve))  # type: ignore[arg-type]
        self._tell(Watch(self.on, asked, running.touches, running.gauge))

    def _ask(self, context: GuideContext, one: Wanted, looks: dict[str, _Look]) -> None:
        """Ask of the gauge that should be used, once it was turned for long enough since the step is due."""
        gauge = self._measuring.usual_gauge(context.job_id, one.valve)
        look = looks.get(gauge or "")
        due = context.step
        if look is None or gauge is None or due is None or one.step != due.id:
            self._tell(Watch(self.on))
            return
        asked_from_ns = max(self._due_ns, self._answered_ns)
        turned = self._turned_deg(gauge, asked_from_ns)
        asked = question(look.touch, one) if turned >= ASKED_AFTER_DEG else ""
        self._tell(Watch(self.on, asked, one.part, gauge, look.since_ns))

    # -- looking

    async def _look(
        self, context: GuideContext, cylinder: str, running: Measurement | None = None
    ) -> dict[str, _Look]:
        zero = zero_of(context, cylinder)
        gauges = self._parts.bench.gauges() if running is None else [running.gauge]
        found = {}
        for gauge in gauges:
            since_ns = max(self._from_ns, self._set_ns.get(gauge, 0))
            if running is not None:
                since_ns = running.start_ns
            streams = self._streams(gauge, since_ns)
            if streams is None:
                continue
            look = await asyncio.to_thread(_look, streams, since_ns, self._facts(gauge), zero)
            if look.moved_by_hand_ns is not None:
                self._set_ns[gauge] = look.moved_by_hand_ns + SET_NS
            if look.turned_deg >= TURNED_DEG or look.moved_by_hand_ns is not None:
                found[gauge] = look
        return found

    def _streams(self, gauge: str, since_ns: int) -> Streams | None:
        crank = self._parts.bench.crank()
        return None if crank is None else self._recent.streams(crank, gauge, since_ns)

    def _turned_deg(self, gauge: str, since_ns: int) -> float:
        streams = self._streams(gauge, since_ns)
        return 0.0 if streams is None else float(np.ptp(streams.crank_deg))

    def _facts(self, gauge: str) -> GaugeFacts:
        """Give the gauge's lag as it was found last, and its step."""
        key = self._parts.bench.run_id, gauge
        if key not in self._known:
            self._known[key] = self._look_up(gauge)
        return self._known[key]

    def _look_up(self, gauge: str) -> GaugeFacts:
        bench, last = self._parts.bench, self._parts.measurements.last_tdc(gauge=gauge)
        lag_s = last.result["lag_s"] if last is not None and last.result is not None else None
        step_mm = None
        if bench.run_id is not None:
            step_mm = self._parts.stored.gauge_marks(bench.run_id, gauge)["step_mm"]
        return GaugeFacts(lag_s=lag_s, step_mm=step_mm)

    # -- telling

    def _tell(self, watch: Watch) -> None:
        if watch.question == "":
            watch = Watch(watch.on)
        if watch != self._contexts.watch:
            self._contexts.watch = watch
            self._parts.board.publish_guide()

    def say(self, gauge: str, code: str, sentence: str) -> None:
        """Put it into the list of what happened at the bench."""
        event = BenchEvent(channel=gauge, code=code, sentence=sentence, at=now_text())
        self._parts.bench.events.append(event)
        self._parts.board.screens.publish(event)
        log.info("%s", sentence)


def _told_until_ns(stood_ns: int, lifted_ns: int) -> int:
    return min(stood_ns + LIFTED_AFTER_NS, lifted_ns)


def _look(streams: Streams, since_ns: int, facts: GaugeFacts, zero: KnownZero) -> _Look:
    """Look at a gauge since it was moved by hand last."""
    hand_s = last_moved_by_hand(streams)
    if hand_s is not None:
        begins_s = hand_s + SET_NS / 1e9
        streams = _from(streams, begins_s)
    touch = recognise(streams, facts, zero) if streams.gauge_mm.size else Touch("not_yet")
    turns_s = _first_turned_s(streams)
    first_s = float(streams.crank_time_s[0]) if streams.crank_time_s.size else 0.0
    begins_ns = since_ns + int(1e9 * max(first_s, turns_s - BEFORE_NS / 1e9))
    hand_ns = None if hand_s is None else since_ns + int(1e9 * hand_s)
    return _Look(touch, begins_ns, touch.turned_deg, hand_ns)


def _from(streams: Streams, time_s: float) -> Streams:
    first = max(0, int(np.searchsorted(streams.crank_time_s, time_s)) - 1)
    crank_time_s = np.maximum(streams.crank_time_s[first:], time_s)
    gauge = streams.gauge_time_s >= time_s
    return Streams(
        crank_time_s, streams.crank_deg[first:], streams.gauge_time_s[gauge], streams.gauge_mm[gauge]
    )


def _first_turned_s(streams: Streams) -> float:
    """Give when the crank first left where it stood."""
    if not streams.crank_deg.size:
        return 0.0
    turned = np.flatnonzero(np.abs(streams.crank_deg - streams.crank_deg[0]) > MOVES_DEG)
    return float(streams.crank_time_s[max(0, int(turned[0]) - 1)]) if turned.size else 0.0


def _needs_reading(context: GuideContext, one: Wanted) -> bool:
    """The first step's cautions are read, and said to be read, before the crank is turned for a number."""
    return one.step == "bench_check" and not context.facts and context.measurement is None


def _words(touches: str) -> str:
    part, _, cylinder = touches.partition("_")
    return f"{part.capitalize()} {cylinder.upper()}"
