"""Disc and gauge readings typed in by a builder: the same numbers as from the streams, marked as by hand.

The uncertainty is the builder's own: how finely the disc is divided, how finely the gauge reads against the
slope there, and how far the pairs scatter. With few pairs the scatter is pooled with what the disc alone
would make, which counts as four more; errors of the disc do not average out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot, isfinite, sqrt
from statistics import fmean, pvariance

from analysis.base import STRICT, Refusal
from analysis.timing.angles import crank_angle_of, nearest
from analysis.timing.card import Valve
from analysis.timing.engine import CYCLE_DEG
from analysis.timing.facts import DropCentre, Event, LobeMeasured, TdcMeasured

DISC_DIVISION_DEG = 1.0
GAUGE_STEP_MM = 0.01
_POOLED_WITH = 4


@dataclass(frozen=True, slots=True)
class HandPair:
    """Two disc readings at which the gauge stood alike, either side of a dwell.

    Attributes
    ----------
    before_deg, after_deg
        As read, in the order they were met turning forward. True TDC: any disc degrees. Inlet: degrees ATDC;
        exhaust: degrees BTDC, so its first reading is the larger.
    drop_mm
        How far below the top both were taken; needed for a lobe's centre.
    lift_mm
        Instead, lift above the base circle at which both were taken: an opening and a closing.
    """

    __pydantic_config__ = STRICT
    before_deg: float
    after_deg: float
    drop_mm: float | None = None
    lift_mm: float | None = None


@dataclass(frozen=True, slots=True)
class HandTools:
    """How finely the builder's disc is divided and his gauge reads."""

    __pydantic_config__ = STRICT
    disc_division_deg: float = DISC_DIVISION_DEG
    gauge_step_mm: float = GAUGE_STEP_MM


USUAL_TOOLS = HandTools()


@dataclass(frozen=True, slots=True)
class HandTdc:
    """True TDC by hand, disc degrees 0..360; `u95_deg` expanded, k = 2."""

    centre_deg: float
    u95_deg: float
    pairs: tuple[HandPair, ...]
    midpoints_deg: tuple[float, ...]

    def fact(self, cylinder: str, measurement_id: str = "") -> TdcMeasured:
        """Return this as a fact of the job."""
        return TdcMeasured(cylinder, self.centre_deg, self.u95_deg, measurement_id, by_hand=True)


@dataclass(frozen=True, slots=True)
class HandLobe:
    """A lobe by hand: `centre_deg` 0..720 after overlap TDC of the reference cylinder, at `drop_mm`."""

    valve: Valve
    centre_deg: float
    drop_mm: float
    u95_deg: float
    peak_lift_mm: float | None
    pairs: tuple[HandPair, ...]
    midpoints_deg: tuple[float, ...]
    events: tuple[Event, ...]
    centres: tuple[DropCentre, ...]

    def fact(self, cylinder: str, measurement_id: str = "") -> LobeMeasured:
        """Return this as a fact of the job."""
        return LobeMeasured(
            cylinder,
            self.valve,
            self.centre_deg,
            self.drop_mm,
            self.u95_deg,
            measurement_id,
            peak_lift_mm=self.peak_lift_mm,
            events=self.events,
            centres=self.centres,
            by_hand=True,
        )


def tdc_by_hand(pairs: Sequence[HandPair], tools: HandTools = USUAL_TOOLS) -> HandTdc:
    """Return true TDC from pairs of equal gauge readings either side of it.

    Raises
    ------
    Refusal
        No pair, a pair that is none, or pairs that contradict each other.

    Examples
    --------
    >>> tdc_by_hand([HandPair(0, 12)]).centre_deg
    6.0
    """
    _refuse_tools(tools)
    _refuse_pairs(pairs)
    spans = [(pair.after_deg - pair.before_deg) % 360 for pair in pairs]
    _refuse_wide(spans, 180, "TDC")
    middles = [(pair.before_deg + span / 2) % 360 for pair, span in zip(pairs, spans, strict=True)]
    away = [nearest(middle - middles[0], 360) for middle in middles]
    _refuse_scatter(away, "TDC")
    centre = (middles[0] + fmean(away)) % 360
    u = _u_of(away, spans, [pair.drop_mm for pair in pairs], tools)
    return HandTdc(centre, 2 * u, tuple(pairs), tuple(middles))


def lobe_by_hand(
    valve: Valve,
    pairs: Sequence[HandPair],
    *,
    drop_mm: float,
    tools: HandTools = USUAL_TOOLS,
    tdc_u95_deg: float = 0.0,
    peak_lift_mm: float | None = None,
    firing_offset_deg: float = 0.0,
    read_forward: bool = True,
) -> HandLobe:
    """Return a lobe from pairs of equal gauge readings, in the card's own words.

    Parameters
    ----------
    drop_mm
        Drop at which the centre is wanted; at least one pair must have been taken there.
    tdc_u95_deg
        Expanded uncertainty of the true TDC that the disc is set to.
    read_forward
        False where one side was read turning back: then the drive's slack is in it.

    Examples
    --------
    >>> lobe_by_hand("inlet", [HandPair(98, 118, drop_mm=0.5)], drop_mm=0.5).centre_deg
    108.0
    """
    _refuse_backward(read_forward)
    _refuse_tools(tools)
    _refuse_pairs(pairs)
    spans = [_span(valve, pair) for pair in pairs]
    _refuse_wide(spans, 400, "the lobe")
    middles = [_middle(valve, pair, firing_offset_deg) for pair in pairs]
    centres = _centres(pairs, spans, middles, tools, tdc_u95_deg / 2)
    wanted = next((one for one in centres if abs(one.drop_mm - drop_mm) <= 0.02), None)
    if wanted is None:
        raise Refusal(
            "no_pair_at_drop",
            f"No pair was taken {drop_mm:g} mm below full lift, where the card means its number. Take one "
            "there.",
        )
    return HandLobe(
        valve,
        wanted.centre_deg,
        wanted.drop_mm,
        2 * wanted.u_deg,
        peak_lift_mm,
        tuple(pairs),
        tuple(middles),
        _events(pairs, spans, middles, tools, tdc_u95_deg / 2),
        tuple(centres),
    )


def _refuse_backward(read_forward: bool) -> None:
    if not read_forward:
        raise Refusal(
            "read_backward",
            "One side was read turning back, so the drive's slack is in the number. Come to it again from "
            "well before it, and read both sides turning forward.",
        )


def _refuse_tools(tools: HandTools) -> None:
    if not 0 < tools.disc_division_deg <= 10 or not 0 < tools.gauge_step_mm <= 0.2:
        raise Refusal(
            "tools_impossible",
            f"A disc divided by {tools.disc_division_deg:g} deg and a gauge of {tools.gauge_step_mm:g} mm "
            "cannot be. Enter one division of each.",
        )


def _refuse_pairs(pairs: Sequence[HandPair]) -> None:
    if not pairs:
        raise Refusal("no_pairs", "No pair of equal readings was entered. Enter at least one.")
    for place, pair in enumerate(pairs, 1):
        numbers = (pair.before_deg, pair.after_deg, pair.drop_mm or 0.0, pair.lift_mm or 0.0)
        if not all(isfinite(number) and abs(number) <= CYCLE_DEG for number in numbers):
            raise Refusal("pair_impossible", f"Pair {place} holds a number that cannot be. Enter it again.")
        if min(numbers[2:]) < 0 or max(numbers[2:]) > 25:
            raise Refusal(
                "pair_impossible",
                f"Pair {place}: drop and lift are in mm, more than 0 and no more than a lobe's lift. "
                "Correct it.",
            )
        if pair.before_deg == pair.after_deg:
            raise Refusal(
                "pair_impossible",
                f"Pair {place} has the same angle twice. The gauge stands alike before and after the dwell.",
            )


def _refuse_wide(spans: Sequence[float], widest_deg: float, what: str) -> None:
    for place, span in enumerate(spans, 1):
        if not 0 < span < widest_deg:
            raise Refusal(
                "pair_reversed",
                f"Pair {place} does not lie either side of {what}, the first met first turning forward. See "
                "the order and the side of TDC of both readings.",
            )


def _refuse_scatter(away: Sequence[float], what: str) -> None:
    if max(away) - min(away) > 5:
        raise Refusal(
            "pairs_disagree",
            f"The pairs put {what} {max(away) - min(away):.1f} deg apart. One was misread or the disc "
            "slipped: take them again.",
        )


def _span(valve: Valve, pair: HandPair) -> float:
    """Degrees from the first to the second, turning forward."""
    size = pair.after_deg - pair.before_deg
    return size if valve == "inlet" else -size


def _middle(valve: Valve, pair: HandPair, firing_offset_deg: float) -> float:
    return crank_angle_of(valve, (pair.before_deg + pair.after_deg) / 2, firing_offset_deg)


def _u_of(
    away: Sequence[float], spans: Sequence[float], drops: Sequence[float | None], tools: HandTools
) -> float:
    """Standard uncertainty of a mean of midpoints.

    The disc is read to half a division at either end and is the same disc for every pair; the gauge is set to
    a step, against a slope that follows from the pair itself: near a dwell the drop grows with the square.
    """
    disc = tools.disc_division_deg / 2 / sqrt(3) / sqrt(2)
    half_step = tools.gauge_step_mm / sqrt(12) / sqrt(2)
    gauges = [
        half_step * (span / 2) / (2 * drop)
        for span, drop in zip(spans, drops, strict=True)
        if drop is not None
    ]
    gauge = max(gauges, default=0.25 * tools.disc_division_deg)
    count = len(away)
    scatter = sqrt((_POOLED_WITH * disc**2 + count * pvariance(away)) / (_POOLED_WITH + count - 1))
    return hypot(disc, gauge / sqrt(count), scatter / sqrt(count))


def _centres(
    pairs: Sequence[HandPair],
    spans: Sequence[float],
    middles: Sequence[float],
    tools: HandTools,
    tdc_u_deg: float,
) -> list[DropCentre]:
    """One centre for each drop, from all its pairs."""
    centres = []
    for drop in sorted({pair.drop_mm for pair in pairs if pair.drop_mm is not None}):
        at = [place for place, pair in enumerate(pairs) if pair.drop_mm == drop]
        away = [nearest(middles[place] - middles[at[0]]) for place in at]
        _refuse_scatter(away, f"the centre {drop:g} mm below full lift")
        u = _u_of(away, [spans[place] for place in at], [drop] * len(at), tools)
        centres.append(DropCentre(drop, (middles[at[0]] + fmean(away)) % CYCLE_DEG, hypot(u, tdc_u_deg)))
    return centres


def _events(
    pairs: Sequence[HandPair],
    spans: Sequence[float],
    middles: Sequence[float],
    tools: HandTools,
    tdc_u_deg: float,
) -> tuple[Event, ...]:
    u = hypot(tools.disc_division_deg / 2 / sqrt(3), tdc_u_deg)
    return tuple(
        Event(pair.lift_mm, (middle - span / 2) % CYCLE_DEG, (middle + span / 2) % CYCLE_DEG, span, u, u)
        for pair, span, middle in zip(pairs, spans, middles, strict=True)
        if pair.lift_mm is not None
    )
