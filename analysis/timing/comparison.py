"""A measured lobe or cam against its card: the card's own way, at the card's own lift, or not at all."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import hypot

from analysis.timing.angles import crank_angle_of, error_of, events_on_crank, full_lift_of, full_lifts_of
from analysis.timing.card import LobeCard, Valve, Way
from analysis.timing.engine import Cam, Job, Lobe, cam_words
from analysis.timing.facts import Event, LobeMeasured
from analysis.timing.verdict import NotComparable, Verdict, judge

SAME_LIFT_MM = 0.02
"""Two drops or check lifts this near are one: 0.020 in against 0.5 mm."""

LEAST_DROP_IN_USE_MM, LARGEST_DROP_IN_USE_MM = 0.5, 2.0
"""Drops below full lift at which cards are made: common practice."""

SLOPE_CHANGES = 0.15
"""Share by which a flank's slope may change over a small error; calculated for lobes of 8 to 12 mm."""

WRONG_STROKE_DEG = 300.0
WRONG_LOBE_DEG = 60.0


@dataclass(frozen=True, slots=True)
class TimingError:
    """Measured less card, crank degrees, positive = late; in `way`, at `at_mm` (drop or check lift).

    `measured` and `card` are in the card's own terms: degrees ATDC or BTDC, or mm for lift at TDC.
    """

    error_deg: float
    u95_deg: float
    way: Way
    at_mm: float | None
    measured: float
    card: float


@dataclass(frozen=True, slots=True)
class CamError:
    """The error of a whole cam and of each of its lobes.

    `separation_error_cam_deg` is what the grinder left on a single cam: measured less card, cam degrees.
    """

    error_deg: float
    u95_deg: float
    lobes: tuple[tuple[Lobe, TimingError], ...]
    separation_error_cam_deg: float | None = None

    def verdict(self, tolerance_deg: float) -> Verdict:
        """Return the cam's verdict against a tolerance."""
        return judge(self.error_deg, self.u95_deg, tolerance_deg)


def lobe_error(job: Job, measured: LobeMeasured) -> TimingError:
    """Return how far a measured lobe stands from its card.

    Raises
    ------
    NotComparable
        Where the card was made in another way or at another lift, does not say, or speaks of another lobe.
    """
    card = _half_card(job, measured.valve)
    _refuse_another_lobe(job, measured)
    compare = _LOBE_WAYS.get(job.card.way)
    if compare is None:
        raise NotComparable("way_of_whole_cam", "This card's way speaks of a whole cam, not of one lobe.")
    return compare(job, card, measured)


def cam_error(job: Job, cam: Cam, measured: Sequence[LobeMeasured]) -> CamError:
    """Return how far a cam stands from its card, from one measurement of each of its reference lobes.

    A single cam is judged by the lobe that the job aims at, or by the mean of both (``share``).

    Parameters
    ----------
    measured : sequence of LobeMeasured
        At least one of each reference lobe.

    Raises
    ------
    NotComparable
        Where one is missing, or the card's way cannot be held against what was measured.
    """
    by_lobe = {Lobe(one.cylinder, one.valve): one for one in measured}
    missing = [lobe.words for lobe in job.engine.reference_lobes(cam) if lobe not in by_lobe]
    if missing:
        raise NotComparable("not_measured", f"Not measured yet: {', '.join(missing)}.")
    if job.card.way == "separation":
        return _by_separation(job, cam, by_lobe)
    if job.card.way == "equal_overlap_lift":
        return _by_overlap(job, cam, by_lobe)
    return _by_lobes(job, cam, by_lobe)


def expected_crank_deg(job: Job, lobe: Lobe) -> float | None:
    """Return where the card puts a lobe's centre on the crank, 0..720; `None` where it does not say."""
    full_lift = _card_full_lift(job, lobe.valve)
    if full_lift is None:
        return None
    return crank_angle_of(lobe.valve, full_lift, job.engine.firing_offset_deg(lobe.cylinder))


def _card_full_lift(job: Job, valve: Valve) -> float | None:
    card = job.card_at_gauge.lobe(valve)
    if job.card.way == "separation" and job.card.separation_cam_deg is not None:
        inlet, exhaust = full_lifts_of(job.card.separation_cam_deg, job.card.advance_deg or 0.0)
        return inlet if valve == "inlet" else exhaust
    if card is None:
        return None
    if card.full_lift_deg is None and card.opens_deg is not None and card.closes_deg is not None:
        opens, closes = events_on_crank(valve, card.opens_deg, card.closes_deg)
        return full_lift_of(valve, opens + ((closes - opens) % 720) / 2)
    return card.full_lift_deg


def _half_card(job: Job, valve: Valve) -> LobeCard:
    card = job.card_at_gauge.lobe(valve)
    if card is None:
        raise NotComparable(
            "card_is_silent", f"Card {job.card.name} says nothing of the {valve} lobes. Complete the card."
        )
    return card


def _refuse_another_lobe(job: Job, measured: LobeMeasured) -> None:
    """A lobe a turn off, or where another one should be, is not judged."""
    lobe = Lobe(measured.cylinder, measured.valve)
    expected = expected_crank_deg(job, lobe)
    if expected is None:
        return
    off = error_of(measured.centre_deg, expected)
    if abs(off) > WRONG_STROKE_DEG:
        raise NotComparable(
            "wrong_stroke",
            f"{lobe.words.capitalize()} stands {abs(off):.0f} deg from its card, about one turn: the other "
            "TDC is the overlap one. Go back to the stroke.",
        )
    if abs(off) > WRONG_LOBE_DEG:
        raise NotComparable(
            "wrong_lobe",
            f"{lobe.words.capitalize()} stands {abs(off):.0f} deg from its card{_looks_like(job, measured)}. "
            "See which valve the gauge is on.",
        )


def _looks_like(job: Job, measured: LobeMeasured) -> str:
    near = [
        lobe.words
        for cam in job.engine.cams
        for cylinder in job.engine.served_by(cam)
        for lobe in (Lobe(cylinder, valve) for valve in cam.valves)
        if (there := expected_crank_deg(job, lobe)) is not None
        and abs(error_of(measured.centre_deg, there)) < WRONG_LOBE_DEG / 2
    ]
    return f"; it is where {' or '.join(near)} should be" if near else ""


def _in_card_words(job: Job, measured: LobeMeasured, crank_deg: float) -> float:
    offset = job.engine.firing_offset_deg(measured.cylinder)
    return full_lift_of(measured.valve, crank_deg, offset)


def _angle_error(
    job: Job, measured: LobeMeasured, crank_deg: float, *, u95_deg: float, at_mm: float, card_deg: float
) -> TimingError:
    offset = job.engine.firing_offset_deg(measured.cylinder)
    error = error_of(crank_deg, crank_angle_of(measured.valve, card_deg, offset))
    found = _in_card_words(job, measured, crank_deg)
    return TimingError(error, u95_deg, job.card.way, at_mm, found, card_deg)


def _full_lift_error(job: Job, card: LobeCard, measured: LobeMeasured) -> TimingError:
    if card.full_lift_deg is None:
        raise NotComparable("card_is_silent", f"Card {job.card.name} gives no lobe centre for this lobe.")
    if card.drop_mm is None:
        return _drop_not_stated(job, card.full_lift_deg, measured)
    centre, u95 = _centre_at(card.drop_mm, measured)
    return _angle_error(job, measured, centre, u95_deg=u95, at_mm=card.drop_mm, card_deg=card.full_lift_deg)


def _centre_at(drop_mm: float, measured: LobeMeasured) -> tuple[float, float]:
    if abs(measured.drop_mm - drop_mm) <= SAME_LIFT_MM:
        return measured.centre_deg, measured.u95_deg
    for one in measured.centres:
        if abs(one.drop_mm - drop_mm) <= SAME_LIFT_MM:
            return one.centre_deg, 2 * one.u_deg
    raise NotComparable(
        "other_drop",
        f"The card's centre is meant {drop_mm:.2f} mm below full lift; this one was taken "
        f"{measured.drop_mm:.2f} mm below. Measure it at {drop_mm:.2f} mm.",
    )


def _drop_not_stated(job: Job, card_deg: float, measured: LobeMeasured) -> TimingError:
    """Compare all the same where the flanks are alike enough; how unlike they are widens the interval."""
    slope = _drop_matters_deg(measured)
    if slope > job.tolerance / 2:
        raise NotComparable(
            "drop_not_stated",
            f"The flanks of this lobe differ: its middle moves by {slope:.1f} deg with the drop it is taken at, "
            f"and card {job.card.name} does not say at which its number was taken. Ask the cam maker.",
        )
    u95 = hypot(measured.u95_deg, slope)
    return _angle_error(
        job, measured, measured.centre_deg, u95_deg=u95, at_mm=measured.drop_mm, card_deg=card_deg
    )


def _drop_matters_deg(measured: LobeMeasured) -> float:
    """How far the centre may lie from this one for want of a stated drop: full lift, or any drop in use.

    Full lift counts only beyond what it is uncertain by, which on a flat nose is a degree and more.
    """
    beyond = abs(measured.asymmetry_deg or 0.0) - 2 * (measured.full_lift_u_deg or 0.0)
    moved = [
        abs(error_of(one.centre_deg, measured.centre_deg))
        for one in measured.centres
        if LEAST_DROP_IN_USE_MM <= one.drop_mm <= LARGEST_DROP_IN_USE_MM
    ]
    return max(0.0, beyond, *moved)


def _check_lift(card: LobeCard) -> float:
    if card.check_lift_mm is None:
        raise NotComparable(
            "check_lift_not_stated",
            "The card does not say at which lift its angles were taken, so they cannot be compared. Ask the "
            "cam maker.",
        )
    if card.lift_at == "valve":
        return card.check_lift_mm
    return card.check_lift_mm * card.rocker_ratio - (card.checking_clearance_mm or 0.0)


def _event_at(card: LobeCard, measured: LobeMeasured) -> Event:
    lift = _check_lift(card)
    for event in measured.events:
        if abs(event.lift_mm - lift) <= SAME_LIFT_MM:
            return event
    raise NotComparable(
        "other_check_lift",
        f"The card's angles are meant at {lift:.2f} mm of valve lift, and this lobe was not measured there. "
        f"Measure it with a check lift of {lift:.2f} mm.",
    )


def _u95_of_middle(event: Event, measured: LobeMeasured) -> float:
    if event.u_opens_deg is None or event.u_closes_deg is None:
        return measured.u95_deg
    return hypot(event.u_opens_deg, event.u_closes_deg)  # 2 x half of the root sum of squares


def _equal_lift_error(job: Job, card: LobeCard, measured: LobeMeasured) -> TimingError:
    if card.full_lift_deg is None:
        raise NotComparable("card_is_silent", f"Card {job.card.name} gives no middle for this lobe.")
    event = _event_at(card, measured)
    middle = event.opens_deg + event.duration_deg / 2
    u95 = _u95_of_middle(event, measured)
    return _angle_error(job, measured, middle, u95_deg=u95, at_mm=event.lift_mm, card_deg=card.full_lift_deg)


def _events_error(job: Job, card: LobeCard, measured: LobeMeasured) -> TimingError:
    if card.opens_deg is None or card.closes_deg is None:
        raise NotComparable("card_is_silent", f"Card {job.card.name} gives no events for this lobe.")
    event = _event_at(card, measured)
    middle = event.opens_deg + event.duration_deg / 2
    card_middle = _card_full_lift_from_events(measured.valve, card.opens_deg, card.closes_deg)
    u95 = _u95_of_middle(event, measured)
    return _angle_error(job, measured, middle, u95_deg=u95, at_mm=event.lift_mm, card_deg=card_middle)


def _card_full_lift_from_events(valve: Valve, opens_deg: float, closes_deg: float) -> float:
    opens, closes = events_on_crank(valve, opens_deg, closes_deg)
    return full_lift_of(valve, opens + ((closes - opens) % 720) / 2)


def _lift_at_tdc(measured: LobeMeasured) -> tuple[float, float, float]:
    lift, slope = measured.lift_at_tdc_mm, measured.lift_at_tdc_slope_mm_deg
    if lift is None or not slope:
        raise NotComparable(
            "no_lift_at_tdc",
            "The lift at TDC was not measured on this lobe, or the valve is shut there. Measure two full "
            "turns.",
        )
    return lift, measured.lift_at_tdc_u_mm or 0.0, slope


def _lift_at_tdc_error(job: Job, card: LobeCard, measured: LobeMeasured) -> TimingError:
    if card.lift_at_tdc_mm is None:
        raise NotComparable("card_is_silent", f"Card {job.card.name} gives no lift at TDC for this lobe.")
    lift, u_lift, slope = _lift_at_tdc(measured)
    error = (card.lift_at_tdc_mm - lift) / slope
    u95 = _u95_by_slope(2 * u_lift / abs(slope), error)
    return TimingError(error, u95, job.card.way, None, lift, card.lift_at_tdc_mm)


def _u95_by_slope(u95_deg: float, error_deg: float) -> float:
    """The slope changes along the flank, so a large error by lift is known less well than a small one."""
    return hypot(u95_deg, SLOPE_CHANGES * error_deg)


def _by_lobes(job: Job, cam: Cam, by_lobe: Mapping[Lobe, LobeMeasured]) -> CamError:
    errors = tuple((lobe, lobe_error(job, by_lobe[lobe])) for lobe in job.engine.reference_lobes(cam))
    if len(errors) == 1:
        only = errors[0][1]
        return CamError(only.error_deg, only.u95_deg, errors)
    return _timed_by(job, errors)


def _timed_by(job: Job, errors: tuple[tuple[Lobe, TimingError], ...]) -> CamError:
    """Judge a single cam by the lobe that the job aims at, or by the mean of both."""
    by_valve = {lobe.valve: error for lobe, error in errors}
    inlet, exhaust = by_valve["inlet"], by_valve["exhaust"]
    left = (inlet.error_deg - exhaust.error_deg) / 2
    if job.single_cam_aim == "share":
        mean = (inlet.error_deg + exhaust.error_deg) / 2
        return CamError(mean, _u95_of_mean(inlet, exhaust), errors, left)
    aimed = by_valve[job.single_cam_aim]
    return CamError(aimed.error_deg, aimed.u95_deg, errors, left)


def _u95_of_mean(inlet: TimingError, exhaust: TimingError) -> float:
    """Both rest on one TDC, so their uncertainties do not average out."""
    return (inlet.u95_deg + exhaust.u95_deg) / 2


def _both_lobes(
    job: Job, cam: Cam, by_lobe: Mapping[Lobe, LobeMeasured]
) -> tuple[LobeMeasured, LobeMeasured]:
    if len(cam.valves) < 2:
        raise NotComparable(
            "only_single_cam",
            f"Card {job.card.name} is meant for a single cam, and the {cam_words(cam.name)} opens only "
            f"{cam.valves[0]} valves. Use a card with its full-lift angle.",
        )
    by_valve = {lobe.valve: one for lobe, one in by_lobe.items()}
    return by_valve["inlet"], by_valve["exhaust"]


def _by_separation(job: Job, cam: Cam, by_lobe: Mapping[Lobe, LobeMeasured]) -> CamError:
    pair = _both_lobes(job, cam, by_lobe)
    if job.card.separation_cam_deg is None:
        raise NotComparable("card_is_silent", f"Card {job.card.name} gives no lobe separation.")
    errors = []
    for one in pair:
        _refuse_another_lobe(job, one)
        expected = _card_full_lift(job, one.valve)
        assert expected is not None  # the separation is there
        error = _angle_error(
            job, one, one.centre_deg, u95_deg=one.u95_deg, at_mm=one.drop_mm, card_deg=expected
        )
        errors.append((Lobe(one.cylinder, one.valve), error))
    return _timed_by(job, tuple(errors))


def _by_overlap(job: Job, cam: Cam, by_lobe: Mapping[Lobe, LobeMeasured]) -> CamError:
    inlet, exhaust = _both_lobes(job, cam, by_lobe)
    _refuse_offset_card(job)
    inlet_lift, inlet_u, inlet_slope = _lift_at_tdc(inlet)
    exhaust_lift, exhaust_u, exhaust_slope = _lift_at_tdc(exhaust)
    closing_in = inlet_slope - exhaust_slope
    error = (exhaust_lift - inlet_lift) / closing_in
    u95 = _u95_by_slope(2 * hypot(inlet_u, exhaust_u) / abs(closing_in), error)
    one = TimingError(error, u95, job.card.way, None, inlet_lift - exhaust_lift, 0.0)
    lobes = tuple((Lobe(lobe.cylinder, lobe.valve), one) for lobe in (inlet, exhaust))
    return CamError(error, u95, lobes)


def _refuse_offset_card(job: Job) -> None:
    inlet, exhaust = job.card.inlet, job.card.exhaust
    angles = [half.full_lift_deg for half in (inlet, exhaust) if half and half.full_lift_deg is not None]
    if len(angles) == 2 and abs(angles[0] - angles[1]) > 0.05:
        raise NotComparable(
            "card_is_offset",
            f"Card {job.card.name} puts inlet at {angles[0]:g} and exhaust at {angles[1]:g}: equal lift "
            "on the overlap is not what it asks for. Time it by full lift.",
        )


_LOBE_WAYS = {
    "full_lift": _full_lift_error,
    "equal_lift": _equal_lift_error,
    "events": _events_error,
    "lift_at_tdc": _lift_at_tdc_error,
}
