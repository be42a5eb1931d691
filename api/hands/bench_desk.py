"""The bench where no job is open: what it shows and says, and what a press there does."""

from __future__ import annotations

import asyncio

from api.base import Centre, ConflictError, Guide, Health, MeasurementView, Pressed, PressEntry
from api.guide import Action, BenchContext, Guidance, GuideContexts, bench_guidance, bench_guide, bench_token
from api.hands.hands_free import HandsFree
from api.hands.leads import BenchLead
from api.measure import MeasurementAsked, Parts, tdc_counted_from
from api.records import Measurement

TAKEN_BACK = "Taken back: it went by itself and was not meant."


class BenchDesk:
    """What goes on at the bench outside a job; called from the event loop only."""

    def __init__(
        self, parts: Parts, contexts: GuideContexts, hands_free: HandsFree, pressing: asyncio.Lock
    ) -> None:
        self._parts = parts
        self._contexts = contexts
        self._hands_free = hands_free
        self._pressing = pressing
        self._anew_ns = 0
        self._zero: tuple[tuple[object, ...], float | None] = ((), None)
        self.cylinder = "1"

    def counted_anew(self, t_ns: int) -> None:
        """The counter began anew at this instant, which may not be in the store yet."""
        self._anew_ns = max(self._anew_ns, t_ns)

    def choose_cylinder(self, cylinder: str) -> None:
        """Say on whose piston and valves the gauge goes from now on."""
        self.cylinder = cylinder
        self._hands_free.answered()
        self._parts.board.publish_guide()

    # -- what is said

    def guide(self, health: Health, measurement: MeasurementView | None, centre: Centre | None) -> Guide:
        """Say what to do now."""
        return bench_guide(self._context(health, measurement, centre))

    def lead(self) -> BenchLead:
        """Give what hands-free follows here."""
        return BenchLead(self._context_now(), self._parts.measuring, self._parts.measurements)

    def _context_now(self) -> BenchContext:
        board = self._parts.board
        return self._context(board.health(), board.measurement, board.centre)

    def _context(
        self, health: Health, measurement: MeasurementView | None, centre: Centre | None
    ) -> BenchContext:
        own = measurement is not None and centre is not None and centre.measurement_id == measurement.id
        return BenchContext(
            health=health,
            measurement=measurement,
            centre=centre if own else None,
            watch=self._contexts.watch,
            cylinder=self.cylinder,
            tdc_deg=self._tdc_deg(measurement),
            turned_deg=self._contexts.hand.turned_deg,
        )

    def _tdc_deg(self, measurement: MeasurementView | None) -> float | None:
        """Give the cylinder's true TDC; it is read again only where something has ended since, or was counted anew."""
        run_id = self._parts.bench.run_id
        ended = None if measurement is None else (measurement.id, measurement.state)
        seen = (run_id, self._anew_ns, self.cylinder, ended)
        if seen != self._zero[0]:
            self._zero = seen, self._read_tdc(run_id)
        return self._zero[1]

    def _read_tdc(self, run_id: int | None) -> float | None:
        if run_id is None:
            return None
        parts, piston = self._parts, f"piston_{self.cylinder}"
        found = tdc_counted_from(
            parts.measurements, parts.stored, run_id, touches=piston, anew_ns=self._anew_ns
        )
        return None if found is None or found.result is None else float(found.result["centre_deg"])

    # -- what is done

    async def begin(self, asked: MeasurementAsked) -> Measurement:
        """Begin what was pressed for; what began by itself on that gauge makes room."""
        async with self._pressing:
            gauges = self._parts.bench.gauges()
            gauge = asked.gauge or (gauges[0] if len(gauges) == 1 else None)
            for other in self._parts.measurements.running():
                if other.gauge == gauge and other.begun_by_itself and other.job_id is None:
                    await self._parts.measuring.discard(
                        other.id, "Thrown away: another was begun by a press."
                    )
            return await self._parts.measuring.begin(asked)

    async def press(self, entry: PressEntry) -> Pressed:
        """Do what the guide of the bench asks, once; raises `ConflictError` where it has gone on since."""
        async with self._pressing:
            context = self._context_now()
            if entry.token and entry.token != bench_token(context):
                raise ConflictError(
                    "pressed_already", "That was done already, by another screen or a press before."
                )
            action = _pressed(bench_guidance(context), entry.choice)
            await self._perform(action)
            self._parts.board.publish_guide()
            return Pressed(did=action.did, guide=bench_guide(self._context_now()))

    async def _perform(self, action: Action) -> None:
        """What one press does where no job is open."""
        measuring, view = self._parts.measuring, self._parts.board.measurement
        if action.dismiss or action.by_itself is not None:
            self._hands_free.answered()
        if action.begin:
            asked = MeasurementAsked(touches=action.begin, gauge=action.gauge or None)
            begun = await measuring.begin(asked, action.by_itself)
            self._hands_free.count_since(begun.start_ns)
        if view is None:
            return
        if action.discard:
            await measuring.discard(view.id, "Thrown away: the gauge was on something else.")
        if action.name:
            await measuring.name(view.id, action.name)
        if action.take_back:
            await measuring.take_back(view.id, TAKEN_BACK)


def _pressed(guidance: Guidance, choice: int) -> Action:
    """Give what a press does: the large button, or one of the choices beside it."""
    actions = [guidance.action, *(one.action for one in guidance.options)]
    action = actions[choice] if choice < len(actions) else None
    if action is None:
        raise ConflictError("nothing_to_press", f"There is nothing to press now. {guidance.sentence}")
    return action
