"""Thin routes: each takes a request apart, asks the service, answers."""

from api.web.routes import (
    bench,
    cards,
    fitting,
    job_files,
    job_reports,
    jobs,
    measurements,
    pages,
    pairing,
    setup,
    sheet,
    traces,
)
from api.web.routes.job_files import job_file

ROUTERS = (
    bench.router,
    cards.router,
    jobs.router,
    job_files.router,
    job_reports.router,
    sheet.router,
    measurements.router,
    fitting.router,
    traces.router,
    setup.router,
    pairing.router,
    pages.router,
)

__all__ = ["ROUTERS", "job_file"]
