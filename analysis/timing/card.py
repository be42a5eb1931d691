"""The cam card: what a maker says of his cam, frozen, JSON-able through `analysis.plain`.

Angles are crank degrees unless the name says ``cam_deg``; lengths are mm.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

from analysis.base import STRICT

Valve = Literal["inlet", "exhaust"]
Way = Literal["full_lift", "equal_lift", "events", "lift_at_tdc", "equal_overlap_lift", "separation"]
"""How a card's numbers are meant.

full_lift           middle of equal readings near the nose, at a stated drop below full lift
equal_lift          middle of the equal-lift pair at a check lift above the base circle
events              opening and closing at a check lift
lift_at_tdc         valve lift at overlap TDC
equal_overlap_lift  inlet and exhaust lift alike at overlap TDC
separation          lobe separation (cam degrees) and advance (crank degrees) of a single cam
"""


@dataclass(frozen=True, slots=True)
class LobeCard:
    """What a card says of one valve's lobes. Signs as cards have them.

    Attributes
    ----------
    full_lift_deg
        Inlet ATDC, exhaust BTDC.
    drop_mm
        Drop below full lift at which the card's `full_lift_deg` is meant (way ``full_lift``).
    opens_deg, closes_deg
        Inlet: opens BTDC, closes ABDC. Exhaust: opens BBDC, closes ATDC. Other side of the centre: negative.
    check_lift_mm
        Lift at which events or the equal-lift middle are quoted.
    lift_mm
        Full lift at `lift_at`; valve lift is lobe lift times `rocker_ratio`, less the clearance.
    """

    __pydantic_config__ = STRICT
    full_lift_deg: float | None = None
    drop_mm: float | None = None
    opens_deg: float | None = None
    closes_deg: float | None = None
    duration_deg: float | None = None
    check_lift_mm: float | None = None
    lift_mm: float | None = None
    lift_at: Literal["valve", "lobe"] = "valve"
    lift_at_tdc_mm: float | None = None
    checking_clearance_mm: float | None = None
    running_clearance_mm: float | None = None
    rocker_ratio: float = 1.0

    @property
    def at_the_lobe(self) -> LobeCard:
        """The same with its lengths at the lobe: valve lift is lobe lift times ratio, less the clearance."""
        at_lobe, clearance = self.lift_at == "lobe", self.checking_clearance_mm or 0.0

        def lobes(mm: float | None, *, is_there: bool = at_lobe) -> float | None:
            """A lift of the card as the lobe has it."""
            return mm if mm is None or is_there else (mm + clearance) / self.rocker_ratio

        return replace(
            self,
            drop_mm=self.drop_mm if self.drop_mm is None or at_lobe else self.drop_mm / self.rocker_ratio,
            check_lift_mm=lobes(self.check_lift_mm),
            lift_mm=lobes(self.lift_mm),
            lift_at_tdc_mm=lobes(self.lift_at_tdc_mm, is_there=False),
            lift_at="valve",
            checking_clearance_mm=None,
            rocker_ratio=1.0,
        )


@dataclass(frozen=True, slots=True)
class CamCard:
    """A cam card, kept and reused. `way` says how its numbers are meant.

    `separation_cam_deg` and `advance_deg` (crank degrees: half of exhaust BTDC less inlet ATDC) belong to the
    way ``separation``.
    """

    __pydantic_config__ = STRICT
    name: str
    way: Way
    inlet: LobeCard | None = None
    exhaust: LobeCard | None = None
    tolerance_deg: float = 1.0
    separation_cam_deg: float | None = None
    advance_deg: float | None = None
    maker: str = ""
    note: str = ""

    def lobe(self, valve: Valve) -> LobeCard | None:
        """Return the half of the card for `valve`, `None` where the card does not speak of it."""
        return self.inlet if valve == "inlet" else self.exhaust
