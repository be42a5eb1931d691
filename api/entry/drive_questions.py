"""What drive, adjusters and cams can hardly be: asked about at entry. Common practice, no source."""

from __future__ import annotations

from collections.abc import Iterator

from analysis.timing import Adjuster, Cam, Engine, Job, LobeCard, Valve, cam_words
from api.base import Question
from api.entry.usual import outside

SIZED = ("keys", "dowels")
LARGEST_SIZE_DEG = 15.0
FIGURES = (
    ("bolt_circle_radius_mm", "A bolt circle radius of", (10.0, 120.0)),
    ("slot_each_way_cam_deg", "A slot, each way, of", (1.0, 20.0)),
    ("hole_cam_deg", "From hole to hole", (0.25, 12.0)),
    ("gear_teeth", "On the cam a number of teeth of", (16.0, 120.0)),
)


def drive_questions(engine: Engine) -> Iterator[Question]:
    """Ask about the way the cams turn, a vee with one cam for both banks, and what is fitted now."""
    yield from _way_of_turning(engine)
    yield from _cams_of_a_vee(engine)
    yield from _cams_in_the_block(engine)
    for cam in engine.cams:
        yield from _adjuster(cam, cam.adjuster)


def _way_of_turning(engine: Engine) -> Iterator[Question]:
    against = [cam.name for cam in engine.cams if not cam.turns_with_crank]
    if engine.drive in {"chain", "belt"} and against:
        yield Question(
            code="turns_against_on_a_chain",
            place="engine.cams",
            message=f"A {engine.drive} turns a cam with the crank, and {', '.join(against)} is said to turn against it.",
        )
    if engine.drive == "gears" and len(against) < len(engine.cams):
        yield Question(
            code="gears_turn_with_crank",
            place="engine.cams",
            message="Two gears turn the cam against the crank; only with an idler between them it turns with it.",
        )


def _cams_of_a_vee(engine: Engine) -> Iterator[Question]:
    banks = {name[0] for name in engine.cylinders if name[0].isalpha()}
    if len(banks) > 1 and engine.cams_in == "head" and all(not cam.cylinders for cam in engine.cams):
        yield Question(
            code="one_cam_for_both_banks",
            place="engine.cams",
            message="Cams in the heads of a vee serve one bank each; this engine has its cams for both. Choose a cam "
            "for each bank.",
        )


def _cams_in_the_block(engine: Engine) -> Iterator[Question]:
    if engine.cams_in == "block" and any(len(cam.valves) == 1 for cam in engine.cams):
        yield Question(
            code="twin_cams_in_block",
            place="engine.cams_in",
            message="A cam in the block mostly opens inlet and exhaust valves alike; this engine has one for each. Check "
            "where its cams lie.",
        )


def _figures(cam: Cam, adjuster: Adjuster) -> Iterator[Question]:
    """Ask about each figure of an adjuster that is out of what is usual, and about those of another kind."""
    place = f"engine.cams.{cam.name}.adjuster"
    for name, words, usual in FIGURES:
        asked = outside(f"adjuster_{name}", f"{place}.{name}", words, getattr(adjuster, name), usual)
        if asked is not None:
            yield asked
    if adjuster.gear_teeth is not None and adjuster.gear_teeth % 2:
        yield Question(
            code="odd_teeth",
            place=f"{place}.gear_teeth",
            message=f"{adjuster.gear_teeth} teeth on the cam: it has twice those of the crank, so their number is even. "
            "Count again.",
        )
    belongs = {
        "slots": adjuster.slot_each_way_cam_deg,
        "holes": adjuster.hole_cam_deg,
        "keys": adjuster.sizes_deg or None,
    }
    strange = [
        kind for kind, value in belongs.items() if value is not None and not _same_kind(kind, adjuster.kind)
    ]
    if strange:
        yield Question(
            code="figure_of_another_kind",
            place=f"{place}.kind",
            message=f"The {cam_words(cam.name)}'s adjuster is said to be {adjuster.kind}, and figures of "
            f"{strange[0]} are given. Which is it?",
        )


def _same_kind(kind: str, said: str) -> bool:
    return kind == said or (kind == "keys" and said in SIZED)


def _adjuster(cam: Cam, adjuster: Adjuster) -> Iterator[Question]:
    """What cannot be chosen by these sizes, or looks like a slip of the pen."""
    place = f"engine.cams.{cam.name}.adjuster"
    yield from _figures(cam, adjuster)
    if adjuster.kind in SIZED and not adjuster.sizes_deg:
        yield Question(
            code="no_sizes",
            place=place,
            message=f"Which {adjuster.kind} are at hand for the {cam_words(cam.name)}? "
            "Without their sizes none can be chosen.",
        )
    if adjuster.sizes_deg and max(map(abs, adjuster.sizes_deg)) > LARGEST_SIZE_DEG:
        yield Question(
            code="sizes_large",
            place=place,
            message=f"An offset of {max(map(abs, adjuster.sizes_deg)):g} {adjuster.sizes_act_on} degrees is large: "
            "check it, and whether it is told in crank or in cam degrees.",
        )
    if adjuster.kind in SIZED and adjuster.fitted_deg and abs(adjuster.fitted_deg) not in adjuster.sizes_deg:
        yield Question(
            code="fitted_is_no_size",
            place=place,
            message=f"What is fitted now, {adjuster.fitted_deg:g}, is none of the sizes at hand. Check both.",
        )


def follower_questions(job: Job) -> Iterator[Question]:
    """Ask where the gauge stands on the follower and the card does not say what the rocker makes of it."""
    if job.lifted != "follower":
        return
    for valve in ("inlet", "exhaust"):
        half = job.card.lobe(valve)
        if half is not None and half.lift_at == "valve" and half.rocker_ratio == 1.0 and _has_lengths(half):
            yield Question(
                code=f"{valve}_ratio_not_stated",
                place=f"card.{valve}.rocker_ratio",
                message=f"The gauge is on the follower and the card tells the {valve}'s lift at the valve, without a "
                "rocker ratio: give it, or the lift at the lobe; else they are taken as alike.",
            )


def _has_lengths(half: LobeCard) -> bool:
    return half.lift_mm is not None or half.check_lift_mm is not None


def lift_place_questions(valve: Valve, half: LobeCard) -> Iterator[Question]:
    """Ask where a lift told at the lobe makes a valve lift that can hardly be."""
    if half.lift_at != "lobe" or half.lift_mm is None:
        return
    at_valve = half.lift_mm * half.rocker_ratio
    if half.rocker_ratio > 1.0 and at_valve > 16.0:
        yield Question(
            code=f"{valve}_lift_at_lobe",
            place=f"card.{valve}.lift_at",
            message=f"{half.lift_mm:g} mm at the lobe times {half.rocker_ratio:g} makes {at_valve:.1f} mm at the valve: "
            "is that lift not the valve's own?",
        )
