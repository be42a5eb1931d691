"""When the first steps of a job are done: bench check, clearances, true TDC, stroke, and TDC once more."""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot

from analysis.base import Warn
from analysis.job.evidence import Evidence
from analysis.job.steps import Step
from analysis.timing import (
    CYCLE_DEG,
    SAME_ENGINE_DEG,
    BenchChecked,
    ClearanceNoted,
    Lobe,
    LobeMeasured,
    Moved,
    StrokeFound,
    TdcMeasured,
    Tightened,
    bank_of,
    banks_off_deg,
    nearest,
)

TURN_LIMIT_DEG = 0.3
"""How far TDC to TDC may differ from 360 before the counts a turn are doubted; common practice, no source."""

SAME_TDC_DEG = 0.1
"""Two TDCs nearer than this agree whatever their intervals; common practice, no source."""

SAME_CLEARANCE_MM = 0.021
"""Clearances nearer than this to the card are on it: about a thou; common practice, no source."""

STROKE_NEAR_TDC_DEG = 5.0


@dataclass(frozen=True, slots=True)
class StepOutcome:
    """What the evidence says of one step.

    `code` and `why` name what is in the way besides the steps needed; `warnings` travel to the sheet.
    """

    done: bool
    sentence: str
    facts: tuple[int, ...] = ()
    code: str = ""
    why: str = ""
    may_override: bool = False
    warnings: tuple[Warn, ...] = ()


@dataclass(frozen=True, slots=True)
class Zero:
    """True TDC in the encoder's degrees (0..360) with its expanded uncertainty."""

    tdc_deg: float
    u95_deg: float


def bench_check(evidence: Evidence, step: Step) -> StepOutcome:
    """Done when the encoder counts forward, a turn is 360 degrees and a gauge is alive."""
    found = evidence.last(step.id, BenchChecked)
    if found is None:
        return StepOutcome(False, step.do)
    number, bench = found
    if bench.by_hand:
        return StepOutcome(True, "By hand: disc and gauge are read by eye.", (number,))
    code, why = _bench_fault(bench)
    if code:
        return StepOutcome(False, step.do, (number,), code, why)
    if bench.turn_deg is None:
        return StepOutcome(
            False,
            "The counts a turn are not proved yet: two turns and a little more again, slower.",
            (number,),
        )
    wide = "" if bench.turn_u95_deg is None else f", give or take {bench.turn_u95_deg:.2f},"
    sentence = (
        f"One turn is {bench.turn_deg:.2f} deg{wide} from TDC to TDC; alive: {', '.join(bench.gauges)}."
    )
    return StepOutcome(True, sentence, (number,))


def _bench_fault(bench: BenchChecked) -> tuple[str, str]:
    if not bench.counts_forward:
        return "counts_backward", (
            "The encoder counts down while the crank turns forward. Change its direction in the bench file, "
            "then check the bench again."
        )
    if not bench.gauges:
        return "no_gauge", "No gauge answers. See to its cable and battery, then check the bench again."
    limit = max(TURN_LIMIT_DEG, bench.turn_u95_deg or 0.0)
    if bench.turn_deg is not None and abs(bench.turn_deg - 360) > limit:
        return "counts_a_turn", (
            f"From TDC to TDC the encoder told {bench.turn_deg:.2f} deg, not 360: wrong counts a turn, "
            "missed counts or a slipping coupling; on a shaft of another speed, give the teeth of its drive in the "
            "bench file. Cure it, then check the bench again."
        )
    return "", ""


def clearances(evidence: Evidence, step: Step) -> StepOutcome:
    """Done when a clearance is noted for every lobe that times a cam, and it is the card's."""
    noted = {
        Lobe(what.cylinder, what.valve): (n, what) for n, what in evidence.counting(step.id, ClearanceNoted)
    }
    engine = evidence.job.engine
    if evidence.job.lifted == "follower":
        return StepOutcome(True, "The gauge is on the followers: no valve clearance counts.")
    wanted = [lobe for cam in engine.cams for lobe in engine.reference_lobes(cam)]
    missing = [lobe.words for lobe in wanted if lobe not in noted]
    facts = tuple(number for number, _ in noted.values())
    if missing:
        return StepOutcome(False, f"{step.do} Still to note: {'; '.join(missing)}.", facts)
    off = [words for lobe in wanted if (words := _off_the_card(evidence, noted[lobe][1]))]
    if not off:
        return StepOutcome(True, "Clearances noted, as on the card.", facts)
    return _clearances_off(evidence, step, facts, "; ".join(off))


def _off_the_card(evidence: Evidence, noted: ClearanceNoted) -> str:
    card = evidence.job.card.lobe(noted.valve)
    wanted = None if card is None else card.checking_clearance_mm
    if wanted is None or abs(noted.clearance_mm - wanted) <= SAME_CLEARANCE_MM:
        return ""
    lobe = Lobe(noted.cylinder, noted.valve)
    return f"{lobe.words}: {noted.clearance_mm:.2f} mm, card {wanted:.2f} mm"


def _clearances_off(evidence: Evidence, step: Step, facts: tuple[int, ...], off: str) -> StepOutcome:
    """Full lift hardly minds the clearance; events and equal lifts do, so there it is in the way."""
    warnings = (Warn("clearance_off_card", f"Valve clearance off the card: {off}."),)
    minds = evidence.job.card.way in {"equal_lift", "events", "lift_at_tdc", "equal_overlap_lift"}
    if not minds or evidence.own_decision(step.id, "clearance_off_card", max(facts)):
        return StepOutcome(True, warnings[0].message, facts, warnings=warnings)
    why = f"{warnings[0].message} This card is timed away from full lift, where clearance counts. Set it."
    return StepOutcome(False, step.do, facts, "clearance_off_card", why, True, warnings)


def zero_of(evidence: Evidence) -> tuple[Zero | None, list[int], float]:
    """Return true TDC in force, the facts it rests on, and how far the last two differ.

    Only measurements before the first lobe count: the lobes rest on them.
    """
    first_lobe = next((n for n, _ in evidence.counting("true_tdc", LobeMeasured)), None)
    pair = [(n, m) for n, m in evidence.tdcs("true_tdc") if first_lobe is None or n < first_lobe][-2:]
    numbers = [number for number, _ in pair]
    if not pair:
        return None, numbers, 0.0
    newest = pair[-1][1]
    apart = nearest(newest.centre_deg - pair[0][1].centre_deg, 360.0)
    wide = max(measured.u95_deg for _, measured in pair)
    return Zero((newest.centre_deg - apart / 2) % 360.0, wide), numbers, apart


def true_tdc(evidence: Evidence, step: Step) -> StepOutcome:
    """Done when the last two measurements of true TDC agree."""
    zero, numbers, apart = zero_of(evidence)
    facts = tuple(numbers)
    if zero is None:
        return StepOutcome(False, step.do)
    if len(numbers) < 2:
        return StepOutcome(
            False, f"TDC at {zero.tdc_deg:.2f}, give or take {zero.u95_deg:.2f}. Measure it once more.", facts
        )
    if abs(apart) > max(SAME_TDC_DEG, 1.5 * zero.u95_deg):
        return StepOutcome(
            False,
            f"The last two differ by {abs(apart):.2f} deg. See that gauge, stand and coupling are firm, and "
            "measure again.",
            facts,
        )
    sentence = (
        f"TDC at {zero.tdc_deg:.2f}, give or take {zero.u95_deg:.2f}; repeated within {abs(apart):.2f}."
    )
    return StepOutcome(True, sentence, facts, warnings=_coarse(evidence, zero))


def _coarse(evidence: Evidence, zero: Zero) -> tuple[Warn, ...]:
    if zero.u95_deg <= evidence.job.tolerance / 2:
        return ()
    return (
        Warn(
            "coarse_tdc",
            f"True TDC is known to {zero.u95_deg:.2f} deg only, against a tolerance of "
            f"{evidence.job.tolerance:g}: every verdict will carry that.",
        ),
    )


def stroke(evidence: Evidence, step: Step) -> StepOutcome:
    """Done when overlap TDC is told apart from firing TDC, at true TDC."""
    found = evidence.last(step.id, StrokeFound)
    if found is None:
        return StepOutcome(False, step.do)
    number, what = found
    zero, _, _ = zero_of(evidence)
    if zero is not None:
        off = nearest(what.overlap_tdc_deg - zero.tdc_deg, 360.0)
        if abs(off) > STROKE_NEAR_TDC_DEG:
            why = (
                f"Overlap was noted {abs(off):.0f} deg away from true TDC. Turn to TDC, look at the valves, "
                "note it again."
            )
            return StepOutcome(False, step.do, (number,), "overlap_not_at_tdc", why)
    stands = overlap_of(evidence)
    return StepOutcome(True, f"Overlap TDC at {stands:.1f} on the encoder ({what.how_words}).", (number,))


def overlap_of(evidence: Evidence) -> float | None:
    """Return overlap TDC of the reference cylinder on the encoder, 0..720; `None` before the stroke is known.

    The stroke says which of the two TDCs it is; where that stands, true TDC in force says, which may have been
    measured again since.
    """
    found, (zero, _, _) = evidence.last("stroke", StrokeFound), zero_of(evidence)
    if found is None:
        return None
    noted = found[1].overlap_tdc_deg
    return noted if zero is None else (noted + nearest(zero.tdc_deg - noted, 360.0)) % CYCLE_DEG


def bank_tdc(evidence: Evidence, step: Step) -> StepOutcome:
    """Done when true TDC of the bank is measured, near where the firing intervals put it."""
    engine, bank = evidence.as_entered.engine, bank_of(step.cylinder)
    measured = evidence.counting(step.id, TdcMeasured)
    found = [(number, what) for number, what in measured if bank_of(what.cylinder) == bank]
    if not found:
        lobes = evidence.counting(step.id, LobeMeasured)
        if any(bank_of(what.cylinder) == bank for _, what in lobes):
            return StepOutcome(True, "Not measured: this bank was told by the firing intervals.")
        return StepOutcome(False, step.do)
    number, what = found[-1]
    off = banks_off_deg(engine, evidence.facts).get(bank, 0.0)
    said = f"TDC of {what.cylinder} comes {abs(off):.2f} deg {'after' if off > 0 else 'before'} the firing intervals"
    if abs(off) <= SAME_ENGINE_DEG:
        return StepOutcome(True, f"{said}, give or take {what.u95_deg:.2f}: counted from there.", (number,))
    why = (
        f"{said}: that is another piston, or the intervals are wrong. See where the gauge stands and measure again; "
        "if it stands right, correct the engine's firing intervals and begin the job anew."
    )
    return StepOutcome(False, step.do, (number,), "bank_tdc_off", why)


def tdc_again(evidence: Evidence, step: Step) -> StepOutcome:
    """Done when true TDC, measured after everything else, is where it was."""
    others = (LobeMeasured, Moved, Tightened)
    after = max((fact.number for fact in evidence.facts if isinstance(fact.what, others)), default=0)
    found = evidence.tdcs(step.id, after)
    zero, _, _ = zero_of(evidence)
    if not found or zero is None:
        return StepOutcome(False, step.do)
    number, again = found[-1]
    off = nearest(again.centre_deg - zero.tdc_deg, 360.0)
    limit = max(SAME_TDC_DEG, hypot(again.u95_deg, zero.u95_deg))
    if abs(off) <= limit:
        return StepOutcome(True, f"TDC zero stands: {off:+.2f} deg since the start.", (number,))
    why = (
        f"TDC zero has moved by {off:+.2f} deg since the start, more than {limit:.2f}: encoder, pointer or "
        "coupling slipped, and every lobe since is in doubt. Find out why and go back to true TDC."
    )
    passed = evidence.own_decision(step.id, "tdc_moved", number)
    return StepOutcome(passed, why, (number,), "" if passed else "tdc_moved", why, may_override=True)
