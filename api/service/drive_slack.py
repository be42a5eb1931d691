"""Slack of a job's cam drives: its newest lobes' way back, against the last job on the same engine."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from analysis.timing import Fact, Job, Lobe, LobeMeasured
from api.base import Body, ConflictError, with_service_errors
from api.jobs import Jobs
from api.measure import FigureView

if TYPE_CHECKING:
    from analysis.report import SlackSeen


class CamSlackView(Body):
    """Slack of one cam's drive; what is not known is `None`. `grown`: grown, less, as it was, not known."""

    cam: str
    slack_deg: FigureView
    slack_mm: FigureView | None
    change_deg: FigureView | None
    change_mm: FigureView | None
    longer_percent: FigureView | None
    grown: str
    sentence: str


class DriveSlackView(Body):
    """Slack of every cam that was turned back, and which were not; `last_job` is what it is held against."""

    last_job: int | None
    last_job_reference: str
    cams: list[CamSlackView]
    not_seen: list[str]


def _slacks_of(job: Job, facts: Sequence[Fact]) -> dict[str, list[SlackSeen]]:
    """Give the newest slack of every lobe that was turned back, by cam."""
    from analysis.report import SlackSeen  # here: it would hold up the first page

    newest: dict[Lobe, LobeMeasured] = {}
    for fact in facts:
        what = fact.what
        if isinstance(what, LobeMeasured) and what.slack_deg is not None and what.slack_u_deg is not None:
            newest[Lobe(what.cylinder, what.valve)] = what
    found: dict[str, list[SlackSeen]] = {}
    for lobe, what in newest.items():
        assert what.slack_deg is not None  # looked at above
        assert what.slack_u_deg is not None
        found.setdefault(job.engine.cam_of(lobe).name, []).append(SlackSeen(what.slack_deg, what.slack_u_deg))
    return found


def _not_seen(job: Job, now: Mapping[str, object]) -> list[str]:
    return [cam.name for cam in job.engine.cams if cam.name not in now]


@with_service_errors
def job_drive_slack(
    jobs: Jobs, job_id: int, crank_teeth: int | None, pitch_mm: float | None, links: int | None
) -> DriveSlackView:
    """Tell the slack of a job's cam drives, in mm where sprocket and pitch are given."""
    from analysis.report import DriveLine, drive_slack  # here: it would hold up the first page

    row = jobs.read.job(job_id)
    last, then = None, {}
    for one in jobs.read.before_on_engine(row):
        then = _slacks_of(one.job, jobs.facts(one.id))
        if then:
            last = one
            break
    line = None if crank_teeth is None or pitch_mm is None else DriveLine(crank_teeth, pitch_mm, links)
    now = _slacks_of(row.job, jobs.facts(job_id))
    if not now and row.job.engine.forward_only:
        raise ConflictError(
            "forward_only",
            f"{row.job.engine.name} must not be turned back, so the slack of its drive is not told.",
        )
    cams = drive_slack(now, then, line)
    return DriveSlackView(
        last_job=None if last is None else last.id,
        last_job_reference="" if last is None else last.job.reference,
        cams=[CamSlackView.model_validate(one) for one in cams],
        not_seen=[] if row.job.engine.forward_only else _not_seen(row.job, now),
    )
