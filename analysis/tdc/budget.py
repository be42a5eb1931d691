"""What each cause adds to the uncertainty of true TDC (GUM, JCGM 100:2008, clauses 5 and 8)."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis.base import (
    ENCODER_LINE,
    RETRACE_LINE,
    Component,
    Expanded,
    Floats,
    GaugeFacts,
    Pass,
    Prior,
    crowding,
    expand,
    limit_u,
)
from analysis.tdc.fit import CENTRE, LAG, OFFSET, PLAY, RATIO, STICK, WANDER, PistonFit
from analysis.tdc.misfit import Coherence

# The part of a gauge's stated error that differs between plunger going in and coming out: retrace over whole range
# in JIS B 7503:2011 is 0.18 to 0.38 (read from a catalogue extract).
_RETRACE_SHARE = 1.0 / 3.0
_HARMONICS = (1.0, 2.0, 3.0)
_LEAST_FREEDOM = 1.0
_WORTH_TELLING = 0.02


@dataclass(frozen=True, slots=True)
class Budget:
    """The itemised budget and its sum; the root of the sum of squares of `components` times 2 is `u95_deg`."""

    components: tuple[Component, ...]
    told: Expanded

    @property
    def u95_deg(self) -> float:
        """Expanded uncertainty of the centre, degrees."""
        return self.told.expanded


def budget_of(
    fit: PistonFit,
    prior: Prior,
    *,
    gauge: GaugeFacts,
    passes: Sequence[Pass],
    coherence: Coherence,
    encoder_error_deg: float = 0.0,
    rival_clock_deg: float = 0.0,
) -> Budget:
    """Itemise the uncertainty of a centre and expand it.

    Parameters
    ----------
    fit : PistonFit
        With the covariance that is to be told.
    gauge : GaugeFacts
        For the stated error.
    passes : sequence of Pass
        Each with its own centre where it has one.
    coherence : Coherence
        How far stretches of readings stand off the fit.
    encoder_error_deg : float
        The encoder's limit of error over its turn.
    rival_clock_deg : float
        Half of how far off the centre lies by another clock of the gauge that explains the readings as well.
    """
    parts = _matched(list(_from_fit(fit, prior)), float(fit.covariance[CENTRE, CENTRE]))
    readings_u = math.sqrt(math.fsum(part.u**2 for part in parts if part.source in _OF_READINGS))
    stated = [
        Component("gauge error", _gauge_error_u(fit, gauge)),
        Component(ENCODER_LINE, _encoder_u(fit, encoder_error_deg)),
    ]
    between = _between_passes(fit, passes, readings_u)
    parts = [_or_by_a_rival(part, rival_clock_deg) for part in parts]
    parts += [*stated, between, _misfit(readings_u, coherence, [*stated, between])]
    told = expand(parts)
    few = math.sqrt(max((0.5 * told.expanded) ** 2 - told.u**2, 0.0))
    if few > _WORTH_TELLING * told.u:
        parts.append(Component("few readings (Student's t)", few))
    return Budget(tuple(part for part in parts if part.u > 0.0), told)


_CLOCK_LINE = "clock of the gauge"
_OF_READINGS = (
    "gauge step",
    "jitter of the lag",
    "encoder count",
    "lines read late",
    "other scatter of the readings",
)


def _from_fit(fit: PistonFit, prior: Prior) -> Iterator[Component]:
    """Split the centre's variance into what the readings and what the knowledge before them add."""
    row, noise = fit.covariance[CENTRE], fit.noise
    gains2 = ((fit.model.jacobian @ row) * fit.weight) ** 2
    freedom = max(float(np.sum(fit.robust)) - fit.freedom_used, _LEAST_FREEDOM)
    slope = fit.model.slope_mm_deg
    moved = np.diff(fit.model.angle_deg) * 0.5 * (slope[1:] + slope[:-1])
    step2 = crowding(moved, noise.step_mm) * noise.step_mm**2 / 12.0
    shared2 = step2 - noise.step_mm**2 / 12.0

    def part(variance_mm2: Floats | float) -> float:
        return math.sqrt(float(np.sum(gains2 * variance_mm2)))

    yield Component("gauge step", part(step2))
    yield Component("jitter of the lag", part((noise.jitter_s * fit.model.rate_mm_s) ** 2), freedom)
    late2 = (fit.readings.late_s * fit.model.rate_mm_s) ** 2
    yield Component("encoder count", part(np.maximum(fit.known_mm**2 - shared2 - late2, 0.0)))
    yield Component("lines read late", part(late2))
    yield Component("other scatter of the readings", part(noise.extra_mm**2), freedom)
    names = {
        LAG: "gauge lag as known before",
        RATIO: "rod ratio",
        OFFSET: "pin offset",
        STICK: RETRACE_LINE,
        PLAY: "play between crank and encoder",
        WANDER: _CLOCK_LINE,
    }
    for index, name in names.items():
        yield Component(name, math.sqrt(float(row[index] ** 2 * prior.precision[index])))


def _or_by_a_rival(part: Component, rival_deg: float) -> Component:
    return replace(part, u=math.hypot(part.u, rival_deg)) if part.source == _CLOCK_LINE else part


def _matched(parts: list[Component], variance_deg2: float) -> list[Component]:
    """Make the parts add up to the variance told, which averaging over lags and pin offsets may have widened."""
    found = math.fsum(part.u**2 for part in parts)
    if found < variance_deg2:
        return [
            *parts,
            Component("lag and pin offset that readings do not tell", math.sqrt(variance_deg2 - found)),
        ]
    shrink = math.sqrt(variance_deg2 / found)
    return [replace(part, u=shrink * part.u) for part in parts]


def _between_passes(fit: PistonFit, passes: Sequence[Pass], readings_u: float) -> Component:
    """How much more the passes scatter than their readings do (Birge).

    Chance alone makes as much of it half the time, and then it is small; a computer that was busy for a second and read late
    for so long leaves no more to be seen with so few passes, and then it is what there is to tell.
    """
    alone = [(one.centre_deg, one.u_deg) for one in passes if one.centre_deg is not None and one.u_deg]
    freedom = len(alone) - 1
    if freedom < 1:
        return Component("pass to pass", 0.0)
    off = [(centre - float(fit.values[CENTRE]) + 180.0) % 360.0 - 180.0 for centre, _ in alone]
    chi_square = math.fsum((o / u) ** 2 for o, (_, u) in zip(off, alone, strict=True))
    beyond = max(chi_square / freedom - 1.0, 0.0)
    return Component("pass to pass", readings_u * math.sqrt(beyond), float(freedom))


def _misfit(readings_u: float, coherence: Coherence, told: Sequence[Component]) -> Component:
    """What stretches of readings stand off the curve by (Birge), but for what has a line of its own.

    A gauge or an encoder that is out by what is stated bends the curve, too: it is the same error seen twice.
    """
    beyond2 = readings_u**2 * (coherence.widening - 1.0) - math.fsum(part.u**2 for part in told)
    freedom = max(coherence.stretches - 4.0, _LEAST_FREEDOM)
    return Component("misfit of the curve", math.sqrt(max(beyond2, 0.0)), freedom)


def _gauge_error_u(fit: PistonFit, gauge: GaugeFacts) -> float:
    """What the stated error can do: retrace, and an error that varies along the plunger's travel.

    An error that only depends on where the plunger stands is alike on both sides of the top, and halves out but
    for unlike numbers of readings. Retrace is not: the plunger goes in before the top and comes out after it; it
    halves out only when the crank is turned both ways. The wave along the travel may have any height up to the limit,
    begin anywhere, and be of any of several lengths: the root of the mean square over all of these is told.
    """
    if not gauge.error_mm:
        return 0.0
    gains = _gains(fit)
    retrace = 0.0  # stated by itself, it has a line of its own
    if gauge.retrace_mm is None and gauge.found_retrace_mm is None:
        retrace = float(gains @ np.sign(fit.model.rate_mm_s)) * _RETRACE_SHARE
    reading = fit.readings.gauge_mm
    place = 2.0 * np.pi * (reading - reading.min()) / max(float(np.ptp(reading)), 1e-9)
    waves = np.exp(1j * np.multiply.outer(_HARMONICS, place)) @ gains
    along = math.sqrt(0.5 * float(np.mean(np.abs(waves) ** 2)))
    return limit_u(gauge.error_mm) * math.hypot(retrace, along)


def _encoder_u(fit: PistonFit, limit_deg: float) -> float:
    """What an encoder that is out over its turn does to readings either side of the top, beside moving the top itself."""
    if not limit_deg:
        return 0.0
    turned = _gains(fit) * fit.model.slope_mm_deg
    angle = np.radians(fit.folded_deg)
    return 0.5 * limit_deg * float(np.hypot(turned @ (np.cos(angle) - 1.0), turned @ np.sin(angle)))


def _gains(fit: PistonFit) -> Floats:
    """How far the centre follows each reading, degrees a millimetre."""
    return np.asarray((fit.model.jacobian @ fit.covariance[CENTRE]) * fit.weight)
