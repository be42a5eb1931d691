"""Whatever goes wrong in a request becomes ``{code, message}``, one sentence, with the status that fits."""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence
from http import HTTPStatus
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, Response
from pydantic import BaseModel
from starlette.exceptions import HTTPException

from api.base.errors import ServiceError
from capture.base import LimitedLog

log = logging.getLogger("lobewright.web")
_limited = LimitedLog(log)
API = "/api/"


class Problem(BaseModel):
    """What is answered when something cannot be done."""

    code: str
    message: str


RESPONSES: dict[int | str, dict[str, Any]] = {
    "4XX": {"model": Problem, "description": "It cannot be done; `message` says why in a sentence."},
    "5XX": {"model": Problem, "description": "The service could not do it; `message` says what to do."},
}


def add_problems(app: FastAPI) -> None:
    """Let an app answer every failure with a `Problem`."""
    app.add_exception_handler(ServiceError, _told)
    app.add_exception_handler(RequestValidationError, _misasked)
    app.add_exception_handler(HTTPException, _by_status)
    app.add_exception_handler(Exception, _failed)


def _answer(request: Request, status: int, fields: dict[str, Any]) -> Response:
    """Answer a person who opened an address with a page, where the app has one for that; a program with its code."""
    page: Callable[[Request, str, int], Response] | None = getattr(request.app.state, "problem_page", None)
    if page is not None and _opened_by_a_person(request):
        return page(request, fields["message"], status)
    return JSONResponse(fields, status)


def _opened_by_a_person(request: Request) -> bool:
    path = request.url.path
    reads = request.method == "GET" and "text/html" in request.headers.get("accept", "")
    return reads and (API not in path or path.endswith(".html"))


async def _told(request: Request, error: Exception) -> Response:
    assert isinstance(error, ServiceError)
    if error.status >= HTTPStatus.INTERNAL_SERVER_ERROR:
        _limited.warning(error.code, f"{_asked(request)}: {error.message}")
    return _answer(request, error.status, error.fields())


async def _misasked(request: Request, error: Exception) -> Response:
    assert isinstance(error, RequestValidationError)
    if _opened_by_a_person(request):
        return await _by_status(request, HTTPException(HTTPStatus.NOT_FOUND))
    return _answer(request, 422, {"code": "bad_request", "message": in_one_sentence(error.errors())})


async def _by_status(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    sentences = {
        404: "There is nothing at this address.",
        405: f"{request.method} is not possible at this address.",
    }
    message = sentences.get(error.status_code, str(error.detail))
    code = HTTPStatus(error.status_code).phrase.lower().replace(" ", "_")
    answer = _answer(request, error.status_code, {"code": code, "message": message})
    answer.headers.update(error.headers or {})
    return answer


async def _failed(request: Request, error: Exception) -> JSONResponse:
    log.error("%s failed", _asked(request))
    sentence = "The service failed at this; nothing stored is lost. Its log says more."
    return JSONResponse({"code": "internal", "message": sentence}, 500)


def _asked(request: Request) -> str:
    """Give what was asked on one line of log, whatever was put into the address."""
    return ascii(f"{request.method} {request.scope['path'][:200]}").strip("'")


def in_one_sentence(errors: Sequence[Any]) -> str:
    """Put what is wrong with a request into words: where, and what."""
    told = []
    for error in errors[:5]:
        place = ".".join(str(part) for part in error["loc"] if part not in {"body", "query", "path"})
        text = str(error["msg"]).removeprefix("Value error, ")
        told.append(f"{place}: {text}" if place else text.rstrip("."))
    return "; ".join(told) + "."
