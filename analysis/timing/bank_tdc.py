"""True TDC of each bank: where a cylinder's own was measured, its bank is told from that and not from the intervals."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from itertools import pairwise

from analysis.timing.angles import nearest
from analysis.timing.engine import CYCLE_DEG, Engine, Job
from analysis.timing.facts import Fact, TdcMeasured

SAME_ENGINE_DEG = 3.0
"""Farther than this from its firing interval a bank's TDC is another cylinder's, or the interval is wrong."""


def bank_of(cylinder: str) -> str:
    """Return the bank of a cylinder: ``A`` of ``A2``; a cylinder without a letter stands by itself."""
    return cylinder[0] if cylinder[0].isalpha() else cylinder


def told_from_own_tdc(job: Job, facts: Iterable[Fact]) -> Job:
    """Return the job with the firing intervals that TDCs measured on other banks make, where there are any."""
    off = banks_off_deg(job.engine, facts)
    if not off or max(map(abs, off.values())) > SAME_ENGINE_DEG:
        return job
    return replace(job, engine=_with_banks_moved(job.engine, off))


def banks_off_deg(engine: Engine, facts: Iterable[Fact]) -> dict[str, float]:
    """Return how far each bank's own TDC came after where the firing intervals put it.

    Each is compared with the reference cylinder's as it was measured last before, on the same zero of the encoder.
    """
    reference: TdcMeasured | None = None
    off: dict[str, float] = {}
    for what in (fact.what for fact in facts):
        if not isinstance(what, TdcMeasured):
            continue
        if what.cylinder == engine.reference:
            reference = what
        elif reference is not None and bank_of(what.cylinder) != bank_of(engine.reference):
            apart = what.centre_deg - reference.centre_deg - engine.firing_offset_deg(what.cylinder)
            off[bank_of(what.cylinder)] = nearest(apart, CYCLE_DEG / 2)
    return off


def _with_banks_moved(engine: Engine, off_deg: dict[str, float]) -> Engine:
    first = engine.firing_order[0]
    at = [
        (engine.firing_offset_deg(name) - engine.firing_offset_deg(first)) % CYCLE_DEG
        + off_deg.get(bank_of(name), 0.0)
        - off_deg.get(bank_of(first), 0.0)
        for name in engine.firing_order
    ]
    steps = tuple(after - before for before, after in pairwise([*at, CYCLE_DEG]))
    return replace(engine, firing_intervals_deg=steps)
