"""Checks across a whole job: lobe against lobe, measurement against measurement, before against after.

Each check takes facts and gives warnings: a code and a sentence that says what to do. What one measurement
alone can show is the estimators' own (`analysis.trace_faults`). Limits are common practice, no source, unless
a line says otherwise; all scale with the intervals where there are any.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from itertools import pairwise
from math import acos, degrees, hypot
from statistics import median

from analysis.base import Warn
from analysis.moving import tooth_deg
from analysis.timing import (
    SAME_ENGINE_DEG,
    SAME_LIFT_MM,
    Event,
    Fact,
    Job,
    Lobe,
    LobeCard,
    LobeMeasured,
    Moved,
    PlungerOn,
    TdcMeasured,
    Tightened,
    banks_off_deg,
    cam_words,
    drift,
    early_or_late,
    error_of,
    expected_crank_deg,
    nearest,
    newest,
    odd_lobes,
    order,
)

LIFT_SHARE = 0.03
"""A lift off the card by more than this share is asked about: a gauge 14 deg out of line makes that much."""

DURATION_OFF_DEG = 3.0
LAG_OFF_S = 0.02
TOOTH_NEAR_DEG = 2.5
MOST_TILT_DEG = 30.0
GROUP_GAP = 3.0


def check_job(job: Job, facts: Sequence[Fact]) -> tuple[Warn, ...]:
    """Return every warning that the facts of a job, taken together, give rise to.

    Give only facts that count: nothing withdrawn or gone back over.
    """
    checks: tuple[Callable[[Job, Sequence[Fact]], Iterator[Warn]], ...] = (
        order,
        odd_lobes,
        drift,
        _durations,
        _lifts,
        _slack,
        _teeth,
        _two_groups,
        _tdc_stands,
        _banks,
        _pin_side,
        _lags,
        _asymmetry,
    )
    return tuple(dict.fromkeys(warn for check in checks for warn in check(job, facts)))


def _durations(job: Job, facts: Sequence[Fact]) -> Iterator[Warn]:
    for lobe, (_, measured) in newest(job, facts).items():
        card = job.card_at_gauge.lobe(lobe.valve)
        wanted = None if card is None else card_duration_deg(card)
        if card is None or wanted is None or card.check_lift_mm is None:
            continue
        for event in measured.events:
            if abs(event.lift_mm - valve_check_lift_mm(card)) <= SAME_LIFT_MM:
                yield from _duration_off(lobe, measured, event, wanted)


def valve_check_lift_mm(card: LobeCard) -> float:
    """Return the card's check lift as it is met at the valve."""
    lift = card.check_lift_mm or 0.0
    if card.lift_at == "valve":
        return lift
    return lift * card.rocker_ratio - (card.checking_clearance_mm or 0.0)


def card_duration_deg(card: LobeCard) -> float | None:
    """Return the duration a card states, or that its events make."""
    if card.duration_deg is not None:
        return card.duration_deg
    if card.opens_deg is None or card.closes_deg is None:
        return None
    return 180 + card.opens_deg + card.closes_deg


def _duration_off(lobe: Lobe, measured: LobeMeasured, event: Event, wanted_deg: float) -> Iterator[Warn]:
    off_deg = event.duration_deg - wanted_deg
    if abs(off_deg) <= DURATION_OFF_DEG:
        return
    clearance = clearance_by_duration_mm(measured.events, event.lift_mm, wanted_deg)
    as_much = (
        "the lifts it was measured at do not tell how much valve clearance would make that"
        if clearance is None
        else f"as much as {abs(clearance):.2f} mm {'more' if clearance > 0 else 'less'} valve clearance would make"
    )
    yield Warn(
        "duration_off_card",
        f"{lobe.words.capitalize()} is open {off_deg:+.1f} deg against the card at {event.lift_mm:.2f} mm: {as_much}. "
        "Check the clearance on the base circle, the gauge's line, and which lift the card means.",
    )


def clearance_by_duration_mm(events: Sequence[Event], lift_mm: float, wanted_deg: float) -> float | None:
    """Return by how much more clearance than the card's a lobe would be open as long as measured.

    More clearance takes its amount off every lift: what is measured at one lift is the lobe a clearance higher up.
    So the lift is sought at which this lobe is open as long as the card wants; `None` where it was not measured that
    far down or up.
    """
    steps = sorted((event.duration_deg, event.lift_mm) for event in events)
    for (short, high), (long, low) in pairwise(steps):
        if short <= wanted_deg <= long and long > short:
            return lift_mm - (high + (low - high) * (wanted_deg - short) / (long - short))
    return None


def _lifts(job: Job, facts: Sequence[Fact]) -> Iterator[Warn]:
    for lobe, (_, measured) in newest(job, facts).items():
        card = job.card_at_gauge.lobe(lobe.valve)
        wanted = None if card is None else valve_lift_mm(card)
        if wanted is None or measured.peak_lift_mm is None:
            continue
        share = measured.peak_lift_mm / wanted - 1
        if abs(share) > LIFT_SHARE:
            yield Warn(
                "lift_off_card",
                f"{lobe.words.capitalize()} lifts {measured.peak_lift_mm:.2f} mm, the card makes it "
                f"{wanted:.2f} at the {job.lifted} ({share:+.0%}). {_lift_cause(share, job.plunger_on)}",
            )


def tilt_deg(share: float, plunger_on: PlungerOn) -> float | None:
    """Return how far out of line a plunger would read a lift off by this share; `None` where no tilt would.

    On a flat face that moves along the stem it runs up the face, by lift / cos; on a point that stays put, a dimple
    or a ball, it sees lift x cos.

    >>> round(tilt_deg(9.78 / 9.40 - 1, "flat"), 0), round(tilt_deg(9.04 / 9.40 - 1, "point"), 0)
    (16.0, 16.0)
    """
    cosine = {"flat": 1 / (1 + share), "point": 1 + share, "": 2.0, "follower": 2.0}[plunger_on]
    return degrees(acos(cosine)) if 0 < cosine < 1 else None


def _lift_cause(share: float, plunger_on: PlungerOn) -> str:
    tilt = tilt_deg(share, plunger_on)
    if tilt is not None and tilt <= MOST_TILT_DEG:
        return f"A plunger {tilt:.0f} deg out of line would read that: set it in line with the stem. {_other_cause(share)}"
    if not plunger_on:
        return f"{_LEANING} {_other_cause(share)}"
    return _other_cause(share)


_LEANING = (
    "A plunger out of line reads too much on a flat face and too little on a point: set it in line first."
)


def _other_cause(share: float) -> str:
    if share < 0:
        return (
            "See that the gauge stands in line with the stem, that the follower holds, the clearance and the "
            "rocker ratio; else the lobe is worn or another one."
        )
    return "Check the rocker ratio, the card's lift (valve or lobe) and the unit; else it is another lobe."


def valve_lift_mm(card: LobeCard) -> float | None:
    """Return the card's full lift as the gauge on the retainer should see it.

    >>> valve_lift_mm(LobeCard(lift_mm=6.0, lift_at="lobe", rocker_ratio=1.5, checking_clearance_mm=0.25))
    8.75
    """
    if card.lift_mm is None:
        return None
    if card.lift_at == "valve":
        return card.lift_mm
    return card.lift_mm * card.rocker_ratio - (card.checking_clearance_mm or 0.0)


def _slack(job: Job, facts: Sequence[Fact]) -> Iterator[Warn]:
    limit = job.engine.slack_limit_deg
    for lobe, (_, measured) in newest(job, facts).items():
        if limit is not None and measured.slack_deg is not None and measured.slack_deg > limit:
            yield Warn(
                "slack_over_limit",
                f"Slack in the drive of {lobe.words} is {measured.slack_deg:.1f} deg, the limit {limit:g}: "
                "see to chain or belt, tensioner and keys before timing it.",
            )
    yield from _slack_changed(job, facts)


def _slack_changed(job: Job, facts: Sequence[Fact]) -> Iterator[Warn]:
    """Slack that comes out unlike each time: the tensioner is not in its checking state."""
    for cam in job.engine.cams:
        lobes = job.engine.reference_lobes(cam)
        slacks = [
            (what.slack_deg, what.slack_u_deg or 0.0)
            for what in (fact.what for fact in facts if isinstance(fact.what, LobeMeasured))
            if isinstance(what, LobeMeasured)
            and Lobe(what.cylinder, what.valve) in lobes
            and what.slack_deg is not None
        ]
        if not slacks:
            continue
        (least, least_u), (most, most_u) = min(slacks), max(slacks)
        usual = max(0.7, 0.5 * median(slack for slack, _ in slacks))
        if most - least > usual + 2 * hypot(least_u, most_u):  # a short way back tells it but roughly
            yield Warn(
                "slack_changes",
                f"Slack in the drive of the {cam_words(cam.name)} came out between {least:.1f} and "
                f"{most:.1f} deg: see that the tensioner is in its checking state.",
            )


def _teeth(job: Job, facts: Sequence[Fact]) -> Iterator[Warn]:
    """An error near the degrees of a tooth, and larger than an adjuster would be used for."""
    for lobe, (_, measured) in newest(job, facts).items():
        expected = expected_crank_deg(job, lobe)
        teeth = job.engine.cam_of(lobe).adjuster.gear_teeth
        if expected is None or not teeth:
            continue
        error, tooth = error_of(measured.centre_deg, expected), tooth_deg(teeth)
        count = round(abs(error) / tooth)
        if 1 <= count <= 3 and abs(abs(error) - count * tooth) <= TOOTH_NEAR_DEG:
            number = "one tooth" if count == 1 else f"{count} teeth"
            yield Warn(
                "tooth_out",
                f"{lobe.words.capitalize()} is {early_or_late(error)}, about {number} of its {teeth}-tooth "
                f"gear ({tooth:.1f} deg a tooth): look at the marks before the adjuster is used.",
            )


def _two_groups(job: Job, facts: Sequence[Fact]) -> Iterator[Warn]:
    """Repeats of one untouched lobe that fall in two groups: play in a key or dowel."""
    for cam in job.engine.cams:
        for lobe in job.engine.reference_lobes(cam):
            for run in _untouched_runs(facts, cam.name, lobe):
                yield from _groups_of(lobe, run)


def _untouched_runs(facts: Sequence[Fact], cam: str, lobe: Lobe) -> list[list[LobeMeasured]]:
    runs: list[list[LobeMeasured]] = [[]]
    for fact in facts:
        what = fact.what
        if isinstance(what, Moved | Tightened) and what.cam == cam:
            runs.append([])
        if isinstance(what, LobeMeasured) and Lobe(what.cylinder, what.valve) == lobe:
            runs[-1].append(what)
    return runs


def _groups_of(lobe: Lobe, run: Sequence[LobeMeasured]) -> Iterator[Warn]:
    """At least two in either group, the groups farther apart than they are wide and than their intervals."""
    if len(run) < 4:
        return
    first = run[0].centre_deg
    angles = sorted(nearest(one.centre_deg - first) for one in run)
    gaps = [after - before for before, after in pairwise(angles)]
    at = max(range(1, len(gaps) - 1), key=gaps.__getitem__)
    low, high = angles[: at + 1], angles[at + 1 :]
    width = max(low[-1] - low[0], high[-1] - high[0])
    u95 = median(one.u95_deg for one in run)
    if gaps[at] > GROUP_GAP * max(width, 0.5 * u95) and gaps[at] > 1.5 * u95:
        yield Warn(
            "two_groups",
            f"{lobe.words.capitalize()} comes out in two places, {gaps[at]:.1f} deg apart, though nothing "
            "was touched: look for play in key, dowel or pulley bolts.",
        )


def _tdc_stands(job: Job, facts: Sequence[Fact]) -> Iterator[Warn]:
    """True TDC that comes out elsewhere at the end than at the beginning."""
    measured = [
        fact.what
        for fact in facts
        if isinstance(fact.what, TdcMeasured) and fact.what.cylinder == job.engine.reference
    ]
    if len(measured) < 3:
        return
    first, last = measured[0], measured[-1]
    off = nearest(last.centre_deg - first.centre_deg, 360.0)
    if abs(off) > max(0.1, hypot(first.u95_deg, last.u95_deg)):
        yield Warn(
            "tdc_zero_moved",
            f"True TDC came out {off:+.2f} deg from where it first was: encoder, pointer or coupling "
            "slipped, and what was measured in between is in doubt.",
        )


def _pin_side(job: Job, facts: Sequence[Fact]) -> Iterator[Warn]:
    """An engine that was kept before the side of its pin was asked: nothing is turned round silently."""
    if not job.engine.offset_side_known:
        yield Warn(
            "pin_side_not_known",
            f"It is not known to which side the pin is offset by {abs(job.engine.pin_offset_mm or 0):g} mm. True TDC is "
            "told for both sides; what was measured before that was asked may be off by what the offset makes. Enter the "
            "engine anew with the side.",
        )


def _banks(job: Job, facts: Sequence[Fact]) -> Iterator[Warn]:
    """A bank's own TDC far from its firing interval: another cylinder's, or the interval is not this engine's."""
    for bank, off in banks_off_deg(job.engine, facts).items():
        if abs(off) > SAME_ENGINE_DEG:
            yield Warn(
                "bank_tdc_off",
                f"True TDC of {bank} came {off:+.1f} deg from where the firing intervals put it: see which cylinder the "
                "gauge was on and which intervals the engine has. The intervals are used.",
            )


def _lags(job: Job, facts: Sequence[Fact]) -> Iterator[Warn]:
    """One gauge has one lag, whatever it touches."""
    by_gauge: dict[str, list[float]] = {}
    for fact in facts:
        if (
            isinstance(fact.what, TdcMeasured | LobeMeasured)
            and fact.what.gauge
            and fact.what.lag_s is not None
        ):
            by_gauge.setdefault(fact.what.gauge, []).append(fact.what.lag_s)
    for gauge, lags in by_gauge.items():
        if len(lags) > 1 and max(lags) - min(lags) > LAG_OFF_S:
            yield Warn(
                "lag_differs",
                f"The lag of gauge {gauge} came out between {min(lags) * 1000:.0f} and "
                f"{max(lags) * 1000:.0f} ms: its battery, cable or setting may have changed. Measure TDC "
                "with it again.",
            )


def _asymmetry(job: Job, facts: Sequence[Fact]) -> Iterator[Warn]:
    for lobe, (_, measured) in newest(job, facts).items():
        unlike = measured.asymmetry_deg
        if unlike is None:
            continue
        # On a flat nose full lift itself is uncertain by a degree and more.
        u95 = hypot(measured.u95_deg, 2 * (measured.full_lift_u_deg or 0.0))
        if abs(unlike) > max(0.5 * job.tolerance, u95):
            yield Warn(
                "unlike_flanks",
                f"{lobe.words.capitalize()} has unlike flanks: its middle {measured.drop_mm:.2f} mm below "
                f"peak lift lies {abs(unlike):.1f} deg {'after' if unlike > 0 else 'before'} the nose. "
                "Compare only numbers of one drop.",
            )
