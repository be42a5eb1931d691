"""Guidance while a cam is moved, reading by reading: how much to go, and whether all else stands still.

Two ways. With the crank held on a flank the cam is turned until the gauge shows its target: there the stored
lift curve is steep, so the gauge sees hundredths of a degree, where at full lift it is blind. Or the cam is
held and the crank is turned by the error, past the number first when it goes back, so that the slack ends on
the right side. Pure: each call gives a view; the caller keeps what it is given.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from analysis.base import Floats, Refusal
from analysis.timing import CYCLE_DEG, StoredLift, nearest

Tone = Literal["", "approach", "on_the_number", "overshot", "fault"]

AIM_DEG = 0.1
"""Within this a move is on its number: a fifth of a racing tolerance; common practice, no source."""

STILL_DEG = 0.3
"""How far a held crank may wander, crank degrees, before the gauge's target no longer holds."""

_FOLLOWED_DEG = 25.0
"""How far beyond either end of the move it is still followed, where the flank goes that far."""


@dataclass(frozen=True, slots=True)
class FlankMove:
    """A move with the crank held: gauge readings against the cam's error still to go.

    Attributes
    ----------
    park_deg
        Where the crank stands; `error_deg` is the part of the error that this move takes away.
    target_mm
        Gauge reading to stop at; `start_mm` is where it stood.
    window_mm
        Half width of "on the number".
    readings_mm, to_go_deg : tuple of float
        Rising gauge readings and the error that is left at each, positive = late.
    """

    park_deg: float
    error_deg: float
    start_mm: float
    target_mm: float
    window_mm: float
    readings_mm: tuple[float, ...]
    to_go_deg: tuple[float, ...]
    may_turn_back: bool = True


@dataclass(frozen=True, slots=True)
class CrankMove:
    """A move with the cam held: where the crank goes, in its own degrees.

    `back_to_deg` is how far back it goes first; at or above `start_deg` where it need not.
    """

    start_deg: float
    target_deg: float
    back_to_deg: float
    window_deg: float
    gauge_mm: float
    gauge_limit_mm: float
    may_turn_back: bool


@dataclass(frozen=True, slots=True)
class MoveView:
    """What the builder sees and hears at one moment.

    Attributes
    ----------
    phase
        ``turn_cam``, ``turn_back``, ``come_forward``, ``hold`` (something moved that should stand still) or
        ``done``.
    to_go_mm
        What the gauge must still move, signed; `None` with the cam held.
    to_go_deg
        Crank held: error still left, positive = late. Cam held: crank still to turn, positive = forward.
    """

    phase: Literal["turn_cam", "turn_back", "come_forward", "hold", "done"]
    tone: Tone
    sentence: str
    to_go_deg: float
    to_go_mm: float | None = None
    target_mm: float | None = None
    still: bool = True


# ---------------------------------------------------------------- crank held, cam turned


def flank_move(
    lift: StoredLift,
    error_deg: float,
    *,
    park_deg: float,
    reading_mm: float,
    polarity: int = 1,
    step_mm: float = 0.01,
    expected_mm: float | None = None,
    forward_only: bool = False,
) -> FlankMove:
    """Return the move of a cam whose error (positive = late) is to be taken away at a held crank.

    Parameters
    ----------
    park_deg
        Where the crank stands now, degrees after overlap TDC of the reference cylinder.
    reading_mm
        What the gauge shows now, standing still.
    polarity
        +1 where the reading grows with the lift, else -1.
    expected_mm
        What the gauge shows there by the stored curve, the cam not yet moved. With it the move is led by the curve
        itself, so that what the cam slipped when its bolts were slackened is in what is still to go.

    Raises
    ------
    Refusal
        ``not_on_a_flank``: the lift does not rise or fall all the way from here to the target.
    """
    size = abs(error_deg)
    reach = _reach(size)
    made = reach if error_deg >= 0 else -reach
    lifts = lift.lifts_mm(park_deg + made)
    inside = _monotone_part(lifts, reach, size)
    unmoved = reading_mm if expected_mm is None else expected_mm
    readings = unmoved + polarity * (lifts[inside] - lift.lift_mm(park_deg))
    target = unmoved + polarity * (lift.lift_mm(park_deg + error_deg) - lift.lift_mm(park_deg))
    left = error_deg - made[inside]
    order = np.argsort(readings)
    slope = abs(lift.slope_mm_deg(park_deg + error_deg))
    return FlankMove(
        park_deg=park_deg,
        error_deg=error_deg,
        start_mm=reading_mm,
        target_mm=target,
        window_mm=max(AIM_DEG * slope, 0.75 * step_mm),
        readings_mm=tuple(float(value) for value in readings[order]),
        to_go_deg=tuple(float(value) for value in left[order]),
        may_turn_back=not forward_only,
    )


def _reach(size_deg: float) -> Floats:
    """Degrees of a move, a good way beyond either end, with both ends among them and no two alike."""
    beyond = np.arange(0.25, _FOLLOWED_DEG, 0.25)
    between = np.linspace(0.0, size_deg, max(2, int(size_deg / 0.25) + 1)) if size_deg > 0.01 else np.zeros(1)
    return np.concatenate([-beyond[::-1], between, between[-1] + beyond])


def _monotone_part(lifts: Floats, reach: Floats, error_size: float) -> slice:
    """The stretch around the move over which lift only rises or only falls."""
    needed = (reach >= -1e-9) & (reach <= error_size + 1e-9)
    rising = np.sign(np.diff(lifts))
    first, last = int(np.argmax(needed)), len(needed) - 1 - int(np.argmax(needed[::-1]))
    way = rising[min(first, len(rising) - 1)]
    if not np.all(np.isfinite(lifts[first : last + 1])) or not way or np.any(rising[first:last] != way):
        raise Refusal(
            "not_on_a_flank",
            "From where the crank stands the lift does not rise or fall steadily to the target, so the gauge "
            "cannot guide the move. Park the crank where you are told.",
        )
    while first > 0 and rising[first - 1] == way:
        first -= 1
    while last < len(rising) and rising[last] == way:
        last += 1
    return slice(first, last + 1)


def follow_flank(move: FlankMove, reading_mm: float, crank_deg: float) -> MoveView:
    """Return what to do at one gauge reading while the cam is turned and the crank is held."""
    to_go_mm = move.target_mm - reading_mm
    left = float(np.interp(reading_mm, move.readings_mm, move.to_go_deg))
    view = MoveView("turn_cam", "approach", "", left, to_go_mm, move.target_mm)
    crank_off = nearest(crank_deg - move.park_deg)
    if abs(crank_off) > STILL_DEG:
        return replace(
            view, phase="hold", tone="fault", still=False, sentence=_hold_the_crank(move, crank_off)
        )
    if not move.readings_mm[0] <= reading_mm <= move.readings_mm[-1]:
        return replace(
            view,
            phase="hold",
            tone="fault",
            still=False,
            sentence="The gauge shows what this flank cannot: see that the plunger is on the retainer, then "
            "measure again.",
        )
    if abs(to_go_mm) <= move.window_mm:
        return replace(
            view, phase="done", tone="on_the_number", sentence="On the number: hold it and nip up."
        )
    make = "earlier" if left > 0 else "later"
    whole = move.target_mm - move.start_mm
    sentence = (
        f"Cam {make}: gauge to {move.target_mm:.2f}, {abs(to_go_mm):.2f} mm to go ({abs(left):.1f} deg)."
    )
    if to_go_mm * whole < 0:
        return replace(view, tone="overshot", sentence=f"Too far. {sentence}")
    if abs(to_go_mm) > abs(whole) + move.window_mm:
        return replace(view, tone="", sentence=f"The other way. {sentence}")
    return replace(view, sentence=sentence)


def _hold_the_crank(move: FlankMove, off_deg: float) -> str:
    if off_deg > 0 and not move.may_turn_back:
        return (
            f"The crank has moved {off_deg:.1f} deg forward, and this engine must not be turned back. Nip up, turn "
            "forward two turns, come to it again and begin the move anew."
        )
    return (
        f"The crank has moved {abs(off_deg):.1f} deg {'forward' if off_deg > 0 else 'back'}: bring it to "
        f"{move.park_deg % CYCLE_DEG:.1f}, coming forward, and hold it."
    )


# ---------------------------------------------------------------- cam held, crank turned


def crank_move(
    error_deg: float,
    *,
    crank_deg: float,
    gauge_mm: float,
    slack_deg: float | None = None,
    forward_only: bool = False,
    gauge_step_mm: float = 0.01,
) -> CrankMove:
    """Return the move of a crank under a held cam whose error (positive = late) is to be taken away.

    A late cam wants the crank back by its error, an early one forward.

    Parameters
    ----------
    error_deg, crank_deg : float
        Crank degrees: the error, and where the crank stands.
    gauge_mm, gauge_step_mm : float
        What the gauge on the held cam shows, and its step.
    slack_deg : float, optional
        Of the drive, which the way back has to take up.
    forward_only : bool
        Whether the engine must not be turned back.

    Raises
    ------
    Refusal
        ``forward_only``: the crank would have to go back on an engine that must not be turned back.
    """
    target = crank_deg - error_deg
    back_to = target - max(5.0, 1.5 * (slack_deg or 0.0) + 1.0)
    if error_deg > 0 and forward_only:
        raise Refusal(
            "forward_only",
            "This cam is late, so the crank would have to go back, and this engine must not be turned back. "
            "Hold the crank and turn the cam instead.",
        )
    return CrankMove(
        start_deg=crank_deg,
        target_deg=target,
        back_to_deg=back_to,
        window_deg=AIM_DEG,
        gauge_mm=gauge_mm,
        gauge_limit_mm=max(2.5 * gauge_step_mm, 0.02),
        may_turn_back=not forward_only,
    )


def first_phase(move: CrankMove) -> Literal["turn_back", "come_forward"]:
    """Return how the move begins: straight forward where the number lies ahead."""
    return "come_forward" if move.target_deg >= move.start_deg else "turn_back"


def follow_crank(
    move: CrankMove, phase: Literal["turn_back", "come_forward"], crank_deg: float, gauge_mm: float
) -> tuple[Literal["turn_back", "come_forward"], MoveView]:
    """Return the phase to keep for the next reading, and what to do at this one."""
    phase = _next_phase(move, phase, crank_deg)
    to_go = move.target_deg - crank_deg
    cam_off = gauge_mm - move.gauge_mm
    if abs(cam_off) > move.gauge_limit_mm:
        sentence = (
            f"The cam has moved: its gauge went {cam_off:+.2f} mm. Bring it back to {move.gauge_mm:.2f} and "
            "hold it."
        )
        return phase, MoveView("hold", "fault", sentence, to_go, -cam_off, move.gauge_mm, still=False)
    if phase == "turn_back":
        return phase, _turning_back(move, crank_deg)
    return phase, _coming_forward(move, to_go)


def _next_phase(
    move: CrankMove, phase: Literal["turn_back", "come_forward"], crank_deg: float
) -> Literal["turn_back", "come_forward"]:
    if phase == "turn_back" and crank_deg <= move.back_to_deg:
        return "come_forward"
    if phase == "come_forward" and crank_deg > move.target_deg + move.window_deg and move.may_turn_back:
        return "turn_back"
    return phase


def _turning_back(move: CrankMove, crank_deg: float) -> MoveView:
    back = move.back_to_deg - crank_deg
    past = crank_deg > max(move.target_deg + move.window_deg, move.start_deg + move.window_deg)
    words = "Too far: go back" if past else "Cam held: crank back"
    sentence = f"{words} {abs(back):.1f} deg, past the number, so that the slack is taken up coming forward."
    return MoveView("turn_back", "overshot" if past else "", sentence, back)


def _coming_forward(move: CrankMove, to_go_deg: float) -> MoveView:
    if abs(to_go_deg) <= move.window_deg:
        return MoveView("done", "on_the_number", "On the number: hold both and nip up.", to_go_deg)
    if to_go_deg < 0:
        sentence = (
            f"{abs(to_go_deg):.1f} deg too far, and this engine must not be turned back. Nip up, turn on two "
            "turns, measure, and correct again with the crank held."
        )
        return MoveView("hold", "overshot", sentence, to_go_deg)
    return MoveView("come_forward", "approach", f"Cam held: crank forward {to_go_deg:.1f} deg.", to_go_deg)
