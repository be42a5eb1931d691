"""Moves of the hand as they are written in scripts and sent over the control address.

Angles called ``crank_deg`` are true crank degrees, 0 to 720 from cylinder 1's overlap TDC; ``encoder_deg`` is
what the counter has shown, unwrapped: its count (plus a half) times 360 over the counts a turn.
"""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from simulated_devices.machine.hand import Hand

Speed = Annotated[float, Field(ge=0.5, le=720.0)]
Angle = Annotated[float, Field(ge=-1e7, le=1e7, allow_inf_nan=False)]

_NEEDS = {
    "turn_to": ("crank_deg", "encoder_deg"),
    "turn_by": ("by_deg",),
    "turns": ("count",),
    "rock": ("crank_deg", "encoder_deg"),
    "steps": ("by_deg",),
    "hold": ("seconds",),
    "sweep": (),
}


class Move(BaseModel):
    """One move.

    Attributes
    ----------
    do
        ``turn_to`` an angle (``way`` forward unless said), ``turn_by`` degrees, ``turns`` a count, ``rock``
        over an angle by ``half_width_deg`` to either side ``times`` times, ``steps`` by degrees with a pause
        after each ``step_deg``, ``hold`` still for ``seconds``, ``sweep`` on until told to stop.
    past_deg
        With ``turn_to`` backward: go that far past and come again forward, so that the slack is taken up.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    do: Literal["turn_to", "turn_by", "turns", "rock", "steps", "hold", "sweep"]
    crank_deg: Angle | None = None
    encoder_deg: Angle | None = None
    by_deg: Annotated[float, Field(ge=-36000.0, le=36000.0)] | None = None
    count: Annotated[float, Field(ge=-100.0, le=100.0)] | None = None
    way: Literal["forward", "backward", "nearest"] | None = None
    past_deg: Annotated[float, Field(ge=0.0, le=360.0)] = 0.0
    half_width_deg: Annotated[float, Field(gt=0.0, le=180.0)] = 45.0
    times: Annotated[int, Field(ge=1, le=100)] = 2
    step_deg: Annotated[float, Field(gt=0.0, le=180.0)] = 5.0
    pause_s: Annotated[float, Field(ge=0.0, le=60.0)] = 0.8
    seconds: Annotated[float, Field(ge=0.0, le=600.0)] | None = None
    speed_deg_s: Speed | None = None

    @model_validator(mode="after")
    def _says_where(self) -> Self:
        needed = _NEEDS[self.do]
        given = [key for key in needed if getattr(self, key) is not None]
        if needed and len(given) != 1:
            raise ValueError(f"a move {self.do!r} needs {' or '.join(needed)}; give one of them")
        return self

    def add_to(self, hand: Hand, encoder_zero_deg: float) -> Hand:
        """Append this move to a course being built."""
        speed = self.speed_deg_s
        if self.do == "turn_to":
            target = self._target_deg(hand, encoder_zero_deg)
            hand.to(target - self.past_deg if target < hand.angle_deg else hand.angle_deg, speed)
            return hand.to(target, speed)
        if self.do == "rock":
            about = self._target_deg(hand, encoder_zero_deg)
            return hand.rock(about, self.half_width_deg, self.times, (speed,) if speed else ())
        if self.do == "steps":
            return hand.steps(hand.angle_deg + (self.by_deg or 0.0), self.step_deg, self.pause_s, speed)
        if self.do == "hold":
            return hand.pause(self.seconds or 0.0)
        return hand.by(self._by_deg(), speed)

    def _by_deg(self) -> float:
        if self.do == "sweep":
            return 36000.0
        return 360.0 * self.count if self.count is not None else self.by_deg or 0.0

    def _target_deg(self, hand: Hand, encoder_zero_deg: float) -> float:
        """The angle aimed at, unwrapped."""
        if self.encoder_deg is not None:
            return encoder_zero_deg + self.encoder_deg
        ahead = ((self.crank_deg or 0.0) - hand.angle_deg) % 720.0
        way = self.way or ("nearest" if self.do == "rock" else "forward")
        if way == "backward" or (way == "nearest" and ahead > 360.0):
            ahead -= 720.0
        return hand.angle_deg + ahead
