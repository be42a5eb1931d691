"""A cam report as pages and programs get it, and its curve as CSV."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import numpy as np
from pydantic import field_validator

from analysis.base import Floats
from api.base import Body, Finding, csv_text

if TYPE_CHECKING:
    from analysis.report import Profile

By = Literal["crank", "cam"]
Unit = Literal["mm", "in"]


class FigureView(Body):
    """A number and its expanded uncertainty (k = 2)."""

    value: float
    u95: float


class KeptPart(Body):
    """As what a result is kept: its number, the job that was open, and its entry there where the part was named."""

    number: int
    job_id: int | None = None
    fact: int | None = None
    sentence: str


class PartView(Body):
    """What was told of a part; everything told is kept."""

    kept: KeptPart | None = None


class AtLiftView(Body):
    """All that is told at one check lift: crank degrees, mm a crank degree, mm times crank degrees."""

    lift_mm: float
    opens_deg: FigureView
    closes_deg: FigureView
    duration_deg: FigureView
    area_mm_deg: FigureView
    opening_mm_deg: FigureView
    closing_mm_deg: FigureView
    flank_asymmetry_deg: FigureView


class RampView(Body):
    """The slow part at the foot of a flank."""

    height_mm: FigureView
    length_deg: FigureView


class ProfileView(Body):
    """The curve by crank degree, its rate and its acceleration, each with its standard uncertainty."""

    crank_deg: list[float]
    from_full_lift_deg: list[float]
    lift_mm: list[float]
    lift_u_mm: list[float]
    rate_mm_deg: list[float]
    rate_u_mm_deg: list[float]
    acceleration_mm_deg2: list[float]
    acceleration_u_mm_deg2: list[float]

    @field_validator("*", mode="before")
    @classmethod
    def _listed(cls, values: Floats) -> list[float]:
        rounded: list[float] = np.round(values, 7).tolist()
        return rounded


class CamReportView(Body):
    """All that one kept lobe tells, every number with its interval; `None` where the trace does not tell it."""

    full_lift_deg: FigureView
    peak_lift_mm: FigureView
    at_lifts: list[AtLiftView]
    at_inch_lifts: list[AtLiftView]
    area_mm_deg: FigureView
    steepest_opening_mm_deg: FigureView | None
    steepest_closing_mm_deg: FigureView | None
    opening_ramp: RampView | None
    closing_ramp: RampView | None
    base_circle_mm: FigureView | None
    nose_asymmetry_deg: FigureView | None
    profile: ProfileView
    warnings: list[Finding]


class OverlapView(Body):
    """Both valves of one cylinder; `at_lift_deg` by check lift in mm."""

    area_mm_deg: FigureView
    at_lift_deg: dict[float, FigureView]
    separation_cam_deg: FigureView


class PlaceView(Body):
    """Where two profiles differ; `by_mm` negative is worn. Cam degrees after full lift, negative before it."""

    by_mm: FigureView
    from_nose_cam_deg: float
    from_cam_deg: float
    to_cam_deg: float
    ramp: bool
    words: str


class AgainstView(Body):
    """One profile against another: best phase, difference with its standard uncertainty, what differs.

    `alike` is ``scale`` or ``height`` where the whole lobe is higher or lower by one share or one height.
    """

    phase_deg: FigureView
    places: list[PlaceView]
    alike: str
    alike_by: FigureView | None
    rms_mm: float
    from_full_lift_deg: list[float]
    difference_mm: list[float]
    u_mm: list[float]
    sentences: list[str]

    @field_validator("from_full_lift_deg", "difference_mm", "u_mm", mode="before")
    @classmethod
    def _listed(cls, values: Floats) -> list[float]:
        rounded: list[float] = np.round(values, 6).tolist()
        return rounded


def profile_csv(profile: Profile, by: By = "crank", unit: Unit = "mm") -> str:
    """Give the curve as CSV, a row a crank or a cam degree from full lift, each value with its interval (k = 2)."""
    from analysis.report import MM_PER_INCH  # here: it would hold up the first page

    turns = 1.0 if by == "crank" else 2.0
    length = 1.0 if unit == "mm" else 1.0 / MM_PER_INCH
    around = profile.from_full_lift_deg
    rows: Floats = np.arange(np.ceil(around[0] / turns), np.floor(around[-1] / turns) + 1.0) * turns
    columns = [
        (f"lift_{unit}", profile.lift_mm, profile.lift_u_mm, 1.0),
        (f"rate_{unit}_deg", profile.rate_mm_deg, profile.rate_u_mm_deg, turns),
        (
            f"acceleration_{unit}_deg2",
            profile.acceleration_mm_deg2,
            profile.acceleration_u_mm_deg2,
            turns**2,
        ),
    ]
    told: list[Floats] = []
    for _, value, u, power in columns:
        told.append(np.interp(rows, around, value) * length * power)
        told.append(np.interp(rows, around, 2.0 * u) * length * power)
    heads = [name for column, *_ in columns for name in (column, f"{column}_u95")]
    crank = np.mod(profile.crank_deg[0] + rows - around[0], 720.0)
    lines = (
        [f"{deg / turns:g}", f"{crank[at]:.3f}", *(f"{values[at]:.7f}" for values in told)]
        for at, deg in enumerate(rows)
    )
    return csv_text([[f"{by}_deg_from_full_lift", "crank_deg", *heads], *lines])
