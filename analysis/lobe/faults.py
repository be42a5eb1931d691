"""What cannot be measured, or should be known, of a lobe trace: codes and sentences that say what to do."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import numpy as np

from analysis.base import (
    WORST_ENCODER_ERROR_DEG,
    Floats,
    LobeSettings,
    Refusal,
    Warn,
)
from analysis.curve import LagPrior, LobeFit
from analysis.lobe.changes import PassScatter, by_chance
from analysis.lobe.shape import LobeShape, Reading
from analysis.lobe.slack import Slack
from analysis.readings import Sweep

FEWEST_FORWARD = 12
_FOOT_LIFT_MM = 0.15
_SHARP_FOOT_MM_DEG = 0.08
_UNSEEN_DEG = 1.0
_UNLIKE_SLACK_DEG = 0.8
_UNLIKE_DOUBTS = 4.0

WAY_BACK_TELLS = ", or turn back over the whole lobe once where the maker allows it"


def refuse_before_fit(sweeps: tuple[Sweep, ...], forward_s: Floats) -> None:
    """Refuse a trace without enough readings turned forward with the slack taken up."""
    if len(forward_s) >= FEWEST_FORWARD:
        return
    if sweeps and not any(sweep.direction > 0 for sweep in sweeps):
        raise Refusal(
            "turned_backwards",
            "The crank was turned only against its running direction, where the slack hangs the other way: "
            "turn it in the running direction through the lobe.",
        )
    raise Refusal(
        "slack_not_taken_up",
        f"Only {len(forward_s)} readings were taken turning forwards with the slack taken up: begin "
        "well before the lobe, and turn forwards through it without turning back.",
    )


def refuse_unseen_sides(phase_deg: Floats, value_mm: Floats, drop_mm: float) -> None:
    """Refuse readings that do not fall to the drop on both sides of the largest, before anything is fitted.

    Parameters
    ----------
    phase_deg, value_mm : ndarray, shape (m,)
        Where the crank stood, within one cycle, and the lift-positive readings.
    """
    top = int(np.argmax(value_mm))
    low = value_mm < value_mm[top] - drop_mm
    _refuse_one_sided(
        bool(np.any(low & (phase_deg < phase_deg[top]))),
        bool(np.any(low & (phase_deg > phase_deg[top]))),
        drop_mm,
    )


def _refuse_one_sided(before: bool, after: bool, drop_mm: float) -> None:
    if not before and not after:
        raise Refusal(
            "drop_not_reached",
            f"The readings never fall {drop_mm:.2f} mm below full lift: turn further on both sides of the "
            "nose, or ask for a smaller drop.",
        )
    if not before or not after:
        side = "after" if before else "before"
        raise Refusal(
            "one_flank_only",
            f"The lobe was seen from one side only: nothing {drop_mm:.2f} mm below full lift {side} "
            "the nose; turn forwards through the whole nose.",
        )


def refuse_shape(fit: LobeFit, shape: LobeShape, drop_mm: float) -> Reading:
    """Return the centre at the drop asked for, or refuse a curve that does not show both sides of it."""
    level = shape.peak_mm - drop_mm
    before, after = shape.crossing(level, -1), shape.crossing(level, 1)
    _refuse_one_sided(before is not None, after is not None, drop_mm)
    assert before is not None
    assert after is not None
    _refuse_gap(fit, before, after)
    centre = shape.centre_at_drop(drop_mm)
    if centre is None:
        raise Refusal("not_a_lobe", "The readings show no single nose: check what the plunger touches.")
    return centre


@contextmanager
def no_fault_of_the_drive(*, clock_unseen: bool) -> Iterator[None]:
    """Blame no drive for what a gauge's own clock may have done, where that is known of and was not seen.

    Raises
    ------
    Refusal
        `clock_not_told`, instead of any other; what was seen is said all the same.
    """
    try:
        yield
    except Refusal as seen:
        if not clock_unseen:
            raise
        raise Refusal(
            "clock_not_told",
            "This gauge measures by a clock of its own, and here it could not be told when: turn on, or measure again, now "
            f"slower, now faster. That may be all that is wrong; if not: {seen.message}",
        ) from seen


def refuse_unlike_slack(slack: Slack | None) -> None:
    """Refuse a drive whose slack is taken up on one flank only: on the other the spring pushes the cam ahead.

    Play between crank and cam is the same everywhere; a cam that runs ahead on the closing flank stands there where
    the way back has it.

    Raises
    ------
    Refusal
        `spring_drives_cam`.
    """
    if slack is None or slack.apart_deg < max(_UNLIKE_SLACK_DEG, _UNLIKE_DOUBTS * slack.apart_u_deg):
        return
    raise Refusal(
        "spring_drives_cam",
        f"On the way back the opening flank shows {slack.apart_deg:.1f} degrees more slack than the closing one: past "
        "full lift the spring drives the cam on through the slack; fit light checking springs or hold the tensioner, "
        "and turn slowly over the nose.",
    )


def _refuse_gap(fit: LobeFit, before: float, after: float) -> None:
    phase = np.sort(fit.placed.phase_deg)
    inside = phase[(phase > before - 10.0) & (phase < after + 10.0)]
    edges = np.concatenate([[before - 10.0], inside, [after + 10.0]])
    widest = int(np.argmax(np.diff(edges)))
    gap = float(edges[widest + 1] - edges[widest])
    if gap > 0.6 * (after - before + 20.0):
        raise Refusal(
            "gap_at_nose",
            f"There is no reading over {gap:.0f} degrees of the nose: turn more slowly, or more "
            "often, through it.",
        )


def warnings_of(
    fit: LobeFit,
    shape: LobeShape,
    prior: LagPrior,
    scatter: PassScatter,
    slack: Slack | None,
    *,
    forward_only: bool,
) -> tuple[Warn, ...]:
    """Tell what the builder should know of a number that is given."""
    warnings = [*_agreement(scatter), *_way_back(slack, forward_only=forward_only)]
    if prior.u_s > 0.03 and fit.lag_u_s > 0.25 * prior.u_s:
        warnings.append(
            Warn(
                "lag_not_found",
                f"How late the gauge answers could not be told from these passes "
                f"(to {1e3 * fit.lag_u_s:.0f} ms), so the interval is wide: turn through the lobe at two "
                "different speeds, or measure TDC first with this gauge.",
            )
        )
    if fit.base_mm is None:
        warnings.append(
            Warn(
                "base_circle_not_seen",
                "The base circle was not seen, so peak lift is a gauge reading and no events are told: "
                "turn two whole turns for those.",
            )
        )
    steep = max((abs(shape.slope_at(_FOOT_LIFT_MM, side)) for side in (-1, 1)), default=0.0)
    if fit.base_mm is not None and steep > _SHARP_FOOT_MM_DEG:
        warnings.append(
            Warn(
                "sharp_foot",
                f"The lift begins or ends with a corner ({steep:.2f} mm a degree): the plunger hangs free or stands "
                "at its stop on the base circle, or the clearance is wide. The centre holds; check the gauge's "
                "reach before trusting events.",
            )
        )
    return tuple(warnings)


def encoder_not_stated(encoder_u_deg: float, settings: LobeSettings, u95_deg: float) -> list[Warn]:
    """Say what an encoder fitted by eye could add where nobody stated its limit, and it is more than the interval holds.

    Parameters
    ----------
    encoder_u_deg : float
        What the supposed limit adds to the interval, a standard uncertainty.
    """
    if not settings.encoder_supposed or encoder_u_deg <= 0.0:
        return []
    could_deg = 2.0 * encoder_u_deg * WORST_ENCODER_ERROR_DEG / settings.encoder_error_deg
    if could_deg <= u95_deg:
        return []
    return [
        Warn(
            "encoder_not_stated",
            f"Nothing is stated of the encoder: {settings.encoder_error_deg:g} degrees over its turn are supposed. One "
            f"whose coupling was fitted by eye can be out by {WORST_ENCODER_ERROR_DEG:g}, and this centre by "
            f"{could_deg:.1f}: state its limit, or turn its body on the crank by half a turn and measure TDC and this "
            "lobe again.",
        )
    ]


def _way_back(slack: Slack | None, *, forward_only: bool) -> list[Warn]:
    """What `refuse_unlike_slack` could not have seen: a thrown cam rounds a lobe off as smoothly as a grinder."""
    if slack is not None and _UNLIKE_DOUBTS * slack.apart_u_deg <= _UNSEEN_DEG:
        return []
    return [
        Warn(
            "slack_not_seen",
            "Both flanks were not seen on a way back, so a cam that the springs throw ahead over its nose would not "
            f"show: fit light checking springs{'' if forward_only else WAY_BACK_TELLS}.",
        )
    ]


def _agreement(scatter: PassScatter) -> list[Warn]:
    """Say how little is known of whether the lobe repeats, where that is little."""
    if scatter.passes < 2:
        return [
            Warn(
                "seen_once",
                "The whole nose was passed once only, and nothing shows that it repeats: turn forwards through "
                "the lobe again.",
            )
        ]
    if scatter.unseen_deg > _UNSEEN_DEG:
        return [
            Warn(
                "agreement_unproven",
                f"The passes had to tell the gauge's lag, so play between them up to {scatter.unseen_deg:.1f} "
                "degrees would not show: turn one more, or measure TDC first with this gauge.",
            )
        ]
    if scatter.freedom and scatter.chi_square > by_chance(scatter.freedom):
        return [
            Warn(
                "agreement_unproven",
                "The passes agree on one lobe less well than their readings scatter, too little to say what is wrong: a "
                "cam with play on its key and a gauge of which the lag is not known look alike. Turn through the lobe "
                "again, or measure TDC first with this gauge.",
            )
        ]
    return []
