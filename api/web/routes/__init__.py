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
    shared,
    sheet,
    traces,
)
from api.web.routes.job_files import job_file
from api.web.routes.pages import AT_THE_BENCH, page_of, problem_page

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
    shared.router,
    pairing.router,
    pages.router,
)

COPY_ROUTERS = (
    cards.router,
    jobs.router,
    job_files.router,
    job_reports.router,
    sheet.router,
    measurements.router,
    fitting.router,
    traces.router,
    pages.router,
)
"""What a copy of a bench has, to look at; what would change something is refused before it comes there."""

SHOP_ROUTERS = (pairing.router, pages.shared)
"""What a shop of several benches has of its own besides its page: screens are paired with it, all its pages load files."""

__all__ = ["AT_THE_BENCH", "COPY_ROUTERS", "ROUTERS", "SHOP_ROUTERS", "job_file", "page_of", "problem_page"]
