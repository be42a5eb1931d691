"""The pages, rendered from ``api/templates``, and the files they load."""

from __future__ import annotations

from pathlib import Path as FilePath
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Path, Request
from fastapi.responses import Response
from fastapi.templating import Jinja2Templates

from api.base import ServiceConfig
from api.service import Service, the_service
from api.web.routes.static_files import modules_of, static_file

router = APIRouter(include_in_schema=False)
TheService = Annotated[Service, Depends(the_service)]
Number = Annotated[int, Path(ge=1, le=2**53)]
TEMPLATES = FilePath(__file__).parents[2] / "templates"
templates = Jinja2Templates([TEMPLATES, *(folder for folder in TEMPLATES.iterdir() if folder.is_dir())])
templates.env.globals["modules_of"] = modules_of
PLAIN_PAGES = {
    "/": "bench.html",
    "/wall": "wall.html",
    "/jobs": "jobs.html",
    "/traces": "traces.html",
    "/fitting": "fitting.html",
    "/instruments": "instruments.html",
}


ROOMS = {
    "/": "Bench",
    "/jobs": "Jobs",
    "/traces": "Traces",
    "/instruments": "Instruments",
    "/wall": "Wall",
    "/help": "Help",
}
AT_THE_BENCH = frozenset({"/", "/instruments", "/wall"})
"""What a copy of a bench has not."""


def page(request: Request, name: str, **known: Any) -> Response:
    """Render one page; every page knows `config`, and the `root` that addresses of this bench begin with."""
    return page_of(request, request.app.state.config, name, **known)


def page_of(request: Request, config: ServiceConfig, name: str, **known: Any) -> Response:
    """Render one page of whatever service was started so."""
    root = request.scope.get("root_path", "")
    words = {
        "config": config,
        "notice": config.notice,
        "root": root,
        "still": config.several or bool(config.copy_of),
    }
    words["rooms"] = _rooms(root, config)
    return templates.TemplateResponse(
        request, name, {**words, **known}, headers={"Cache-Control": "no-cache"}
    )


def problem_page(request: Request, message: str, status: int) -> Response:
    """Say to a person why there is no page at an address, with the way to those that there are."""
    answer = page(request, "missing.html", message=message)
    answer.status_code = status
    return answer


def _rooms(root: str, config: ServiceConfig) -> list[tuple[str, str]]:
    """Give the pages that every page leads to; from a copy also back to the shop that shows it."""
    if config.several:
        return [("/", "Shop"), ("/help", "Help")]
    if not config.copy_of:
        return [(root + path, name) for path, name in ROOMS.items()]
    own = [(root + path, name) for path, name in ROOMS.items() if path not in AT_THE_BENCH]
    return [("/", "Shop"), *own]


def _add_plain_page(path: str, name: str) -> None:
    def plain_page(request: Request) -> Response:
        return page(request, name)

    router.add_api_route(path, plain_page, methods=["GET"], name=name.removesuffix(".html"))


for _path, _name in PLAIN_PAGES.items():
    _add_plain_page(_path, _name)


@router.get("/jobs/{number}")
def job_page(request: Request, number: Number) -> Response:
    """Show one job."""
    return page(request, "job.html", job_id=number)


@router.get("/traces/{number}")
def trace_page(request: Request, number: Number, service: TheService) -> Response:
    """Show one measurement's trace."""
    return page(request, "trace.html", measurement=service.measurements.get(number).view())


@router.get("/traces/{number}/report")
def trace_report_page(request: Request, number: Number, service: TheService) -> Response:
    """Show the cam report of one measurement."""
    service.measurements.get(number)
    return page(request, "report.html", room_of="Traces", source=f"/api/measurements/{number}/report")


@router.get("/jobs/{number}/report")
def job_report_page(request: Request, number: Number) -> Response:
    """Show the cam report of every lobe of one job."""
    return page(request, "report.html", room_of="Jobs", source=f"/api/jobs/{number}/report")


@router.get("/jobs/{number}/piston_map")
def job_piston_map_page(request: Request, number: Number) -> Response:
    """Show valve to piston of one job against the phase of both cams."""
    return page(request, "piston_map.html", job_id=number)


@router.get("/jobs/{number}/drive")
def job_drive_page(request: Request, number: Number) -> Response:
    """Show the slack of one job's cam drives."""
    return page(request, "drive.html", job_id=number)


shared = APIRouter(include_in_schema=False)


@shared.get("/help", name="help")
def help_page(request: Request) -> Response:
    """Show what the words and signs mean."""
    return page(request, "help.html")


@shared.get("/static/{name:path}")
def static(request: Request, name: str) -> Response:
    """Give a script, a style or a drawing."""
    return static_file(name, request)


router.include_router(shared)
