"""Hands-free: measurements begin and end by themselves, from what the crank and the gauges do, in a job or without one.

Nothing here measures: what it begins and ends goes the way of a press, and what may be measured is said by whoever
leads: the open job, or the bench by itself. The beginning is found backwards in what was read since the gauge was set
where it stands; where it is not sure what a gauge touches the guide asks.
"""

from __future__ import annotations

import asyncio
import logging
import time
from collections.abc import Hashable
from dataclasses import replace

import numpy as np

from analysis.base import GaugeFacts, Streams
from analysis.moving import STILL_DEG
from api.base import BenchEvent, ServiceError
from api.guide import GuideContexts, Wanted, Watch, ends_now
from api.hands.leads import Lead
from api.hands.looking import SET_NS, Heard, Look, look_at, told_by_both
from api.live import Recent
from api.measure import ByItself, Parts
from api.records import Measurement, now_text
from api.store import hands_free, setting_hands_free
from capture.base import wire_now_ns

log = logging.getLogger("lobewright.hands_free")
LOOK_EVERY_S = 0.25
REFUSED_REST_S = 3.0
LOOK_ON_NS = 2_000_000_000
"""So long after the crank came to rest it is looked on: the slowest gauge has told all by then."""
AWAITED_NS = 1_000_000_000
"""So long the next line of an encoder that may say nothing while it stands is waited for, while a gauge speaks on."""
LIFTED_AFTER_NS = 150_000_000
"""Of a gauge that was lifted as soon as the crank stood, so much of the rest still counts: the lag of slow gauges."""
FOLLOWED_NS, FOLLOWED_MM, LEFT_ALONE_MM = 3_000_000_000, 0.1, 0.03
"""A gauge that a hand sets anew while the crank stands did not come to where it is by the crank."""
LOOKED_BACK_NS = 180_000_000_000
TURNED_DEG = 8.0
"""Less than this is no turning, but a hand laid on the bar."""


class HandsFree:
    """Watches the bench; called from the event loop only."""

    def __init__(self, parts: Parts, contexts: GuideContexts) -> None:
        self._parts = parts
        self._contexts = contexts
        self._recent = Recent()
        self.on = hands_free(parts.shop.read)
        contexts.watch = Watch(self.on)
        self._set_ns: dict[str, int] = {}
        self._from_ns = 0
        self._due_ns = 0
        self._due: Hashable = None
        self._metal: Hashable = None
        self._turned_on_ns = 0
        self._ended: tuple[int, str] = (0, "")
        self._kept_ns: dict[str, int] = {}
        self._thrown_away = 0
        self._answered_ns = 0
        self._next_look_s = 0.0
        self._looked_ns = 0
        self._had_enough = 0
        self._aside = False
        self._known: dict[tuple[int | None, str], GaugeFacts] = {}

    # -- what is heard

    def take(self, channel: str, t_ns: list[int], value: list[float]) -> None:
        """Take live readings of a channel."""
        self._recent.take(channel, t_ns, value, is_crank=channel == self._parts.bench.crank())

    def forget(self) -> None:
        """The readings began anew: nothing from before can be joined to what comes."""
        self._recent.forget()
        self._kept_ns.clear()
        self._from_ns = wire_now_ns()

    async def switch(self, on: bool) -> None:
        """Let measurements begin and end by themselves, or by buttons alone; kept for the shop."""
        await self._parts.shop.change(setting_hands_free(on, now_text()))
        self.on = on
        self._from_ns = wire_now_ns()
        self._tell(Watch(on))

    def stand_aside(self, aside: bool) -> None:
        """Begin and ask nothing while a part beside the cams is turned; what was turned for it begins nothing after."""
        if self._aside and not aside:
            self._from_ns = wire_now_ns()
        self._aside = aside

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

    async def follow(self, lead: Lead | None) -> None:
        """Begin, end or ask, where the bench has come so far."""
        if not self.on or lead is None:
            self._tell(Watch(self.on))
            return
        self._note_changes(lead)
        running = lead.running()
        if running is not None and running.ends_by_itself and await self._end_where_over(lead, running):
            return
        if time.monotonic() < self._next_look_s or lead.stands_aside or self._is_being_ended(running):
            return
        if running is None and (self._aside or not self._turned_lately()):
            return
        self._next_look_s = time.monotonic() + LOOK_EVERY_S
        try:
            if running is None:
                await self._begin_where_turned(lead)
            else:
                await self._doubt(lead, running)
        except ServiceError as error:
            log.info("hands-free rests: %s", error.message)
            self._next_look_s = time.monotonic() + REFUSED_REST_S

    def _is_being_ended(self, running: Measurement | None) -> bool:
        """Whether one has ended in the store and that was not told yet: what was turned for it begins no other."""
        shown = self._parts.board.measurement
        return running is None and shown is not None and shown.state == "running"

    def _turned_lately(self) -> bool:
        """Whether the crank was turned since it was looked at last, or the step became another."""
        stood_ns = self._recent.stands_since_ns()
        since_ns = max(self._due_ns, self._answered_ns, stood_ns or 0)
        if since_ns + LOOK_ON_NS < self._looked_ns:
            return False
        self._looked_ns = wire_now_ns()
        return stood_ns is not None

    def _note_changes(self, lead: Lead) -> None:
        """Nothing counts that was turned before a cam was touched, or for the measurement before."""
        now_ns, view = wire_now_ns(), self._parts.board.measurement
        if lead.due != self._due:
            self._due, self._due_ns = lead.due, now_ns
        if lead.metal != self._metal:
            counts_from_ns = max(self._from_ns, self._turned_on_ns or now_ns)
            self._metal, self._from_ns, self._turned_on_ns = lead.metal, counts_from_ns, 0
        ended = (view.id, view.state) if view is not None and view.state != "running" else (0, "")
        if ended != self._ended:
            self._ended = ended
            self._known.clear()
            if view is not None and ended[0]:
                self._note_end(self._parts.measurements.get(view.id))

    def _note_end(self, ended: Measurement) -> None:
        end_ns = ended.end_ns or 0
        self._from_ns = max(self._from_ns, end_ns)
        if ended.state != "refused" and ended.id != self._thrown_away:
            self._kept_ns[ended.gauge] = end_ns

    def _is_kept(self, gauge: str) -> bool:
        """Whether a gauge still stands where its last number was told, or thrown away by a press.

        One that nobody has touched since any number was told is parked there.
        """
        set_ns = self._set_ns.get(gauge, 0)
        return set_ns <= self._kept_ns.get(gauge, -1) or (not set_ns and bool(self._kept_ns))

    async def _begin_where_turned(self, lead: Lead) -> None:
        cylinder = lead.looks_for()
        looks = await self._look(lead, f"piston_{cylinder.lower()}") if cylinder else {}
        found = lead.found(looks, self._is_kept) if looks else None
        if found is not None:
            await self._begin_by_itself(lead, *found, looks[found[1]])
            return
        asked_from_ns = max(self._due_ns, self._answered_ns)
        asked = lead.asked(looks, lambda gauge: self._turned_deg(gauge, asked_from_ns)) if looks else None
        self._tell(asked or Watch(self.on))

    async def _begin_by_itself(self, lead: Lead, one: Wanted, gauge: str, look: Look) -> None:
        usual = lead.usual_gauge(one)
        begun = await lead.begin(one, gauge, ByItself(look.since_ns))
        self.count_since(begun.start_ns)
        swapped = f" Not gauge {usual}, but {gauge} is on it." if usual not in {"", gauge} else ""
        self.say(gauge, "begun_by_itself", f"{_words(begun.touches)}: it began by itself.{swapped}")
        self._tell(Watch(self.on))

    async def _end_where_over(self, lead: Lead, running: Measurement) -> bool:
        """End what has enough once the crank has rested; `True` where it did."""
        stood_ns = self._recent.stands_since_ns()
        if stood_ns is None or lead.view is None or lead.in_trouble:
            return False
        enough = lead.enough()
        if enough:
            self._had_enough = lead.view.id
        over = ends_now(lead.view, enough, (self._crank_known_until_ns() - stood_ns) / 1e9)
        if over:
            await self._end(lead, running, await self._lifted_ns(lead, running, stood_ns))
        return over

    async def _lifted_ns(self, lead: Lead, running: Measurement, stood_ns: int) -> int | None:
        """Give until when a gauge that was lifted in the rest still told of its part; `None` where it was not."""
        look = (await self._look(lead, running.touches, running)).get(running.gauge)
        if look is None or look.moved_by_hand_ns is None or look.moved_by_hand_ns < stood_ns:
            return None
        return _told_until_ns(stood_ns, look.moved_by_hand_ns)

    async def _end(self, lead: Lead, running: Measurement, until_ns: int | None = None) -> None:
        ended = await lead.finish(running, until_ns)
        self.say(ended.gauge, "ended_by_itself", f"{_words(ended.touches)}: it ended by itself.")

    async def _doubt(self, lead: Lead, running: Measurement) -> None:
        """A gauge that is lifted ends what began by itself, without a number where there was not enough.

        What moves like something else is asked about.
        """
        if lead.view is None or lead.view.id != running.id:
            return
        look = (await self._look(lead, running.touches, running)).get(running.gauge)
        if look is None:
            return
        if running.begun_by_itself and look.moved_by_hand_ns is not None:
            await self._end_lifted(lead, running, look.moved_by_hand_ns)
            return
        asked = "" if self._answered_ns > running.start_ns else lead.doubted(running, look.touch)
        self._tell(Watch(self.on, asked, running.touches, running.gauge))

    async def _end_lifted(self, lead: Lead, running: Measurement, lifted_ns: int) -> None:
        stood_ns = self._recent.stands_since_ns()
        if self._had_enough == running.id and stood_ns is not None:
            await self._end(lead, running, _told_until_ns(stood_ns, lifted_ns))
            return
        why, self._thrown_away = (
            "Thrown away by itself: the gauge was moved before there was enough.",
            running.id,
        )
        await lead.discard(running, why)
        self.say(running.gauge, "thrown_away_by_itself", why)

    # -- looking

    async def _look(self, lead: Lead, touches: str, running: Measurement | None = None) -> dict[str, Look]:
        """Look at what each gauge has said since it was set, or since the measurement began."""
        zero = lead.zero(touches)
        gauges = self._parts.bench.gauges() if running is None else [running.gauge]
        found = {}
        for gauge in gauges:
            since_ns = max(self._from_ns, self._set_ns.get(gauge, 0))
            if running is not None:
                since_ns = running.start_ns
            streams = self._streams(gauge, since_ns)
            if streams is None:
                continue
            streams = told_by_both(streams, (self._crank_known_until_ns() - since_ns) / 1e9)
            look = await asyncio.to_thread(look_at, streams, since_ns, self._facts(gauge), zero)
            if look.moved_by_hand_ns is not None:
                self._set_ns[gauge] = look.moved_by_hand_ns + SET_NS
            if look.turned_deg >= TURNED_DEG or look.moved_by_hand_ns is not None:
                found[gauge] = replace(look, set_ns=self._set_ns.get(gauge, 0))
        return found

    def lately(self, gauge: str, since_ns: int = 0) -> Heard | None:
        """Give what crank and gauge have said in the last minutes, and since an instant."""
        return self._heard(gauge, max(since_ns, wire_now_ns() - LOOKED_BACK_NS))

    def since_standing(self, gauge: str, since_ns: int = 0) -> Heard | None:
        """Give what they have said since the crank stands, and since an instant."""
        since_ns = max(since_ns, self.stands_since_ns() + SET_NS, wire_now_ns() - LOOKED_BACK_NS)
        return self._heard(gauge, since_ns)

    def rested_s(self) -> float:
        """Give for how long the crank stands, as far as is known; 0 before it was read."""
        stood_ns = self._recent.stands_since_ns()
        return 0.0 if stood_ns is None else (self._crank_known_until_ns() - stood_ns) / 1e9

    def _heard(self, gauge: str, since_ns: int) -> Heard | None:
        run_id, streams = self._parts.bench.run_id, self._streams(gauge, since_ns)
        return None if run_id is None or streams is None else Heard(run_id, since_ns, streams)

    def _streams(self, gauge: str, since_ns: int) -> Streams | None:
        crank = self._parts.bench.crank()
        return None if crank is None else self._recent.streams(crank, gauge, since_ns)

    def _crank_known_until_ns(self) -> int:
        return self._recent.crank_known_until_ns(wire_now_ns(), AWAITED_NS)

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


def _words(touches: str) -> str:
    part, _, cylinder = touches.partition("_")
    return f"{part.capitalize()} {cylinder.upper()}"
