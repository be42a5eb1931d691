"""A lobe's lift by degree with the covariance of its errors: off a kept trace, or off a table of degrees and lifts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicSpline, PchipInterpolator

from analysis.base import EntryError, Floats, GaugeFacts, LobeSettings
from analysis.lobe import Measured
from analysis.report.reading_off import ReadingOff

STEP_DEG = 2.0
_FEWEST_ROWS = 8
_MOST_ROWS = 2000
_MOST_LIFT_MM = 100.0
_LARGEST_GAP_DEG = 24.0
_FOOT_SHARE = 0.05


@dataclass(frozen=True, slots=True)
class KeptProfile:
    """Lift by crank degree from full lift, every `STEP_DEG`.

    Attributes
    ----------
    from_full_lift_deg, lift_mm : ndarray, shape (n,)
    covariance : ndarray, shape (n, n)
        Of the lifts, mm², at places of the fit.
    placed_covariance : ndarray, shape (n, n)
        The same with what full lift itself is off by: all places are counted from it.
    """

    from_full_lift_deg: Floats
    lift_mm: Floats
    covariance: Floats
    placed_covariance: Floats

    def at(self, deg: Floats) -> tuple[Floats, Floats]:
        """Lift and slope at degrees from full lift; nought beyond either end."""
        spline = CubicSpline(self.from_full_lift_deg, self.lift_mm)
        inside = (deg >= self.from_full_lift_deg[0]) & (deg <= self.from_full_lift_deg[-1])
        return np.where(inside, spline(deg), 0.0), np.where(inside, spline(deg, 1), 0.0)


def kept_profile(found: Measured, settings: LobeSettings, gauge: GaugeFacts) -> KeptProfile:
    """Take the profile off a fitted lobe."""
    off = ReadingOff(found, settings, gauge)
    basis, at_full = found.fit.basis, found.shape.full_lift()
    full = at_full.value
    first = np.ceil((basis.first_deg - full) / STEP_DEG) * STEP_DEG
    last = np.floor((basis.last_deg - full) / STEP_DEG) * STEP_DEG
    around: Floats = np.arange(first, last + 0.5 * STEP_DEG, STEP_DEG)
    rows = off.rows(around + full)
    slopes = found.fit.lift_mm(around + full, 1)
    placed = rows + np.outer(slopes, at_full.gradient)
    own, placed_own = (some @ found.fit.covariance @ some.T + off.base_u_mm**2 for some in (rows, placed))
    return KeptProfile(around, found.fit.lift_mm(around + full), own, placed_own)


def profile_of_table(rows: Sequence[tuple[float, float]], *, cam_degrees: bool = True) -> KeptProfile:
    """Take the profile off a table of degrees and lifts in mm, as a card has it.

    Degrees may count from anywhere and go either over the whole lobe or, where the first lift is the highest, down
    one side of a symmetric lobe. Lifts are believed to their last typed digit.

    Raises
    ------
    EntryError
        Where the rows are no lobe.

    Examples
    --------
    >>> rows = [(deg, 4.0 + 4.0 * np.cos(np.radians(3 * deg))) for deg in range(-60, 61, 5)]
    >>> float(profile_of_table(rows).lift_mm.max())
    8.0
    """
    deg, lift = _read(rows)
    if int(np.argmax(lift)) == 0:
        deg = np.concatenate([2.0 * deg[0] - deg[:0:-1], deg])
        lift = np.concatenate([lift[:0:-1], lift])
    crank = deg * (2.0 if cam_degrees else 1.0)
    _refuse_no_lobe(crank, lift)
    curve = PchipInterpolator(crank, lift)
    full = _full_lift(crank, lift)
    first = np.ceil((crank[0] - full) / STEP_DEG) * STEP_DEG
    around: Floats = np.arange(first, crank[-1] - full + 1e-9, STEP_DEG)
    u_mm = _last_digit(lift) / np.sqrt(12.0)
    own = np.eye(len(around)) * u_mm**2
    return KeptProfile(around, np.asarray(curve(around + full)), own, own)


def _read(rows: Sequence[tuple[float, float]]) -> tuple[Floats, Floats]:
    """Refuse a table that is none, else give its degrees, rising, and its lifts."""
    if not _FEWEST_ROWS <= len(rows) <= _MOST_ROWS:
        raise EntryError(
            "bad_lift_table",
            f"The lift table has {len(rows)} rows; give {_FEWEST_ROWS} to {_MOST_ROWS}, each a degree and a lift.",
        )
    table = np.array(sorted(rows), float)
    deg, lift = table[:, 0], table[:, 1]
    if not np.all(np.isfinite(table)) or np.any(np.abs(deg) > 1440.0) or np.any(np.abs(lift) > _MOST_LIFT_MM):
        raise EntryError(
            "bad_lift_table", "The lift table holds a degree or a lift that cannot be; look it through."
        )
    twice = deg[1:][np.diff(deg) <= 0.0]
    if len(twice):
        raise EntryError(
            "bad_lift_table", f"The lift table has {twice[0]:g} degrees twice; leave one of them out."
        )
    return deg, lift


def _refuse_no_lobe(crank: Floats, lift: Floats) -> None:
    most = float(lift.max())
    if max(float(lift[0]), float(lift[-1])) > _FOOT_SHARE * most or most <= 0.0:
        raise EntryError(
            "bad_lift_table",
            "The lift table does not come down to the base circle at both ends; give it from no lift to no lift.",
        )
    gap = float(np.diff(crank).max())
    if gap > _LARGEST_GAP_DEG:
        raise EntryError(
            "bad_lift_table",
            f"The lift table leaves out {gap:g} crank degrees at one place; give a lift every "
            f"{_LARGEST_GAP_DEG / 2:g} cam degrees or closer.",
        )


def _full_lift(crank: Floats, lift: Floats) -> float:
    """Middle of the highest lifts: as the table has them, a flat nose has several alike."""
    highest = crank[lift >= lift.max() - 1e-9]
    if len(highest) > 1:
        return float(0.5 * (highest[0] + highest[-1]))
    at = int(np.argmax(lift))
    if at in {0, len(lift) - 1}:
        return float(crank[at])
    bend = np.polyfit(crank[at - 1 : at + 2] - crank[at], lift[at - 1 : at + 2], 2)
    return float(crank[at] - bend[1] / (2.0 * bend[0]))


def _last_digit(lift: Floats) -> float:
    """Step of the digits that the lifts were typed with, mm."""
    for decimals in range(1, 6):
        if np.allclose(lift, np.round(lift, decimals), atol=1e-9):
            return float(10.0**-decimals)
    return 1e-5
