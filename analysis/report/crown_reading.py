"""What a gauge shows resting on the block's face, and on a crown at the piston's highest point, for the deck height.

The stand is left where it is between both: only the gauge is swung from the face to the crown. The highest point is read
off the piston's own curve over TDC, so that nobody has to stop there.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.base import (
    Component,
    Floats,
    GaugeFacts,
    Refusal,
    Streams,
    TdcSettings,
    Warn,
    expand,
    smallest_step,
)
from analysis.report.reading_off import Figure, rounded_u_mm
from analysis.tdc import find_tdc
from analysis.touching import recognise

_REST_S = 1.0
_FEWEST = 4
_RESTS_MM = 0.012
_RESTS_STEPS = 2.5
_USUAL_STEP_MM = 0.01


@dataclass(frozen=True, slots=True)
class CrownTop:
    """A crown's highest point under the gauge.

    Attributes
    ----------
    top_mm
        What the gauge shows there.
    polarity
        +1 where the reading grows as the piston rises.
    """

    top_mm: Figure
    polarity: int
    warnings: tuple[Warn, ...]

    def below_mm(self, face: Figure) -> Figure:
        """Give how far the crown stands below the face at its highest, negative where it is proud."""
        both = float(np.hypot(face.u95, self.top_mm.u95))
        return Figure(self.polarity * (face.value - self.top_mm.value), both)


def resting_reading(streams: Streams, gauge: GaugeFacts) -> Figure:
    """Give the place where the gauge rests now, from its last second.

    Raises
    ------
    Refusal
        ``gauge_not_at_rest``, where it moves, or said too little.
    """
    time_s, value = streams.gauge_time_s, streams.gauge_mm
    last = value[time_s >= time_s[-1] - _REST_S] if time_s.size else value
    step_mm = _step_mm(value, gauge)
    whole = time_s.size > 0 and float(time_s[-1] - time_s[0]) >= 0.8 * _REST_S
    if last.size < _FEWEST or not whole or np.ptp(last) > max(_RESTS_MM, _RESTS_STEPS * step_mm):
        raise Refusal(
            "gauge_not_at_rest",
            "The gauge does not rest: hold it still on the face beside the bore for two seconds, then press.",
        )
    sd = float(np.std(last, ddof=1))
    parts = [
        Component("scatter", sd / np.sqrt(last.size), last.size - 1.0),
        Component("step", rounded_u_mm(step_mm, sd**2)),
    ]
    return Figure(float(np.mean(last)), expand(parts).expanded)


def crown_top(streams: Streams, gauge: GaugeFacts, settings: TdcSettings | None = None) -> CrownTop:
    """Give what the gauge shows at the piston's highest point, from its way over TDC.

    Parameters
    ----------
    streams : Streams
        Crank and gauge since the gauge was set on the crown.

    Raises
    ------
    Refusal
        ``moves_like_a_valve``, ``gauge_does_not_move``, and what `analysis.tdc.find_tdc` refuses.
    """
    kind = recognise(streams, gauge).kind
    if kind == "valve":
        raise Refusal(
            "moves_like_a_valve",
            "This moves like a valve on its lobe, and no piston does so: set the gauge on the crown and turn again.",
        )
    if kind == "nothing":
        raise Refusal(
            "gauge_does_not_move",
            "Nothing moves the gauge: it is on no crown, tied up, or stands in the air at the piston's highest point.",
        )
    found = find_tdc(streams, settings or TdcSettings(), gauge)
    polarity, curve = found.polarity, found.curve
    assert curve is not None, "a trace as a whole has its curve"
    at = int(np.argmax(polarity * curve.lift_mm))
    parts = [
        Component("curve", float(curve.u_mm[at])),
        Component("step", rounded_u_mm(_step_mm(streams.gauge_mm, gauge), found.residual_sd_mm**2)),
        Component("retrace", gauge.stick_mm[1]),
    ]
    return CrownTop(Figure(float(curve.lift_mm[at]), expand(parts).expanded), polarity, tuple(found.warnings))


def _step_mm(value: Floats, gauge: GaugeFacts) -> float:
    return gauge.step_mm or min(smallest_step(value) or _USUAL_STEP_MM, _USUAL_STEP_MM)
