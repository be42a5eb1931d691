"""What is told of a measured lobe: its numbers with their uncertainties, its curve, its passes, its warnings."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.base import (
    ENCODER_LINE,
    CentreAtDrop,
    Component,
    Contribution,
    Curve,
    EqualReadings,
    Expanded,
    Floats,
    GaugeFacts,
    LiftEvents,
    LobeResult,
    LobeSettings,
    Pass,
    Warn,
    encoder_u_deg,
    expand,
)
from analysis.curve import CYCLE_DEG, ForwardReadings, LagPrior, LobeFit, Survey, shared_rounding_mm
from analysis.lobe.budget import UnseenClock, budget_of, retrace_u_deg
from analysis.lobe.changes import PassScatter
from analysis.lobe.faults import encoder_not_stated, refuse_shape, warnings_of
from analysis.lobe.passes import PassFit
from analysis.lobe.shape import LobeShape, Reading
from analysis.lobe.slack import Slack
from analysis.own_clock import UNEVEN_S
from analysis.readings import CheckedStreams, Sweep

_CURVE_STEP_DEG = 1.0
_WORTH_TELLING = 0.02
_NEAR_PEAK_MM = 0.1


@dataclass(frozen=True, slots=True)
class Measured:
    """Everything that the numbers are taken from."""

    checked: CheckedStreams
    readings: ForwardReadings
    sweeps: tuple[Sweep, ...]
    fit: LobeFit
    shape: LobeShape
    slack: Slack | None
    passes: tuple[PassFit, ...]
    prior: LagPrior


def lobe_result(
    found: Measured,
    settings: LobeSettings,
    gauge: GaugeFacts,
    scatter: PassScatter,
    moved: Floats | None = None,
) -> LobeResult:
    """Tell what a fit found.

    Parameters
    ----------
    moved : ndarray, optional
        By how much the unknowns moved last, where the fit has not settled: told as an uncertainty.

    Raises
    ------
    Refusal
        Where the curve does not carry the number asked for; see `analysis.lobe_faults.refuse_shape`.
    """
    fit, shape, base_u_mm = found.fit, found.shape, base_rounding_mm(found)
    centre = refuse_shape(fit, shape, settings.drop_mm)
    peak, full = shape.peak(), shape.full_lift()
    tell = _Teller(fit.survey, settings, gauge)
    unsettled_deg = 0.0 if moved is None else abs(float(centre.gradient @ moved))
    budget = _budget(found, settings, gauge, centre, unsettled_deg)
    expanded = expand(budget)
    u_deg = 0.5 * expanded.expanded
    centre_deg, full_deg = tell.phase(centre.value), tell.phase(full.value)
    return LobeResult(
        centre_deg=centre_deg,
        drop_mm=settings.drop_mm,
        u95_deg=expanded.expanded,
        full_lift_deg=full_deg,
        full_lift_u_deg=_together(
            full.u(fit.covariance),
            tell.from_tdc_u_deg(full.value),
            retrace_u_deg(shape, _NEAR_PEAK_MM, gauge),
        ),
        peak_lift_mm=peak.value,
        peak_lift_u_mm=_together(peak.u(fit.covariance), base_u_mm, (gauge.error_mm or 0.0) / np.sqrt(3.0)),
        slack_deg=None if found.slack is None else found.slack.slack_deg,
        slack_u_deg=None if found.slack is None else found.slack.u_deg,
        lag_s=fit.lag_s,
        lag_u_s=fit.lag_u_s,
        asymmetry_deg=centre.value - full.value,
        residual_sd_mm=float(np.sqrt(np.mean(fit.placed.residual_mm**2))),
        events=_events(found, settings, tell, base_u_mm),
        centres=_centres(found, settings, tell),
        equal_readings=_pairs(found, settings, tell),
        passes=_passes(found, centre, tell, u_deg),
        warnings=_warnings(found, scatter, settings, _encoder_u_deg(budget), expanded.expanded),
        budget=_told(budget, expanded),
        curve=_curve(fit, settings.tdc_deg, base_u_mm),
        polarity=fit.survey.polarity,
        max_slope_mm_deg=shape.largest_slope(),
        base_mm=None if fit.base_mm is None else fit.survey.polarity * fit.base_mm,
        centre_by_lag_deg_s=float(centre.gradient @ fit.covariance[-1]) / fit.lag_u_s**2,
    )


def _warnings(
    found: Measured, scatter: PassScatter, settings: LobeSettings, encoder_u_deg: float, u95_deg: float
) -> tuple[Warn, ...]:
    own = warnings_of(
        found.fit, found.shape, found.prior, scatter, found.slack, forward_only=settings.forward_only
    )
    return (*found.checked.warnings, *own, *encoder_not_stated(encoder_u_deg, settings, u95_deg))


def _budget(
    found: Measured, settings: LobeSettings, gauge: GaugeFacts, centre: Reading, unsettled_deg: float
) -> tuple[Component, ...]:
    clock = None
    jitter_s = found.prior.jitter_s or found.fit.noise.jitter_s
    if found.checked.ticks is None:
        if gauge.tick_s is not None:
            clock = UnseenClock((gauge.tick_s,), found.readings.time_s)
        elif jitter_s > UNEVEN_S:
            known = found.prior.jitter_s is not None or gauge.lag_s is not None
            clock = UnseenClock.behind(jitter_s, known, found.readings.time_s)
    return budget_of(
        found.fit,
        found.shape,
        centre,
        settings=settings,
        gauge=gauge,
        passes=found.passes,
        wander_s=found.prior.wander_s,
        unsettled_deg=unsettled_deg,
        unseen_clock=clock,
    )


@dataclass(frozen=True, slots=True)
class _Teller:
    """Turns phases of the fit into the degrees that are told, and says what lies between them and true TDC."""

    survey: Survey
    settings: LobeSettings
    gauge: GaugeFacts

    def phase(self, phase_deg: float) -> float:
        return float(np.mod(phase_deg + self.survey.start_deg - self.settings.tdc_deg, CYCLE_DEG))

    def from_tdc_u_deg(self, *phase_deg: float) -> float:
        """Of a place, or of the middle of two, from true TDC: TDC's own, and the encoder's over the turn."""
        places = [phase + self.survey.start_deg for phase in phase_deg]
        turn = encoder_u_deg(self.settings.encoder_error_deg, self.settings.tdc_deg, *places)
        return float(np.hypot(self.settings.tdc_u_deg, turn))


def _told(budget: tuple[Component, ...], whole: Expanded) -> tuple[Contribution, ...]:
    """The budget's lines, with one more for what few readings add, so that they are the interval."""
    lines = [Contribution(part.source, part.u) for part in budget]
    few = float(np.sqrt(max((0.5 * whole.expanded) ** 2 - whole.u**2, 0.0)))
    if few > _WORTH_TELLING * whole.u:
        lines.append(Contribution("few readings (Student's t)", few))
    return tuple(lines)


def _encoder_u_deg(budget: tuple[Component, ...]) -> float:
    return sum(part.u for part in budget if part.source == ENCODER_LINE)


def base_rounding_mm(found: Measured) -> float:
    """What the rounding that all readings on the base circle share leaves unknown of every lift."""
    fit = found.fit
    if fit.base_mm is None:
        return 0.0
    phase = fit.placed.phase_deg
    on_base = fit.placed.known & ((phase < fit.basis.first_deg) | (phase > fit.basis.last_deg))
    return shared_rounding_mm(fit.placed.residual_mm[on_base], fit.noise.step_mm)


def _together(*parts: float) -> float:
    return float(np.sqrt(np.sum(np.square(parts))))


def _events(
    found: Measured, settings: LobeSettings, tell: _Teller, base_u_mm: float
) -> tuple[LiftEvents, ...]:
    """Opening and closing at every check lift that both flanks reach; none where no base circle was seen."""
    if found.fit.base_mm is None:
        return ()

    def u_deg(event: Reading) -> float:
        """Of the fit, of the level it is told from, of the retrace between the two, and of the turn from TDC."""
        slope = abs(found.shape.at(event.value)[1])
        return _together(
            event.u(found.fit.covariance),
            base_u_mm / slope,
            2.0 * tell.gauge.stick_mm[1] / slope,
            tell.from_tdc_u_deg(event.value),
        )

    events = []
    for lift in settings.check_lifts_mm:
        opens, closes = (found.shape.at_level(lift, side, False) for side in (-1, 1))
        if opens is None or closes is None:
            continue
        opens_deg, closes_deg = tell.phase(opens.value), tell.phase(closes.value)
        duration_deg = closes.value - opens.value
        events.append(LiftEvents(lift, opens_deg, closes_deg, duration_deg, u_deg(opens), u_deg(closes)))
    return tuple(events)


def _centres(found: Measured, settings: LobeSettings, tell: _Teller) -> tuple[CentreAtDrop, ...]:
    drops = sorted({*settings.drops_mm, settings.drop_mm})
    found_at = [(drop, found.shape.centre_at_drop(drop)) for drop in drops]

    def u_deg(drop: float, at: Reading) -> float:
        """Standard uncertainty of an angle read at this lift, from the curve, the retrace and true TDC."""
        retrace = retrace_u_deg(found.shape, drop, tell.gauge)
        return _together(at.u(found.fit.covariance), retrace, tell.from_tdc_u_deg(at.value))

    return tuple(
        CentreAtDrop(drop, tell.phase(at.value), u_deg(drop, at)) for drop, at in found_at if at is not None
    )


def _pairs(found: Measured, settings: LobeSettings, tell: _Teller) -> tuple[EqualReadings, ...]:
    pairs = []
    for drop in sorted({*settings.drops_mm, settings.drop_mm}):
        pair = found.shape.pair_at_drop(drop)
        if pair is not None:
            before, after = pair[0].value, pair[1].value
            middle = tell.phase(0.5 * (before + after))
            pairs.append(EqualReadings(drop, tell.phase(before), tell.phase(after), middle))
    return tuple(pairs)


def _passes(found: Measured, centre: Reading, tell: _Teller, u_deg: float) -> tuple[Pass, ...]:
    """Forward passes with what each tells by itself, ways back as they were turned."""
    forward = [
        Pass(
            one.start_s,
            one.end_s,
            1,
            one.speed_deg_s,
            True,
            None if one.shift_deg is None else tell.phase(centre.value + one.shift_deg),
            None if one.shift_u_deg is None else float(np.hypot(one.shift_u_deg, u_deg)),
            None if one.offset_mm is None else found.shape.peak_mm + one.offset_mm,
        )
        for one in found.passes
    ]
    backward = [
        Pass(sweep.start_s, sweep.end_s, -1, sweep.speed_deg_s, False, None, None)
        for sweep in found.sweeps
        if sweep.direction < 0
    ]
    return tuple(sorted([*forward, *backward], key=lambda one: one.start_s))


def _curve(fit: LobeFit, tdc_deg: float, base_u_mm: float) -> Curve:
    """The curve every degree: the whole cycle where the base circle closes it, else what was seen."""
    closed = fit.survey.left_seen and fit.survey.right_seen
    if closed:
        crank: Floats = np.arange(0.0, CYCLE_DEG, _CURVE_STEP_DEG)
        phase = np.mod(crank + tdc_deg - fit.survey.start_deg, CYCLE_DEG)
    else:
        phase = np.arange(fit.basis.first_deg, fit.basis.last_deg, _CURVE_STEP_DEG)
        first = np.mod(phase[0] + fit.survey.start_deg - tdc_deg, CYCLE_DEG)
        crank = phase - phase[0] + first
    index, value = fit.basis.local(phase)
    own = fit.covariance[index[:, :, None], index[:, None, :]]
    variance = np.einsum("ij,ijk,ik->i", value, own, value)
    return Curve(crank, fit.lift_mm(phase), np.sqrt(np.maximum(variance, 0.0) + base_u_mm**2))
