"""What does a gauge touch? Told from its reading over the crank's angle: surely, or not at all.

A piston turns round at its top every turn of the crank, and sharply: the circle there is the throw and a quarter of
it. A lobe does once in two turns and is blunter by half at least; which valve it lifts is told by where its nose stands
from overlap TDC. What the readings do not settle is never guessed: it has to be asked.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from analysis.base import Floats, GaugeFacts, Streams
from analysis.readings import without_late_lines
from analysis.timing import Valve, nearest
from analysis.touching.by_hand import last_moved_by_hand
from analysis.touching.top import Top, find_top

Kind = Literal["piston", "valve", "nothing", "by_hand", "unclear", "not_yet"]

PISTON_THROW_MM, LOBE_THROW_MM = 21.0, 17.0
"""Strokes from 36 mm with usual rods turn round on circles from 22 mm; lobes to 14 mm lift on circles to 14 mm.

Reckoned from the slider-crank and the lift laws; the ranges are common practice, no source.
"""
OWN_PISTON, OWN_LOBE = 0.75, 0.5
"""As a share of the circle that the engine's own piston would turn round on, where its stroke is known."""
THROW_AND_MORE = 1.27
NOSE_ATDC_DEG: dict[Valve, float] = {"inlet": 110.0, "exhaust": -110.0}
"""Where noses usually stand from overlap TDC; common practice, no source."""
NOSE_WITHIN_DEG = 50.0
CLEARLY_NEARER_DEG = 10.0
"""So much nearer to its own place than to that of any other cylinder's lobe a nose has to be."""
SAME_TDC_DEG, OTHER_TDC_DEG = 10.0, 25.0
STILL_TURN_DEG = 500.0
"""No base circle is as wide: a gauge that stood over as much of the cycle touches nothing that moves."""
STILL_MM = 0.06
NO_TOP_DEG = 820.0
"""From a flank on, a lobe comes to its whole top only on the next turn of the cam; after that a top was to be seen."""
WORST_MISFIT = 0.12
ROUND_THROW, LEAST_LIFT_MM = 0.7, 3.0
"""A part that is off its axis turns round on half of its swing, a lobe on most of it or more; an oval that is as blunt
is none of millimetres."""


@dataclass(frozen=True, slots=True)
class KnownZero:
    """What is known of the engine and its zero; `None` is unknown.

    Attributes
    ----------
    tdc_deg
        True TDC of the cylinder looked at, in the encoder's degrees, 0..360.
    overlap_tdc_deg
        The same of overlap TDC, 0..720.
    stroke_mm
    nose_deg
        Where the noses should stand by the card, crank degrees after overlap TDC.
    other_noses_deg
        Where those of the other cylinders should stand, told the same way.
    """

    tdc_deg: float | None = None
    overlap_tdc_deg: float | None = None
    stroke_mm: float | None = None
    nose_deg: tuple[tuple[Valve, float], ...] = tuple(NOSE_ATDC_DEG.items())
    other_noses_deg: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Touch:
    """What a gauge touches.

    Attributes
    ----------
    kind
        ``by_hand``: it moved while the crank stood; ``unclear``: it moves with the crank, and what it touches has to be
        asked; ``not_yet``: turned too little.
    valve
        Which one; `None` for a valve of which that cannot be told.
    centre_deg
        The crank's unwrapped angle at the top.
    turned_deg
        How much of the crank's way was looked at.
    """

    kind: Kind
    valve: Valve | None = None
    centre_deg: float | None = None
    turned_deg: float = 0.0

    @property
    def sure(self) -> bool:
        """Whether it is told surely; a valve, which one as well."""
        return self.kind in {"piston", "nothing", "by_hand"} or self.valve is not None


def recognise(streams: Streams, gauge: GaugeFacts | None = None, zero: KnownZero | None = None) -> Touch:
    """Tell what a gauge touches.

    Parameters
    ----------
    streams : Streams
        Crank and gauge since the gauge was set where it stands.
    gauge : GaugeFacts, optional
        Its lag and its step where they are known.
    """
    facts, known = gauge or GaugeFacts(), zero or KnownZero()
    turned = float(np.ptp(streams.crank_deg)) if streams.crank_deg.size else 0.0
    if streams.gauge_mm.size < 2:
        return Touch("not_yet", turned_deg=turned)
    noise = noise_of(streams.gauge_mm, facts.step_mm or 0.0)
    travel = float(np.ptp(streams.gauge_mm))
    if travel < max(STILL_MM, 8.0 * noise, 6.0 * (facts.step_mm or 0.0)):
        return Touch("nothing" if turned >= STILL_TURN_DEG else "not_yet", turned_deg=turned)
    if last_moved_by_hand(streams, least_mm=max(0.15, 10.0 * noise)) is not None:
        return Touch("by_hand", turned_deg=turned)
    return _by_top(find_top(without_late_lines(streams), facts.lag_s, noise), known, turned)


def unlike_a_round_part(
    streams: Streams, gauge: GaugeFacts | None = None
) -> Literal["piston", "valve"] | None:
    """Tell whether what should be a journal, flange, damper or face moves as a piston does, or as a valve on its lobe.

    A part off its axis by millimetres turns round every turn, too; but bluntly, and on every turn alike.

    Parameters
    ----------
    streams : Streams
        Crank and gauge since the gauge was set where it stands.
    gauge : GaugeFacts, optional
        Its lag and its step where they are known.

    Returns
    -------
    {"piston", "valve"} or None
        `None` where neither is sure.
    """
    facts = gauge or GaugeFacts()
    if streams.gauge_mm.size < 2:
        return None
    noise = noise_of(streams.gauge_mm, facts.step_mm or 0.0)
    top = find_top(without_late_lines(streams), facts.lag_s, noise)
    kind = None if top is None else _kind(top, KnownZero())
    if top is None or kind not in {"piston", "valve"}:
        return None
    swing = float(np.ptp(streams.gauge_mm))
    hump = swing >= LEAST_LIFT_MM and top.throw_mm >= ROUND_THROW * swing
    if kind == "piston":
        return "piston"
    return "valve" if top.repeats == "cycle" or hump else None


def _by_top(top: Top | None, known: KnownZero, turned_deg: float) -> Touch:
    if top is None:
        return Touch("unclear" if turned_deg >= NO_TOP_DEG else "not_yet", turned_deg=turned_deg)
    kind = _kind(top, known)
    valve = _which_valve(top.centre_deg, known) if kind == "valve" else None
    told = _this_piston(top, known) if kind == "piston" else kind
    return Touch(told, valve, top.centre_deg, turned_deg)


def noise_of(mm: Floats, step_mm: float) -> float:
    """Give what single readings wander: the smaller half of the changes from one to the next, or a step."""
    return max(float(np.percentile(np.abs(np.diff(mm)), 25)) if mm.size > 8 else 0.0, 0.5 * step_mm, 0.001)


def _kind(top: Top, known: KnownZero) -> Kind:
    """Let shape and repetition agree, and neither contradict where TDC is known to be."""
    if top.misfit > WORST_MISFIT or top.repeats == "mixed":
        return "unclear"
    by_shape = _by_shape(top, known)
    by_turns: Kind | None = {"turn": "piston", "cycle": "valve"}.get(top.repeats)  # type: ignore[assignment]
    if by_shape is None or (by_turns is not None and by_turns != by_shape):
        return "unclear"
    return by_shape


def _by_shape(top: Top, known: KnownZero) -> Literal["piston", "valve"] | None:
    if known.stroke_mm is None:
        least, most = PISTON_THROW_MM, LOBE_THROW_MM
    else:
        own = THROW_AND_MORE * known.stroke_mm / 2.0
        least, most = OWN_PISTON * own, min(OWN_LOBE * own, PISTON_THROW_MM)
    return "piston" if top.throw_mm >= least else "valve" if top.throw_mm <= most else None


def _this_piston(top: Top, known: KnownZero) -> Kind:
    """A piston's top is TDC; one that stands elsewhere is another cylinder's, or no piston."""
    tdc = known.tdc_deg if known.tdc_deg is not None else known.overlap_tdc_deg
    if tdc is None or abs(nearest(top.centre_deg - tdc, 360.0)) <= SAME_TDC_DEG:
        return "piston"
    return "unclear"


def _which_valve(centre_deg: float, known: KnownZero) -> Valve | None:
    """Tell a valve by where its nose stands from overlap TDC; from either TDC, where it is not known which is which."""
    zero, cycle = known.overlap_tdc_deg, 720.0
    if zero is None:
        zero, cycle = known.tdc_deg, 360.0
    if zero is None:
        return None
    off = {valve: abs(nearest(centre_deg - zero - at, cycle)) for valve, at in known.nose_deg}
    others = (abs(nearest(centre_deg - zero - at, cycle)) for at in known.other_noses_deg)
    nearest_other = min(others, default=360.0) - CLEARLY_NEARER_DEG
    near = [valve for valve, deg in off.items() if deg <= min(NOSE_WITHIN_DEG, nearest_other)]
    return near[0] if len(near) == 1 else None
