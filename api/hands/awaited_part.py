"""A runout or an end float that was asked for before it is turned or pushed: told by itself once there is enough."""

from __future__ import annotations

import time
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from typing import Literal

from api.base import Body, ServiceError
from api.measure import EndFloatView, PartEntry, RunoutView
from capture.base import wire_now_ns

REST_S = 1.5
"""So long the crank rests after its last turn, or the gauge after its last push, before it is over."""
TWICE_ROUND_DEG = 715.0
PUSHED_AND_RESTED_S = 3.0
ENOUGH_EACH_WAY = 3
GIVEN_UP_S = 900.0
TRIED_EVERY_S = 0.5
STILL_TO_COME = {
    "not_a_whole_turn",
    "held_up",
    "not_pushed_both_ways",
    "pushed_slowly",
    "crank_turned",
    "nothing_heard",
}
"""What only says that there is not enough yet."""

Kind = Literal["runout", "end_float"]
State = Literal["waiting", "told", "refused", "given_up"]
SAID: dict[Kind, str] = {
    "runout": "Turn the crank slowly, twice round and a little more, and let it rest: it is told by itself.",
    "end_float": "Hold the crank. Push the shaft home and pull it out three times, half a second each, and let it rest: "
    "it is told by itself.",
}


class AwaitedView(Body):
    """What is waited for, or came of it: the result, or why there is none."""

    kind: Kind
    part: str
    gauge: str
    state: State
    sentence: str
    turned_deg: float = 0.0
    runout: RunoutView | None = None
    end_float: EndFloatView | None = None


@dataclass(slots=True)
class Awaited:
    """One that is waited for.

    Attributes
    ----------
    since_ns
        Only what was turned or pushed since then counts.
    """

    kind: Kind
    entry: PartEntry
    part: str
    gauge: str
    since_ns: int
    view: AwaitedView = field(init=False)
    tried_s: float = 0.0

    def __post_init__(self) -> None:
        self.view = AwaitedView(
            kind=self.kind, part=self.part, gauge=self.gauge, state="waiting", sentence=SAID[self.kind]
        )

    @property
    def waits(self) -> bool:
        """Whether it is still to come."""
        return self.view.state == "waiting"

    def becomes(self, **fields: object) -> None:
        """Show something else from now on."""
        self.view = self.view.model_copy(update=fields)

    def give_up(self, why: str) -> None:
        """Wait no longer."""
        if self.waits:
            self.becomes(state="given_up", sentence=why)

    def due(self) -> bool:
        """Whether it may be tried again; one that nobody came back to is given up."""
        if self.waits and (wire_now_ns() - self.since_ns) / 1e9 > GIVEN_UP_S:
            self.give_up("Given up: for a quarter of an hour there was not enough. Begin again.")
        if not self.waits or time.monotonic() - self.tried_s < TRIED_EVERY_S:
            return False
        self.tried_s = time.monotonic()
        return True

    async def try_to_tell(self, told: Callable[[], Awaitable[RunoutView | EndFloatView | None]]) -> None:
        """Tell it; what is not enough yet is waited for on."""
        try:
            view = await told()
        except ServiceError as error:
            if error.code not in STILL_TO_COME:
                self.becomes(state="refused", sentence=error.message)
            elif error.code == "held_up":
                self.becomes(sentence=error.message)
            return
        if view is None:
            return
        kept = view.kept.sentence if view.kept else ""
        self.becomes(state="told", sentence=f"{view.words} {kept}".strip(), **{self.kind: view})
