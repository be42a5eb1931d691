"""The service behind the pages: everything above put together and kept running."""

from api.service.bench_words import described
from api.service.cam_report import JobCamReport
from api.service.drive_slack import DriveSlackView
from api.service.job_service import JobService, the_job_service
from api.service.piston_map import JobPistonMap
from api.service.service import Service, the_service
from api.service.setup_bench import MOST_PORTS, Heard, listen, mover, verdict
from api.service.things_on_file import ThingsOnFile

__all__ = [
    "MOST_PORTS",
    "DriveSlackView",
    "Heard",
    "JobCamReport",
    "JobPistonMap",
    "JobService",
    "Service",
    "ThingsOnFile",
    "described",
    "listen",
    "mover",
    "the_job_service",
    "the_service",
    "verdict",
]
