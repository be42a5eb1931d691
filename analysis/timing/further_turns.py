"""What further turns, at this speed or another, would bring to an interval: told from the budget that stands now.

Readings of a pass at a speed `v` are as many as 1 / v, and each that comes early or late by a jitter is off by `v` times
it: what jitter leaves of a pass grows with the cube of the speed as a variance, all other scatter with the speed. A lag
moves a pass by `v` times its error, so that a pass at another speed tells the lag, too. Limits of instruments, the
retrace that is not known, true TDC and the encoder stay, however much is turned.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analysis.base import LobeResult, TdcResult

# What few readings add goes as fast as the jitter that they show badly.
_JITTER = frozenset({"jitter of the lag", "few readings (Student's t)"})
_SCATTER = frozenset(
    {
        "gauge step",
        "encoder count",
        "other scatter of the readings",
        "smoothing of the curve",
        "misfit of the curve",
        "pass to pass",
        # Ages come to their mean over many of its beats: the slower a pass, the more of them.
        "clock of the gauge",
    }
)
_OF_LAG = frozenset({"lag", "gauge lag as known before", "lag and pin offset that readings do not tell"})
_PASSES_AWAY = frozenset({"not settled yet"})
_LOBE_TURNS_A_PASS, _TDC_TURNS_A_PASS = 2, 1
# Speeds that a hand can be asked for, degrees a second, and how many more turns. Common practice, no source.
_SLOWER_DEG_S = (90.0, 60.0, 45.0, 30.0, 20.0)
_WORTH_SLOWING = 0.8
_MOST_PASSES = 6


@dataclass(frozen=True, slots=True)
class Outlook:
    """An interval as it stands, and what it is made of; all uncertainties are standard ones, in crank degrees.

    Attributes
    ----------
    u95_deg : float
        As told now.
    speed_deg_s : float
        Of the passes that count so far, their mean.
    passes : int
        How many there are.
    turns_a_pass : int
        Turns of the crank from one to the next.
    jitter_u_deg, scatter_u_deg, lag_u_deg, stays_u_deg : float
        What goes with the cube of the speed, with the speed, with the lag; and what no turning takes away.
    lag_u_s : float
        Standard uncertainty of the lag.
    stays_most : str
        The largest of what stays, as the budget names it.
    """

    u95_deg: float
    speed_deg_s: float
    passes: int
    turns_a_pass: int
    jitter_u_deg: float
    scatter_u_deg: float
    lag_u_deg: float
    stays_u_deg: float
    lag_u_s: float
    stays_most: str = ""

    def u95_after(self, turns: float, speed_deg_s: float | None = None) -> float:
        """Tell the expanded uncertainty after so many turns more, at this speed or another.

        Examples
        --------
        >>> now = Outlook(0.4, 60.0, 2, 2, 0.2, 0.0, 0.0, 0.0, 0.0)
        >>> round(now.u95_after(4.0), 3), round(now.u95_after(4.0, 30.0), 3)
        (0.283, 0.133)
        """
        slower = 1.0 if speed_deg_s is None else speed_deg_s / self.speed_deg_s
        more = turns / (self.turns_a_pass * self.passes)
        now2 = self.jitter_u_deg**2 + self.scatter_u_deg**2
        if now2 <= 0.0 or more <= 0.0:
            return self.u95_deg
        then2 = (self.jitter_u_deg**2 * slower**3 + self.scatter_u_deg**2 * slower) / more
        pull = self.lag_u_deg / self.lag_u_s if self.lag_u_s > 0.0 else 0.0
        moved2 = _centre_variance((now2, pull), (then2, pull * slower), self.lag_u_s)
        return min(self.u95_deg, 2.0 * math.sqrt(moved2 + self.stays_u_deg**2))


@dataclass(frozen=True, slots=True)
class Advice:
    """What would bring an interval to what is wanted, or nearest to it: so many turns more, as now or more slowly.

    `slower_deg_s` and `slower_u95_deg` are `None` where the crank is turned slowly enough as it is.
    """

    turns: int
    u95_deg: float
    slower_deg_s: float | None = None
    slower_u95_deg: float | None = None


def advice(now: Outlook, wanted_u95_deg: float) -> Advice:
    """Choose the fewest turns more that bring what is wanted, at this speed; and the least slowing that does."""
    passes = next(
        (n for n in range(1, _MOST_PASSES + 1) if now.u95_after(n * now.turns_a_pass) <= wanted_u95_deg),
        _MOST_PASSES,
    )
    turns = passes * now.turns_a_pass
    slower = [one for one in _SLOWER_DEG_S if one < _WORTH_SLOWING * now.speed_deg_s]
    if not slower:
        return Advice(turns, now.u95_after(turns))
    few = now.turns_a_pass
    chosen = next((one for one in slower if now.u95_after(few, one) <= wanted_u95_deg), slower[-1])
    if now.u95_after(few, chosen) <= wanted_u95_deg:
        turns = few
    return Advice(turns, now.u95_after(turns), chosen, now.u95_after(turns, chosen))


def _centre_variance(first: tuple[float, float], second: tuple[float, float], lag_u_s: float) -> float:
    """Variance of a centre out of two groups of passes, each with its variance and how a lag moves it."""
    (a2, a_by), (b2, b_by) = first, second
    known = 1.0 / lag_u_s**2 if lag_u_s > 0.0 else 1e30
    centre, lag = 1.0 / a2 + 1.0 / b2, a_by**2 / a2 + b_by**2 / b2 + known
    both = a_by / a2 + b_by / b2
    return lag / (centre * lag - both**2)


def outlook(result: TdcResult | LobeResult) -> Outlook | None:
    """Take a result's budget apart by what further turning does to it; `None` where no pass stands alone yet."""
    alone = [one for one in result.passes if one.used and one.centre_deg is not None]
    speeds = [abs(one.speed_deg_s) for one in alone]
    if not alone or min(speeds) <= 0.0 or not result.budget:
        return None
    parts = {line.source: line.u_deg for line in result.budget}
    stays = {name: u for name, u in parts.items() if name not in _JITTER | _SCATTER | _OF_LAG | _PASSES_AWAY}

    def of(names: frozenset[str]) -> float:
        return math.sqrt(math.fsum(u**2 for name, u in parts.items() if name in names))

    return Outlook(
        u95_deg=result.u95_deg,
        speed_deg_s=float(np.mean(speeds)),
        passes=len(alone),
        turns_a_pass=_LOBE_TURNS_A_PASS if isinstance(result, LobeResult) else _TDC_TURNS_A_PASS,
        jitter_u_deg=of(_JITTER),
        scatter_u_deg=of(_SCATTER),
        lag_u_deg=of(_OF_LAG),
        stays_u_deg=math.sqrt(math.fsum(u**2 for u in stays.values())),
        lag_u_s=result.lag_u_s,
        stays_most=max(stays, key=lambda name: stays[name], default=""),
    )
