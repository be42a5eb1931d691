"""One profile against another: the phase that suits them best, and where they differ by more than chance.

Both are laid over one another by their flanks. A worn place pulls at that phase, so what lies far off counts less and
less (Tukey's biweight). What is then left is looked at through windows of several widths: a difference is told where
a window's mean is further from nought than chance lets any window of the whole lobe be. A whole lobe that is higher
or lower by one share, or by one height, is told as that and not as wear: a gauge stood at another angle, or another
clearance, makes it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from analysis.base import Floats
from analysis.report.kept_profile import STEP_DEG, KeptProfile
from analysis.report.reading_off import Figure

_ROUNDS = 30
_FAR = 4.685
_LEAST_U_MM = 0.001
_MODEL_U_MM = 0.002
_WINDOWS_DEG = (8.0, 16.0, 32.0)
_CHANCE = 4.5
_LEAST_MM = 0.01
_LIFTED_MM = 0.5
_LEAST_SHARE = 0.6
# Wear is of a place; what reaches over half a lobe is another grind.
_WORN_REACH_CAM_DEG = 50.0
Alike = Literal["", "scale", "height"]


@dataclass(frozen=True, slots=True)
class Place:
    """Where two profiles differ.

    Attributes
    ----------
    by_mm
        The first less the second: negative is worn, or ground lower.
    from_nose_cam_deg
        Cam degrees after full lift; negative is before it, on the opening flank.
    from_cam_deg, to_cam_deg
        How far the difference reaches.
    ramp
        Whether it lies on a ramp: at less than `_LIFTED_MM` of lift.
    """

    by_mm: Figure
    from_nose_cam_deg: float
    from_cam_deg: float
    to_cam_deg: float
    ramp: bool

    @property
    def words(self) -> str:
        """The place in words, such as ``worn by 0.08 ± 0.01 mm at 12° after the nose``."""
        lower = "lower" if self.to_cam_deg - self.from_cam_deg > _WORN_REACH_CAM_DEG else "worn"
        how = lower if self.by_mm.value < 0.0 else "higher"
        side = "after" if self.from_nose_cam_deg >= 0.0 else "before"
        flank = "closing" if self.from_nose_cam_deg >= 0.0 else "opening"
        ramp = f", on the {flank} ramp" if self.ramp else ""
        return (
            f"{how} by {abs(self.by_mm.value):.3f} ± {self.by_mm.u95:.3f} mm at "
            f"{abs(self.from_nose_cam_deg):.0f} cam deg {side} the nose{ramp}"
        )


@dataclass(frozen=True, slots=True)
class Against:
    """What a profile shows against another.

    Attributes
    ----------
    phase_deg
        Crank degrees by which the first stands later than the second, both counted from their full lift.
    alike
        ``scale`` or ``height`` where the whole lobe is higher or lower by one share or one height, and that is all.
    alike_by
        The share (of the lift), or the height in mm.
    from_full_lift_deg, difference_mm, u_mm
        The difference by crank degree and its standard uncertainty.
    rms_mm
        Root of the mean square of the difference over the lifted part: what cams on file are ranked by.
    """

    phase_deg: Figure
    places: tuple[Place, ...]
    alike: Alike
    alike_by: Figure | None
    from_full_lift_deg: Floats
    difference_mm: Floats
    u_mm: Floats
    rms_mm: float

    @property
    def sentences(self) -> tuple[str, ...]:
        """What a builder reads: one sentence a place, or that nothing differs."""
        if self.alike and self.alike_by is not None:
            return (_alike_words(self.alike, self.alike_by),)
        if not self.places:
            return ("No place differs by more than chance.",)
        return tuple(f"{one.words[0].upper()}{one.words[1:]}." for one in self.places)


def _alike_words(alike: Alike, by: Figure) -> str:
    way = "higher" if by.value > 0.0 else "lower"
    if alike == "scale":
        return (
            f"The whole lobe is {way} by {100.0 * abs(by.value):.2f} ± {100.0 * by.u95:.2f} % of its lift: a gauge at "
            "another angle or another rocker ratio does that, wear does not."
        )
    return (
        f"The whole lobe is {way} by {abs(by.value):.3f} ± {by.u95:.3f} mm above the ramps: another valve clearance "
        "does that, or wear of the whole lobe."
    )


def against(now: KeptProfile, before: KeptProfile) -> Against:
    """Hold one profile against another; see the module."""
    deg, phase, telling = _best_phase(now, before)
    slid, slope = before.at(deg - phase)
    left = now.at(deg)[0] - slid
    covariance, placed = _covariances(now, before, deg)
    telling = telling / float(telling @ slope)
    # What the phase takes up is taken out of the errors, too.
    freed = np.eye(len(deg)) + np.outer(slope, -telling)
    own = freed @ covariance @ freed.T + np.eye(len(deg)) * _MODEL_U_MM**2
    lifted = slid > _LIFTED_MM
    places = _places(deg, left, own, slid)
    alike, by = _alike(left, own, slid, places)
    return Against(
        phase_deg=Figure(phase, 2.0 * float(np.sqrt(telling @ placed @ telling))),
        places=() if alike else places,
        alike=alike,
        alike_by=by,
        from_full_lift_deg=deg,
        difference_mm=left,
        u_mm=np.sqrt(np.diag(own)),
        rms_mm=float(np.sqrt(np.mean(left[lifted] ** 2))) if np.any(lifted) else 0.0,
    )


def _covariances(now: KeptProfile, before: KeptProfile, deg: Floats) -> tuple[Floats, Floats]:
    """Of the difference, by the fits and as placed from full lift: both have errors of their own."""
    total, placed = np.zeros((2, len(deg), len(deg)))
    for one in (now, before):
        place = np.rint((deg - one.from_full_lift_deg[0]) / STEP_DEG).astype(int)
        inside = (place >= 0) & (place < len(one.from_full_lift_deg))
        at = np.flatnonzero(inside)
        total[np.ix_(at, at)] += one.covariance[np.ix_(place[at], place[at])]
        placed[np.ix_(at, at)] += one.placed_covariance[np.ix_(place[at], place[at])]
    least = np.eye(len(deg)) * _LEAST_U_MM**2
    return total + least, placed + least


def _best_phase(now: KeptProfile, before: KeptProfile) -> tuple[Floats, float, Floats]:
    """Degrees compared, the best phase, and how much each difference tells of it."""
    first = min(now.from_full_lift_deg[0], before.from_full_lift_deg[0])
    last = max(now.from_full_lift_deg[-1], before.from_full_lift_deg[-1])
    deg: Floats = np.arange(first, last + 0.5 * STEP_DEG, STEP_DEG)
    lift = now.at(deg)[0]
    spread = np.sqrt(np.diag(_covariances(now, before, deg)[0]))
    phase, weight = 0.0, np.ones(len(deg))
    telling = np.zeros(len(deg))
    for _ in range(_ROUNDS):
        slid, slope = before.at(deg - phase)
        left = lift - slid
        scale = max(1.4826 * float(np.median(np.abs(left / spread))), 1.0) * spread
        weight = np.clip(1.0 - (left / (_FAR * scale)) ** 2, 0.0, None) ** 2 / spread**2
        pull = -weight * slope
        moved = float(pull @ left) / max(float(pull @ -slope), 1e-12)
        phase += float(np.clip(moved, -10.0, 10.0))
        telling = pull
        if abs(moved) < 1e-5:
            break
    return deg, phase, telling


def _window_mean(left: Floats, own: Floats, width: int) -> tuple[Floats, Floats]:
    """Means over windows of so many degrees and their standard uncertainties, by their first place."""
    count = len(left) - width + 1
    rows = np.zeros((count, len(left)))
    for at in range(width):
        rows[np.arange(count), np.arange(count) + at] = 1.0 / width
    return rows @ left, np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", rows, own, rows), 1e-12))


def _flagged(left: Floats, own: Floats) -> Floats:
    """How far each degree lies in a window that chance does not explain: 0 where in none."""
    most = np.zeros(len(left))
    for wide in _WINDOWS_DEG:
        width = round(wide / STEP_DEG)
        if width >= len(left):
            continue
        mean, u = _window_mean(left, own, width)
        for at in np.flatnonzero((np.abs(mean) > _CHANCE * u) & (np.abs(mean) > _LEAST_MM)):
            inside = slice(int(at), int(at) + width)
            most[inside] = np.maximum(most[inside], abs(mean[at] / u[at]))
    return most


def _places(deg: Floats, left: Floats, own: Floats, lift: Floats) -> tuple[Place, ...]:
    """Stretches that differ by more than chance, the worst first."""
    flagged = _flagged(left, own) > 0.0
    edges = np.flatnonzero(np.diff(np.concatenate([[0], flagged.astype(int), [0]])))
    found = []
    for start, end in zip(edges[::2], edges[1::2], strict=True):
        at = int(start + np.argmax(np.abs(left[start:end])))
        found.append(
            Place(
                Figure(float(left[at]), 2.0 * float(np.sqrt(own[at, at]))),
                0.5 * float(deg[at]),
                0.5 * float(deg[start]),
                0.5 * float(deg[end - 1]),
                bool(lift[at] < _LIFTED_MM),
            )
        )
    return tuple(sorted(found, key=lambda one: -abs(one.by_mm.value)))


def _alike(left: Floats, own: Floats, lift: Floats, places: tuple[Place, ...]) -> tuple[Alike, Figure | None]:
    """Whether one share of the lift, or one height, explains all that differs."""
    if not places:
        return "", None
    shapes: tuple[tuple[Alike, Floats], ...] = (
        ("scale", lift),
        ("height", np.clip(lift / _LIFTED_MM, 0.0, 1.0)),
    )
    for name, shape in shapes:
        weight = 1.0 / np.diag(own)
        told = float((weight * shape) @ shape)
        by = float((weight * shape) @ left) / told
        rest = left - by * shape
        share = 1.0 - float(weight @ rest**2) / float(weight @ left**2)
        if share > _LEAST_SHARE and not np.any(_flagged(rest, own)):
            row = weight * shape / told
            return name, Figure(by, 2.0 * float(np.sqrt(row @ own @ row)))
    return "", None
