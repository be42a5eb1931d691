"""The valve-to-piston map of a job: every cylinder, where the cams stand, where their card has them, the walls."""

from __future__ import annotations

from collections.abc import Mapping

from analysis.base import Refusal
from analysis.clearance import MAP_SHIFTS_DEG, CylinderMap, MapEdge, Pushed, piston_map
from analysis.job import CamStanding
from analysis.timing import Job, Lobe, Valve
from api.base import Body, ConflictError, with_service_errors


class WallView(Body):
    """Where a cam may go no further, crank degrees from where it stands, positive = later.

    `shift_deg`: the gap is the least allowed, `None` beyond the map; `sure_deg`: the gap less its interval is.
    """

    shift_deg: float | None
    sure_deg: float


class MapEdgeView(Body):
    """One valve at every phase of its cam, lists by `shifts_deg` of the map; `at_card_mm` beyond it is `None`."""

    valve: Valve
    least_mm: list[float]
    u95_mm: list[float]
    at_deg: list[float]
    now_mm: float
    now_u95_mm: float
    now_at_deg: float
    minimum_mm: float
    minimum_from: str
    call: str
    earlier: WallView | None
    later: WallView | None
    card_shift_deg: float | None
    at_card_mm: float | None
    at_card_u95_mm: float | None
    sentence: str


class NotMapped(Body):
    """A valve that is not in the map: why, and what to do."""

    valve: Valve
    code: str
    message: str


class CylinderMapView(Body):
    """Both valves of a cylinder.

    `spare_mm` has a row a shift of the inlet cam, a column a shift of the exhaust cam: what the nearer valve leaves
    over its least allowed, `u95_mm` its interval. Both are empty unless both valves are known.
    """

    cylinder: str
    edges: list[MapEdgeView]
    spare_mm: list[list[float]]
    u95_mm: list[list[float]]
    not_mapped: list[NotMapped]


class JobPistonMap(Body):
    """Valve to piston against the phase of both cams; `one_cam` tells that both move together."""

    shifts_deg: list[float]
    one_cam: bool
    cylinders: list[CylinderMapView]


@with_service_errors
def job_piston_map(
    job: Job, known: Mapping[Lobe, Pushed], cams: tuple[CamStanding, ...], tdc_u_deg: float
) -> JobPistonMap:
    """Make the map of a job.

    Raises
    ------
    ConflictError
        ``nothing_pushed``; ``no_piston_motion`` where the engine's geometry is not known.
    """
    if not known:
        raise ConflictError(
            "nothing_pushed",
            "No valve of this job was pushed onto its piston with its lift curve at hand. Measure a lobe over four "
            "full turns, then push its valve.",
        )
    to_card = {one.cam: one.to_make_deg for one in cams}
    maps = piston_map(job.engine, known, tdc_u_deg=tdc_u_deg)
    return JobPistonMap(
        shifts_deg=list(MAP_SHIFTS_DEG),
        one_cam=any(len(cam.valves) > 1 for cam in job.engine.cams),
        cylinders=[_cylinder(job, one, to_card) for one in maps],
    )


def _cylinder(job: Job, one: CylinderMap, to_card: Mapping[str, float | None]) -> CylinderMapView:
    edges = [edge for edge in (one.inlet, one.exhaust) if edge is not None]
    return CylinderMapView(
        cylinder=one.cylinder,
        edges=[_edge(edge, to_card.get(job.engine.cam_of(edge.lobe).name)) for edge in edges],
        spare_mm=one.spare_mm.round(3).tolist(),
        u95_mm=one.u95_mm.round(3).tolist(),
        not_mapped=[_not_mapped(lobe, why) for lobe, why in one.why_not.items()],
    )


def _edge(edge: MapEdge, card_deg: float | None) -> MapEdgeView:
    now = edge.now
    card = None if card_deg is None else edge.least_at(card_deg)
    return MapEdgeView(
        valve=edge.lobe.valve,
        least_mm=edge.least_mm.round(4).tolist(),
        u95_mm=edge.u95_mm.round(4).tolist(),
        at_deg=edge.at_deg.round(2).tolist(),
        now_mm=now.least_mm,
        now_u95_mm=now.u95_mm,
        now_at_deg=now.at_deg,
        minimum_mm=edge.minimum_mm,
        minimum_from=edge.minimum_from,
        call=edge.call,
        earlier=None if edge.earlier is None else WallView.model_validate(edge.earlier, from_attributes=True),
        later=None if edge.later is None else WallView.model_validate(edge.later, from_attributes=True),
        card_shift_deg=card_deg,
        at_card_mm=None if card is None else card[0],
        at_card_u95_mm=None if card is None else card[1],
        sentence=edge.sentence,
    )


def _not_mapped(lobe: Lobe, why: Refusal) -> NotMapped:
    return NotMapped(valve=lobe.valve, code=why.code, message=why.message)
