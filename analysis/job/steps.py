"""The steps of a job in their order: what each needs, gives, and the cautions that belong to it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from analysis.job.turning import (
    CAM_ALONE,
    CLEARANCE_FIRST,
    CRANK_STOP,
    EVERLASTING,
    FORWARD_ONLY,
    HOLD_THE_CAM,
    MAKERS_FIRST,
    TAKE_OUT,
    fitting_up,
)
from analysis.timing import Cam, Engine, Job, Lobe, bank_of, cam_words

StepKind = Literal[
    "bench_check",
    "clearances",
    "true_tdc",
    "stroke",
    "bank_tdc",
    "lobe",
    "verdict",
    "room",
    "correction",
    "nipped",
    "torqued",
    "again",
    "cylinder",
    "tdc_again",
    "valve_to_piston",
    "sign_off",
]
Measures = Literal["", "tdc", "lobe"]


@dataclass(frozen=True, slots=True)
class Asks:
    """What a step of one kind asks of the bench and of the builder.

    Attributes
    ----------
    measures
        What is measured in it, empty where nothing is.
    at_bench
        It is done at the bench, with the crank turned or a cam moved.
    needs_zero
        It rests on the encoder's zero standing where true TDC put it.
    by_hand
        Its measurement can be taken by eye, on disc and gauge, and entered.
    """

    measures: Measures = ""
    at_bench: bool = False
    needs_zero: bool = False
    by_hand: bool = False


_TDC = Asks("tdc", at_bench=True, by_hand=True)
_LOBES = Asks("lobe", at_bench=True, needs_zero=True, by_hand=True)
_LED = Asks(at_bench=True, needs_zero=True)
_ON_THE_PAGE = Asks()
ASKS: dict[StepKind, Asks] = {
    "bench_check": Asks("tdc", at_bench=True),
    "clearances": _ON_THE_PAGE,
    "true_tdc": _TDC,
    "stroke": _LED,
    "bank_tdc": Asks("tdc", at_bench=True, needs_zero=True, by_hand=True),
    "lobe": _LOBES,
    "verdict": _ON_THE_PAGE,
    "room": _LED,
    "correction": _LED,
    "nipped": _LOBES,
    "torqued": _LOBES,
    "again": _LOBES,
    "cylinder": _LOBES,
    "tdc_again": _TDC,
    "valve_to_piston": _LED,
    "sign_off": _ON_THE_PAGE,
}
"""The one place that says it; the guide, the pages and other programs read it from a step."""


@dataclass(frozen=True, slots=True)
class Step:
    """One step as planned.

    Attributes
    ----------
    id
        Stable within a job: the kind, or the kind and what it is about, such as ``lobe.inlet``.
    needs
        Steps that must be done or skipped before this one.
    gives
        What the job has once this is done.
    may_skip
        False for the steps without which no number means anything.
    """

    id: str
    kind: StepKind
    title: str
    do: str
    gives: str
    needs: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    cam: str = ""
    cylinder: str = ""
    lobes: tuple[Lobe, ...] = ()
    may_skip: bool = True

    @property
    def asks(self) -> Asks:
        """What it asks of the bench and of the builder."""
        return ASKS[self.kind]


def plan(job: Job) -> tuple[Step, ...]:
    """Return the steps of `job`, in order."""
    cams = job.engine.cams
    steps = [*_opening(job), *_banks(job)]
    of_cams = [step for cam in cams for step in _cam_steps(job, cam)]
    if any(job.engine.valves_can_meet(name) for name in job.engine.cylinders):
        of_cams.sort(key=lambda step: step.kind != "lobe")  # both curves before either cam is moved
    steps += of_cams
    torqued = tuple(f"torqued.{cam.name}" for cam in cams)
    if len(cams) > 1:
        steps += [_again(job, cam, torqued) for cam in cams]
    others = (name for name in job.cylinders_wanted if name != job.engine.reference)
    steps += [_cylinder(job, name, torqued) for name in others]
    steps += _closing(job, tuple(step.id for step in steps), torqued)
    return tuple(steps)


def _turning(job: Job) -> tuple[str, ...]:
    """What this engine adds wherever its crank is turned."""
    return (FORWARD_ONLY,) if job.engine.forward_only else ()


def _through_the_top(job: Job) -> str:
    if job.engine.forward_only:
        return "Turn forward through the top several times, at unlike speeds, and measure"
    return "Turn through the top, more than once, and measure"


def _opening(job: Job) -> tuple[Step, ...]:
    reference = job.engine.reference
    turning = _turning(job)
    return (
        Step(
            "bench_check",
            "bench_check",
            "Bench check",
            f"Gauge on piston {reference}. Turn the crank forward two turns: the counting direction, the "
            "counts a turn and the gauges are proved.",
            "The encoder's direction, 360 degrees from TDC to TDC, gauges alive and their signs.",
            cautions=(*EVERLASTING, *fitting_up(job.engine), *turning),
        ),
        Step(
            "clearances",
            "clearances",
            "Valve clearances",
            f"Set and note the valve clearance of cylinder {reference} on the base circle, against the card.",
            "Events and durations that can be compared with the card.",
            cautions=(CLEARANCE_FIRST,),
        ),
        Step(
            "true_tdc",
            "true_tdc",
            "True TDC, twice",
            f"Gauge on piston {reference}. {_through_the_top(job)}; then repeat.",
            "The zero of every cam angle, the gauge's lag, proof that it repeats.",
            ("bench_check",),
            (*turning, CRANK_STOP),
            cylinder=reference,
            may_skip=False,
        ),
        Step(
            "stroke",
            "stroke",
            "Which stroke",
            f"At TDC, look at the {job.lifted}s of cylinder {reference}: both {job.lifted}s rocking, exhaust "
            "closing and inlet opening, is overlap TDC.",
            "Crank angle over the full cycle, 0 to 720.",
            ("true_tdc",),
            turning,
            cylinder=reference,
            may_skip=False,
        ),
    )


_CAM_STEPS: tuple[tuple[StepKind, str, str, str], ...] = (
    (
        "lobe",
        "Lobe centre",
        "Gauge {where} of {lobes}. Turn forward four full turns.",
        "Where the lobe stands before anything is moved.",
    ),
    (
        "verdict",
        "Verdict",
        "Compare with the card, then decide: correct it, leave it, or measure again.",
        "Early or late, by how much, in or out.",
    ),
    (
        "room",
        "Room to move",
        "At a stated crank angle push each valve of this cam until it touches the piston and enter its travel.",
        "How far the cam may go, early and late, before a valve is too near its piston.",
    ),
    (
        "correction",
        "Correction",
        "Slacken all bolts, leave one just nipped so it drags; move the cam by the stated amount, the stated way.",
        "The cam on its number, unproved.",
    ),
    (
        "nipped",
        "Nipped up, measured",
        "Nip up the bolts. Turn forward four full turns and measure again.",
        "Where the lobe stands before the torque.",
    ),
    (
        "torqued",
        "Torqued, measured again",
        "Torque and lock the bolts as the engine maker says. Turn forward four full turns and measure again.",
        "Proof that tightening did not move it.",
    ),
)


def one_of_several(job: Job, lobes: tuple[Lobe, ...]) -> tuple[str, ...]:
    """Say on which valve the gauge stands where a cylinder has several of a kind; nothing where it has one."""
    return tuple(
        f"Each cylinder has {count} {valve} valves. One of them is measured, and stands for all: take the one "
        f"nearest the {job.engine.seen_from}, the same every time. A lobe that differs from its neighbour is "
        "not seen."
        for valve in dict.fromkeys(lobe.valve for lobe in lobes)
        if (count := job.engine.valves_a_cylinder(valve)) > 1
    )


def _cam_cautions(kind: StepKind, turning: tuple[str, ...]) -> tuple[str, ...]:
    return {
        "lobe": turning,
        "verdict": (MAKERS_FIRST,),
        "room": (MAKERS_FIRST,),
        "correction": (HOLD_THE_CAM, CAM_ALONE, *turning),
        "nipped": turning,
        "torqued": turning,
    }[kind]


def _where(job: Job) -> str:
    return "in line, on the follower" if job.lifted == "follower" else "in line with the stem on the retainer"


def _cam_steps(job: Job, cam: Cam) -> tuple[Step, ...]:
    lobes = job.engine.reference_lobes(cam)
    words = " and ".join(lobe.words for lobe in lobes)
    steps: list[Step] = []
    needs: tuple[str, ...] = ("clearances", "stroke", *_own_tdc(job, lobes))
    for kind, title, do, gives in _CAM_STEPS:
        steps.append(
            Step(
                f"{kind}.{cam.name}",
                kind,
                f"{title}, {cam.name}",
                do.format(lobes=words, where=_where(job)),
                gives,
                needs,
                _cam_cautions(kind, _turning(job))
                + (one_of_several(job, lobes) if ASKS[kind].measures or kind == "room" else ()),
                cam=cam.name,
                lobes=lobes,
                may_skip=kind != "verdict",
            )
        )
        # A correction names its verdict first: without one there is no room to look for.
        needs = (f"verdict.{cam.name}", steps[-1].id) if kind == "room" else (steps[-1].id,)
        if kind == "verdict":
            needs += _other_lobe(job.engine, lobes)
    return tuple(steps)


def _other_lobe(engine: Engine, lobes: tuple[Lobe, ...]) -> tuple[str, ...]:
    """Return the step that measures the valve this cam's own can meet: how near they come takes both curves."""
    cylinder, valve = lobes[0].cylinder, lobes[0].valve
    if not engine.valves_can_meet(cylinder):
        return ()
    return (f"lobe.{engine.cam_of(Lobe(cylinder, 'exhaust' if valve == 'inlet' else 'inlet')).name}",)


def _own_tdc(job: Job, lobes: tuple[Lobe, ...]) -> tuple[str, ...]:
    """Return the step that gives the TDC of a vee's other bank, from which its lobes are told."""
    bank = bank_of(lobes[0].cylinder)
    return (f"bank_tdc.{bank}",) if bank in _other_banks(job.engine) else ()


def _other_banks(engine: Engine) -> dict[str, str]:
    """Return the cylinder, by bank, whose lobes time a cam of a bank that the reference cylinder is not on."""
    timed = [engine.reference_lobes(cam)[0].cylinder for cam in engine.cams]
    own = bank_of(engine.reference)
    return {bank_of(name): name for name in reversed(timed) if bank_of(name) != own}


def _called(bank: str) -> str:
    return f"bank {bank}" if bank.isalpha() else f"cylinder {bank}"


def _banks(job: Job) -> list[Step]:
    return [
        Step(
            f"bank_tdc.{bank}",
            "bank_tdc",
            f"True TDC of {_called(bank)}",
            f"Gauge on piston {cylinder}. {_through_the_top(job)}: the lobes of this bank are told from it.",
            f"The zero of {_called(bank)}: the bank angle as it is, not as the firing intervals say.",
            ("stroke",),
            _turning(job),
            cylinder=cylinder,
        )
        for bank, cylinder in sorted(_other_banks(job.engine).items())
    ]


def _again(job: Job, cam: Cam, needs: tuple[str, ...]) -> Step:
    return Step(
        f"again.{cam.name}",
        "again",
        f"{cam_words(cam.name).capitalize()} once more",
        f"Measure the {cam_words(cam.name)} once more, now that the others stand.",
        "Proof that moving the other cam did not move this one.",
        needs,
        _turning(job) + one_of_several(job, job.engine.reference_lobes(cam)),
        cam.name,
        "",
        job.engine.reference_lobes(cam),
    )


def _cylinder(job: Job, cylinder: str, needs: tuple[str, ...]) -> Step:
    valves = [valve for cam in job.engine.cams for valve in cam.valves]
    lobes = tuple(Lobe(cylinder, valve) for valve in dict.fromkeys(valves))
    return Step(
        f"cylinder.{cylinder}",
        "cylinder",
        f"Lobes of cylinder {cylinder}",
        f"Gauge on each valve of cylinder {cylinder} in turn. Turn forward four full turns.",
        "Every cylinder compared: the odd one out, drift along the shaft.",
        needs,
        _turning(job) + one_of_several(job, lobes),
        cylinder=cylinder,
        lobes=lobes,
    )


def _closing(job: Job, before: tuple[str, ...], torqued: tuple[str, ...]) -> tuple[Step, ...]:
    reference = job.engine.reference
    both = (Lobe(reference, "inlet"), Lobe(reference, "exhaust"))
    return (
        Step(
            "tdc_again",
            "tdc_again",
            "TDC zero once more",
            f"Gauge back on piston {reference}. Measure true TDC once more.",
            "Proof that encoder, pointer and coupling have not slipped.",
            tuple(name for name in before if name.startswith(("again.", "cylinder."))) or torqued,
            _turning(job),
            cylinder=reference,
        ),
        Step(
            "valve_to_piston",
            "valve_to_piston",
            "Valve to piston",
            "At a stated crank angle push each valve until it touches the piston and enter its travel.",
            "The least clearance, where it is, and what it becomes with the cam early or late.",
            torqued,
            (MAKERS_FIRST, *one_of_several(job, both)),
            cylinder=reference,
            lobes=both,
        ),
        Step(
            "sign_off",
            "sign_off",
            "Sign-off",
            "Running springs, followers and clearances back. Read the sheet, then sign.",
            "A sheet for the customer and for the repeat build.",
            (*before, "tdc_again", "valve_to_piston"),
            (TAKE_OUT, MAKERS_FIRST),
            may_skip=False,
        ),
    )
