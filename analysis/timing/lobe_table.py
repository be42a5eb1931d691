"""Every lobe of a job beside the others: the odd one out, drift along the shaft, the order they come in.

Limits are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from statistics import median

from analysis.base import Warn
from analysis.timing.angles import error_of
from analysis.timing.card import Valve
from analysis.timing.comparison import expected_crank_deg
from analysis.timing.engine import Engine, Job, Lobe
from analysis.timing.facts import Fact, LobeMeasured, Moved, Tightened

ODD_PHASE_DEG = 1.0
ODD_LIFT_MM = 0.15
ODD_DURATION_DEG = 3.0
DRIFT_DEG = 1.0

VALVES: tuple[Valve, ...] = ("inlet", "exhaust")


@dataclass(frozen=True, slots=True)
class LobeLine:
    """One lobe beside the others: phase is its error against its place by the card, late positive."""

    lobe: Lobe
    fact: int
    phase_deg: float | None
    peak_lift_mm: float | None
    duration_deg: float | None
    check_lift_mm: float | None
    slack_deg: float | None
    odd: tuple[str, ...] = ()


def newest(job: Job, facts: Sequence[Fact]) -> dict[Lobe, tuple[int, LobeMeasured]]:
    """Return the newest measurement of every lobe since its cam was last touched."""
    found: dict[Lobe, tuple[int, LobeMeasured]] = {}
    for fact in facts:
        what = fact.what
        if isinstance(what, LobeMeasured):
            found[Lobe(what.cylinder, what.valve)] = (fact.number, what)
        if isinstance(what, Moved | Tightened):
            found = {lobe: one for lobe, one in found.items() if job.engine.cam_of(lobe).name != what.cam}
    return found


def table(job: Job, facts: Sequence[Fact]) -> tuple[LobeLine, ...]:
    """Return every lobe measured, beside the others, in the engine's order; the odd ones are named."""
    found = newest(job, facts)
    lines = [_line(job, lobe, *found[lobe]) for lobe in _in_order(job.engine) if lobe in found]
    return tuple(
        _marked(line, [other for other in lines if other.lobe.valve == line.lobe.valve]) for line in lines
    )


def _in_order(engine: Engine) -> list[Lobe]:
    return [Lobe(cylinder, valve) for valve in VALVES for cylinder in engine.cylinders]


def _line(job: Job, lobe: Lobe, number: int, measured: LobeMeasured) -> LobeLine:
    expected = expected_crank_deg(job, lobe)
    phase = None if expected is None else error_of(measured.centre_deg, expected)
    event = measured.events[-1] if measured.events else None
    return LobeLine(
        lobe,
        number,
        phase,
        measured.peak_lift_mm,
        None if event is None else event.duration_deg,
        None if event is None else event.lift_mm,
        measured.slack_deg,
    )


_MEASURES: tuple[tuple[str, str, float], ...] = (
    ("phase", "phase_deg", ODD_PHASE_DEG),
    ("lift", "peak_lift_mm", ODD_LIFT_MM),
    ("duration", "duration_deg", ODD_DURATION_DEG),
)


def _marked(line: LobeLine, alike: Sequence[LobeLine]) -> LobeLine:
    odd = tuple(word for word, name, limit in _MEASURES if _is_odd(line, alike, name, limit))
    return replace(line, odd=odd)


def _is_odd(line: LobeLine, alike: Sequence[LobeLine], name: str, limit: float) -> bool:
    """Away from the middle of the others by more than the limit, and more than they are from each other."""
    own = getattr(line, name)
    others = [value for one in alike if one is not line and (value := getattr(one, name)) is not None]
    if own is None or len(others) < 2:
        return False
    middle = median(others)
    spread = max(abs(value - middle) for value in others)
    return bool(abs(own - middle) > max(limit, 2 * spread))


def odd_lobes(job: Job, facts: Sequence[Fact]) -> Iterator[Warn]:
    """Warn of lobes that are unlike their fellows."""
    words = {"phase": "stands elsewhere", "lift": "lifts otherwise", "duration": "is open for another time"}
    for line in table(job, facts):
        for what in line.odd:
            yield Warn(
                f"odd_{what}",
                f"{line.lobe.words.capitalize()} {words[what]} than its fellows. Measure it again; if it "
                "stays, the lobe is worn, wrongly ground or the shaft twisted.",
            )


def drift(job: Job, facts: Sequence[Fact]) -> Iterator[Warn]:
    """Warn of a phase that walks along the shaft, each step the same way, the whole beyond the limit."""
    for valve in VALVES:
        phases = [
            line.phase_deg
            for line in table(job, facts)
            if line.lobe.valve == valve and line.phase_deg is not None
        ]
        steps = [after - before for before, after in pairwise(phases)]
        one_way = all(step > 0 for step in steps) or all(step < 0 for step in steps)
        if len(phases) >= 3 and one_way and abs(phases[-1] - phases[0]) > DRIFT_DEG:
            yield Warn(
                "drift_along_shaft",
                f"The {valve} lobes drift by {abs(phases[-1] - phases[0]):.1f} deg from end to end of the "
                "shaft: it may be twisted or wrongly ground.",
            )


def order(job: Job, facts: Sequence[Fact]) -> Iterator[Warn]:
    """Warn of lobes that come round in another order than the engine fires."""
    firing = sorted(job.engine.firing_order, key=job.engine.firing_offset_deg)
    for valve in VALVES:
        centres = {
            lobe.cylinder: what.centre_deg
            for lobe, (_, what) in newest(job, facts).items()
            if lobe.valve == valve
        }
        wanted = [name for name in firing if name in centres]
        if len(wanted) < 3:
            continue
        first = centres[wanted[0]]
        after = {name: (centre - first + 1.0) % 720 for name, centre in centres.items()}
        seen = sorted(after, key=after.__getitem__)
        if seen != wanted:
            yield Warn(
                "order_off",
                f"By their {valve} lobes the cylinders come round as {'-'.join(seen)}, but the firing order "
                f"makes it {'-'.join(wanted)}. See which valve each was measured on.",
            )
