"""Which of the two TDCs of a cycle is overlap TDC, told by where its lobes stand; and was the crank seen to hold."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from analysis.base import Floats, Refusal, TdcResult
from analysis.timing import CYCLE_DEG, Valve, full_lift_of

# Inlet lobes stand 100 to 120 degrees after overlap TDC, exhaust lobes as much before it: seen in published figures
# for many engines. A cam fitted three teeth out is still within this.
_NEAREST_DEG, _FARTHEST_DEG = 45.0, 180.0


def overlap_tdc_of(tdc_deg: float, lobes: Sequence[tuple[str, Valve, float]]) -> float:
    """Tell overlap TDC from firing TDC.

    Parameters
    ----------
    tdc_deg : float
        Either of the two, in the trace's crank degrees.
    lobes : sequence of (gauge, valve, centre in the trace's crank degrees)

    Returns
    -------
    float
        Overlap TDC in the trace's crank degrees, 0 to 720.

    Raises
    ------
    Refusal
        `lobe_not_of_this_cylinder`, `overlap_contradicted`.
    """
    told = {name: _told_by(name, valve, centre, tdc_deg) for name, valve, centre in lobes}
    if len(set(told.values())) > 1:
        raise Refusal(
            "overlap_contradicted",
            f"Gauges {' and '.join(told)} do not agree which TDC is the overlap one: they stand on valves of different "
            "cylinders. Set all gauges on the cylinder whose piston is measured.",
        )
    return next(iter(told.values()))


def _told_by(name: str, valve: Valve, centre_deg: float, tdc_deg: float) -> float:
    for overlap in (tdc_deg, tdc_deg + 360.0):
        if _NEAREST_DEG <= full_lift_of(valve, centre_deg - overlap) <= _FARTHEST_DEG:
            return overlap % CYCLE_DEG
    side = "after" if valve == "inlet" else "before"
    one, other = sorted(full_lift_of(valve, centre_deg - tdc_deg - turn) % CYCLE_DEG for turn in (0.0, 360.0))
    raise Refusal(
        "lobe_not_of_this_cylinder",
        f"The {valve} lobe under gauge {name} stands {one:.0f} degrees {side} one TDC and {other:.0f} {side} the "
        "other, where none can be: see which valve and which piston the gauges stand on, and which is which.",
    )


def refuse_unbracketed(
    crank_time_s: Floats, crank_deg: Floats, tdc: TdcResult, lobes: Sequence[tuple[str, float]]
) -> None:
    """Refuse a lobe that was not passed between two passes of TDC: a slip between them would not be seen.

    Raises
    ------
    Refusal
        `lobe_not_between_tdcs`.
    """
    passed = [0.5 * (one.start_s + one.end_s) for one in tdc.passes if one.used]
    first, last = min(passed, default=np.inf), max(passed, default=-np.inf)
    good = np.isfinite(crank_deg) & np.isfinite(crank_time_s)
    time_s, deg = crank_time_s[good], crank_deg[good]
    for name, centre_deg in lobes:
        turned = np.diff(np.floor((deg - centre_deg) / CYCLE_DEG)) != 0.0
        at_s = time_s[1:][turned]
        if not np.any((at_s > first) & (at_s < last)):
            raise Refusal(
                "lobe_not_between_tdcs",
                f"The lobe under gauge {name} was not passed between two passes of TDC, so an encoder that slipped "
                "from one to the other would not show: turn on until the piston has passed TDC again.",
            )
