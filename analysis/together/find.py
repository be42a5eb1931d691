"""True TDC and lobes from several gauges read in the same turns, each lobe told from the TDC found beside it.

One gauge stands on the piston, the others on valves of the same cylinder. What all share, the crank's readings, is
the same for each, so nothing can move between TDC and lobes but what the passes themselves show. Where the gauges
are alike they share their lag too: each estimator is told what the others tell of it, and what remains unknown of
it moves TDC and lobes one way on forward turns, and so cancels, for the most part, in the angle from one to the
other (GUM, JCGM 100:2008, 5.2: correlated inputs).

An encoder that runs unevenly over its turn shows in no reading; its stated limit goes into every angle between two.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from analysis.base import (
    ENCODER_LINE,
    Contribution,
    Floats,
    GaugeFacts,
    LobeResult,
    LobeSettings,
    Refusal,
    Streams,
    TdcResult,
    TdcSettings,
    Warn,
    encoder_u_deg,
)
from analysis.lobe import encoder_not_stated, find_lobe
from analysis.readings import TYPICAL_LAG_S, TYPICAL_LAG_U_S, lag_prior
from analysis.tdc import find_tdc
from analysis.timing import CYCLE_DEG, Valve, full_lift_of, nearest
from analysis.together.budget import (
    Centre,
    angle_between,
    budget_from,
    moved,
    net_lag_u,
    with_lag,
    with_more_u,
)
from analysis.together.overlap import overlap_tdc_of, refuse_unbracketed
from analysis.together.shared_lag import LagPrior, LagWitness, doubt_alike, join_lags, witness_of

USUAL_UNLIKE_S = 0.001
"""How far the lags of two gauges of one kind are taken to differ, one standard deviation: our own bench's figure."""

_FEWEST_GAUGES = 2
_LAG_MATTERS = 0.5


@dataclass(frozen=True, slots=True)
class GaugeOn:
    """One gauge, its readings as they arrived, and what it touches.

    Attributes
    ----------
    valve : {"inlet", "exhaust"} or None
        The kind of valve whose lobe it follows; `None`: it stands on the piston.
    time_s, reading_mm : ndarray, shape (m,)
    """

    name: str
    valve: Valve | None
    time_s: Floats
    reading_mm: Floats
    facts: GaugeFacts = field(default_factory=GaugeFacts)


@dataclass(frozen=True, slots=True)
class TogetherSettings:
    """What is known of the engine and asked of the lobes.

    Attributes
    ----------
    lobe : LobeSettings
        Its `tdc_deg` and `tdc_u_deg` are not used.
    unlike_u_s : float or None
        Where the gauges are alike (one maker and kind, read in one way): how far two of them differ in lag, one
        standard deviation. `None`: nothing is known of one from the other.
    """

    tdc: TdcSettings = field(default_factory=TdcSettings)
    lobe: LobeSettings = field(default_factory=LobeSettings)
    unlike_u_s: float | None = None


@dataclass(frozen=True, slots=True)
class LobeFromTdc:
    """One lobe from overlap TDC: `lobe`'s angles and uncertainties are those, 0 to 720.

    `apart_u95_deg` is what the expanded uncertainty would be, were TDC and lobe measured apart.
    """

    gauge: str
    valve: Valve
    lobe: LobeResult
    apart_u95_deg: float

    @property
    def card_deg(self) -> float:
        """The centre as a cam card says it: inlet ATDC, exhaust BTDC."""
        return full_lift_of(self.valve, self.lobe.centre_deg)


@dataclass(frozen=True, slots=True)
class Separation:
    """From an exhaust lobe's centre to an inlet lobe's, without TDC.

    `cam_deg` is half the crank degrees from one to the other; `u95_cam_deg` its expanded uncertainty, k = 2.
    """

    inlet: str
    exhaust: str
    cam_deg: float
    u95_cam_deg: float


@dataclass(frozen=True, slots=True)
class TogetherResult:
    """Everything found in the same turns.

    Attributes
    ----------
    piston : str
        Name of the gauge on the piston.
    tdc : TdcResult
        In the trace's crank degrees.
    overlap_tdc_deg : float
        Which of the two is overlap TDC: the trace's crank degrees, 0 to 720.
    lobes, separations
    warnings : tuple of Warn
        Those of several gauges; the rest stand with TDC or the lobe that they are of.
    """

    piston: str
    tdc: TdcResult
    overlap_tdc_deg: float
    lobes: tuple[LobeFromTdc, ...]
    separations: tuple[Separation, ...]
    warnings: tuple[Warn, ...] = field(default=())


def find_together(
    crank_time_s: Floats, crank_deg: Floats, gauges: Sequence[GaugeOn], settings: TogetherSettings
) -> TogetherResult:
    """Find true TDC and every lobe's centre from it.

    Parameters
    ----------
    crank_time_s, crank_deg : ndarray, shape (n,)
        As in `Streams`; turned forward over TDC, the noses and TDC again.
    gauges : sequence of GaugeOn
        One on the piston, the others on valves of the same cylinder, on one clock with the crank.
    Raises
    ------
    Refusal
        Whatever an estimator refuses, with the gauge's name; `which_gauge_where`, `lags_differ`, and those of
        `analysis.overlap`.
    """
    piston, valves = _placed(gauges)
    ordered = (piston, *valves)
    crank = _Crank(crank_time_s, crank_deg, settings)
    found = [crank.ask(gauge, gauge.facts) for gauge in ordered]
    at = [(gauge.name, _valve(gauge), one.centre_deg) for gauge, one in zip(valves, found[1:], strict=True)]
    tdc = _tdc_of(found[0])
    overlap = overlap_tdc_of(tdc.centre_deg, at)
    refuse_unbracketed(crank_time_s, crank_deg, tdc, [(name, centre) for name, _, centre in at])
    asked = settings.lobe
    if settings.unlike_u_s is None:
        return _result(ordered, found, overlap, np.eye(len(ordered)), asked)
    prior = _prior_of(ordered, settings.unlike_u_s)
    witnesses = [_witness(gauge, one) for gauge, one in zip(ordered, found, strict=True)]
    doubt = doubt_alike([gauge.name for gauge in ordered], witnesses, settings.unlike_u_s)
    if doubt is not None:
        apart = _result(ordered, found, overlap, np.eye(len(ordered)), asked)
        return replace(apart, warnings=(doubt,))
    lags = join_lags(witnesses, prior)
    again = [crank.ask(gauge, lags.facts(gauge.facts, k)) for k, gauge in enumerate(ordered)]
    agreed = [with_lag(one, *lags.of(k)) for k, one in enumerate(again)]
    overlap += nearest(agreed[0].centre_deg - overlap, 360.0)
    return _result(ordered, agreed, overlap, lags.correlations, asked)


@dataclass(frozen=True, slots=True)
class _Crank:
    """The crank that all gauges share, and what is asked of it."""

    time_s: Floats
    deg: Floats
    settings: TogetherSettings

    def ask(self, gauge: GaugeOn, facts: GaugeFacts) -> TdcResult | LobeResult:
        """Let the estimator of what the gauge touches find its centre; a refusal names the gauge."""
        streams = Streams(self.time_s, self.deg, gauge.time_s, gauge.reading_mm)
        try:
            if gauge.valve is None:
                return find_tdc(streams, self.settings.tdc, facts)
            return find_lobe(streams, _alone(self.settings.lobe), facts)
        except Refusal as refusal:
            raise Refusal(refusal.code, f"Gauge {gauge.name}: {refusal.message}") from refusal


def _alone(lobe: LobeSettings) -> LobeSettings:
    """A lobe by itself: what the way from TDC adds is added when TDC is known."""
    return replace(lobe, tdc_deg=0.0, tdc_u_deg=0.0, encoder_error_deg=0.0)


def _prior_of(gauges: Sequence[GaugeOn], unlike_u_s: float) -> LagPrior:
    """One lag known before for all of them; without one, what gauges usually show."""
    given = {(gauge.facts.lag_s, gauge.facts.lag_u_s) for gauge in gauges if gauge.facts.lag_s is not None}
    if len(given) > 1:
        raise Refusal(
            "lags_differ", "The gauges are said to be alike, but different lags are given: give one for all."
        )
    for lag_s, u_s in given:
        return LagPrior(*lag_prior(GaugeFacts(lag_s, u_s)), unlike_u_s)
    return LagPrior(TYPICAL_LAG_S, TYPICAL_LAG_U_S, unlike_u_s)


def _witness(gauge: GaugeOn, result: TdcResult | LobeResult) -> LagWitness:
    if any(warning.code == "lag_not_as_given" for warning in result.warnings):
        return LagWitness(result.lag_s, 1.0 / result.lag_u_s**2)
    return witness_of(result.lag_s, result.lag_u_s, *lag_prior(gauge.facts))


def _placed(gauges: Sequence[GaugeOn]) -> tuple[GaugeOn, list[GaugeOn]]:
    pistons = [gauge for gauge in gauges if gauge.valve is None]
    valves = [gauge for gauge in gauges if gauge.valve is not None]
    if len(pistons) != 1 or len(gauges) < _FEWEST_GAUGES or len({one.name for one in gauges}) < len(gauges):
        raise Refusal(
            "which_gauge_where",
            f"One gauge has to stand on the piston and at least one on a valve, each named once; there "
            f"are {len(pistons)} on the piston and {len(valves)} on valves.",
        )
    return pistons[0], valves


def _result(
    gauges: Sequence[GaugeOn],
    found: Sequence[TdcResult | LobeResult],
    overlap_deg: float,
    correlations: Floats,
    asked: LobeSettings,
) -> TogetherResult:
    """Tell every lobe from the TDC found beside it: what both have in common drops out of the angle between them."""
    centres = [Centre.of(one) for one in found]
    lobes = [
        _from_tdc(
            gauge,
            _lobe_of(found[k]),
            overlap_deg,
            (centres[0], centres[k], float(correlations[0, k])),
            asked,
        )
        for k, gauge in enumerate(gauges)
        if gauge.valve is not None
    ]
    separations = tuple(
        _separation(one, other, angle_between(centres[i], centres[j], float(correlations[i, j])), asked)
        for i, one in enumerate(lobes, 1)
        for j, other in enumerate(lobes, 1)
        if one.valve == "inlet" and other.valve == "exhaust"
    )
    return TogetherResult(
        gauges[0].name, _tdc_of(found[0]), overlap_deg % CYCLE_DEG, tuple(lobes), separations
    )


def _from_tdc(
    gauge: GaugeOn,
    lobe: LobeResult,
    overlap_deg: float,
    pair: tuple[Centre, Centre, float],
    asked: LobeSettings,
) -> LobeFromTdc:
    """One lobe told from overlap TDC, its interval that of the angle between the two."""
    turn_u = encoder_u_deg(asked.encoder_error_deg, overlap_deg, lobe.centre_deg)
    told = with_more_u(moved(lobe, -overlap_deg), math.hypot(angle_between(*pair), turn_u))
    kept = tuple(warning for warning in lobe.warnings if not _needless(warning, *pair))
    budget = budget_from(lobe.budget, *pair)
    if turn_u:
        budget = (*budget, Contribution(ENCODER_LINE, turn_u))
    unstated = encoder_not_stated(turn_u, asked, told.u95_deg)
    told = replace(told, budget=budget, warnings=(*kept, *unstated))
    return LobeFromTdc(
        gauge.name, _valve(gauge), told, 2.0 * math.hypot(pair[0].u_deg, pair[1].u_deg, turn_u)
    )


def _needless(warning: Warn, tdc: Centre, lobe: Centre, shared: float) -> bool:
    """Whether a lobe's warning of an unknown lag is answered by what it has in common with TDC."""
    if warning.code != "lag_not_found":
        return False
    return net_lag_u(tdc, lobe, shared) < _LAG_MATTERS * angle_between(tdc, lobe, shared)


def _separation(inlet: LobeFromTdc, exhaust: LobeFromTdc, u_deg: float, asked: LobeSettings) -> Separation:
    apart = float(np.mod(inlet.lobe.centre_deg - exhaust.lobe.centre_deg, CYCLE_DEG))
    turn_u = encoder_u_deg(asked.encoder_error_deg, exhaust.lobe.centre_deg, inlet.lobe.centre_deg)
    return Separation(inlet.gauge, exhaust.gauge, 0.5 * apart, math.hypot(u_deg, turn_u))


def _valve(gauge: GaugeOn) -> Valve:
    assert gauge.valve is not None  # it stands on a valve
    return gauge.valve


def _tdc_of(result: TdcResult | LobeResult) -> TdcResult:
    assert isinstance(result, TdcResult)  # the piston's gauge was asked
    return result


def _lobe_of(result: TdcResult | LobeResult) -> LobeResult:
    assert isinstance(result, LobeResult)  # a valve's gauge was asked
    return result
