"""The cam report of a job: every lobe measured, beside its card and beside its neighbours."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from analysis.timing import Job, Lobe, LobeCard, LobeMeasured
from api.base import Body, ConflictError, ServiceError
from api.measure import CamReportView, Fits, OverlapView

if TYPE_CHECKING:
    from analysis.report import CamReport


class CardFigures(Body):
    """What the card says of a lobe and a report can be held to; `None` where it is silent."""

    duration_deg: float | None
    check_lift_mm: float | None
    lift_mm: float | None
    lift_at_tdc_mm: float | None


class LobeReport(Body):
    """One lobe: its report, or why there is none; the card beside it; its lift at TDC with its interval."""

    cylinder: str
    valve: str
    measurement_id: int | None
    report: CamReportView | None
    why_not: str
    card: CardFigures | None
    lift_at_tdc_mm: float | None
    lift_at_tdc_u95_mm: float | None


class CylinderOverlap(Body):
    """Both lobes of a cylinder."""

    cylinder: str
    overlap: OverlapView
    card_separation_cam_deg: float | None


class JobCamReport(Body):
    """The lobes of a job in the engine's order, and what those of one cylinder have in common."""

    lobes: list[LobeReport]
    overlaps: list[CylinderOverlap]


def job_cam_report(job: Job, newest: Mapping[Lobe, tuple[int, LobeMeasured]], fits: Fits) -> JobCamReport:
    """Make the report of a job from the newest measurement of every lobe; takes a fit a lobe.

    Raises
    ------
    ConflictError
        ``nothing_measured``.
    """
    if not newest:
        raise ConflictError("nothing_measured", "No lobe of this job is measured yet; measure one first.")
    order = [lobe for valve in ("inlet", "exhaust") for lobe in newest if lobe.valve == valve]
    order.sort(key=lambda lobe: (lobe.valve == "exhaust", job.engine.cylinders.index(lobe.cylinder)))
    made: dict[Lobe, CamReport] = {}
    lobes = [_lobe(job, lobe, newest[lobe][1], fits, made) for lobe in order]
    return JobCamReport(lobes=lobes, overlaps=_overlaps(job, made))


def _lobe(
    job: Job, lobe: Lobe, measured: LobeMeasured, fits: Fits, made: dict[Lobe, CamReport]
) -> LobeReport:
    """One lobe's report, kept in `made`, or why there is none."""
    number, why_not = None, ""
    if measured.measurement_id.isdecimal():
        number = int(measured.measurement_id)
        try:
            made[lobe] = fits.report(number)[1]
        except ServiceError as error:
            why_not = error.message
    else:
        why_not = "Measured by hand: there is no trace to read a report off."
    u = measured.lift_at_tdc_u_mm
    return LobeReport(
        cylinder=lobe.cylinder,
        valve=lobe.valve,
        measurement_id=number,
        report=CamReportView.model_validate(made[lobe]) if lobe in made else None,
        why_not=why_not,
        card=_card(job.card.lobe(lobe.valve)),
        lift_at_tdc_mm=measured.lift_at_tdc_mm,
        lift_at_tdc_u95_mm=None if u is None else 2.0 * u,
    )


def _card(card: LobeCard | None) -> CardFigures | None:
    """What the card says in the report's terms: lift at the valve, duration from its events."""
    if card is None:
        return None
    duration = card.duration_deg
    if duration is None and card.opens_deg is not None and card.closes_deg is not None:
        duration = card.opens_deg + 180.0 + card.closes_deg
    lift = card.lift_mm
    if lift is not None and card.lift_at == "lobe":
        lift = lift * card.rocker_ratio - (card.running_clearance_mm or 0.0)
    return CardFigures(
        duration_deg=duration,
        check_lift_mm=card.check_lift_mm,
        lift_mm=lift,
        lift_at_tdc_mm=card.lift_at_tdc_mm,
    )


def _overlaps(job: Job, made: Mapping[Lobe, CamReport]) -> list[CylinderOverlap]:
    from analysis.report import overlap_of  # here: it would hold up the first page

    both = [
        (cylinder, made[Lobe(cylinder, "inlet")], made[Lobe(cylinder, "exhaust")])
        for cylinder in job.engine.cylinders
        if Lobe(cylinder, "inlet") in made and Lobe(cylinder, "exhaust") in made
    ]
    return [
        CylinderOverlap(
            cylinder=cylinder,
            overlap=OverlapView.model_validate(overlap_of(inlet, exhaust)),
            card_separation_cam_deg=_card_separation(job),
        )
        for cylinder, inlet, exhaust in both
    ]


def _card_separation(job: Job) -> float | None:
    card = job.card
    if card.separation_cam_deg is not None:
        return card.separation_cam_deg
    halves = [one.full_lift_deg for one in (card.inlet, card.exhaust) if one is not None]
    if len(halves) == 2 and halves[0] is not None and halves[1] is not None:
        return 0.5 * (halves[0] + halves[1])
    return None
