"""Pairing of screens: the page on which a code is typed or shown, and what ``lobewright pair`` asks."""

from __future__ import annotations

import datetime as dt
import logging
import math
from typing import Annotated

from fastapi import APIRouter, Depends, Form, Path, Request
from fastapi.responses import RedirectResponse, Response
from pydantic import BaseModel
from starlette.requests import HTTPConnection

from api.base import RESPONSES, NotFoundError, ServiceError, Standing
from api.web.access import (
    BENCH_COOKIE,
    COOKIE,
    HERE,
    LIFETIME_DAYS,
    Code,
    OwnScreen,
    Pairing,
    TooManyTriesError,
    WrongLinkError,
    at_this_machine,
    neighbourhood,
    standing_of,
    token_of,
)
from api.web.routes.pages import page
from capture.base import LimitedLog

log = logging.getLogger("lobewright.pairing")
_limited = LimitedLog(log)
router = APIRouter(tags=["pairing"], responses=RESPONSES)
ScreenNumber = Annotated[int, Path(ge=1, le=2**53)]


def the_pairing(connection: HTTPConnection) -> Pairing:
    """Give the pairing of an app to a route."""
    pairing: Pairing = connection.app.state.pairing
    return pairing


ThePairing = Annotated[Pairing, Depends(the_pairing)]


def the_own_screen(connection: HTTPConnection) -> OwnScreen:
    """Give the bench's own screen to a route; raises `NotFoundError` where being on this machine is enough."""
    own: OwnScreen | None = connection.app.state.own_screen
    if own is None:
        raise NotFoundError(
            "no_own_secret", "This bench needs no link: whoever is on its machine may do all."
        )
    return own


TheOwnScreen = Annotated[OwnScreen, Depends(the_own_screen)]


class LinkView(BaseModel):
    """The path of a link that lets the bench's own screen in, once."""

    path: str


class CodeView(BaseModel):
    """A code to be typed on the screen that is to be paired, and how long it lives."""

    code: str
    lives_s: float


class ScreenView(BaseModel):
    """A paired screen; `seen_on` is the last day it was used."""

    number: int
    name: str
    paired_at: dt.datetime
    seen_on: dt.date


class ScreensView(BaseModel):
    """All paired screens."""

    screens: list[ScreenView]


class Revoked(BaseModel):
    """How many screens were forgotten."""

    revoked: int


def screens_of(pairing: Pairing) -> list[ScreenView]:
    """List the paired screens, without what only they may know."""
    return [ScreenView.model_validate(one, from_attributes=True) for one in pairing.screens.listed()]


@router.get("/pair", include_in_schema=False)
def pair_page(request: Request, pairing: ThePairing) -> Response:
    """Show the field for a code, or at the bench's own machine the button that makes one."""
    return _page(request, pairing)


@router.post("/pair", include_in_schema=False)
def pair(
    request: Request,
    pairing: ThePairing,
    code: Annotated[str, Form(max_length=40)] = "",
    name: Annotated[str, Form(max_length=200)] = "",
) -> Response:
    """Take a code that was typed; the screen is let in by a cookie that no script can read."""
    try:
        token = pairing.pair(code, name, _tries_of(request))
    except ServiceError as error:
        _limited.warning(error.code, f"pairing refused to {_caller(request)}: {error.message}")
        answer = _page(request, pairing, trouble=error.message, typed_name=name)
        answer.status_code = error.status
        if isinstance(error, TooManyTriesError):
            answer.headers["Retry-After"] = str(math.ceil(error.wait_s))
        return answer
    log.info("%s is paired as %r", _caller(request), " ".join(name.split()))
    answer = RedirectResponse("/", 303)
    answer.set_cookie(
        COOKIE,
        token,
        max_age=LIFETIME_DAYS * 86_400,
        httponly=True,
        samesite="strict",
        secure=request.url.scheme == "https",
    )
    return answer


@router.get("/own_screen/{link}", include_in_schema=False)
def let_own_screen_in(request: Request, link: str, own: TheOwnScreen) -> Response:
    """Let the bench's own screen in by the link that was printed; a cookie keeps it in."""
    if not at_this_machine(request.scope):
        raise WrongLinkError
    answer = RedirectResponse("/", 303)
    answer.set_cookie(
        BENCH_COOKIE, own.let_in(link), max_age=LIFETIME_DAYS * 86_400, httponly=True, samesite="strict"
    )
    answer.headers["Cache-Control"] = "no-store"
    return answer


@router.post("/api/pairing/own_screen", status_code=201)
def make_link(own: TheOwnScreen) -> LinkView:
    """Make a link for the bench's own screen; only who has the secret already may. It works once."""
    return LinkView(path=own.new_link())


@router.post("/pair/code", include_in_schema=False)
def show_code(request: Request, pairing: ThePairing) -> Response:
    """Show a new code on the bench's own screen."""
    return _page(request, pairing, code=pairing.new_code())


@router.post("/pair/revoke", include_in_schema=False)
def revoke_by_form(pairing: ThePairing, number: Annotated[int, Form(ge=1, le=2**53)]) -> Response:
    """Forget one screen."""
    pairing.screens.revoke(number)
    return RedirectResponse("/pair", 303)


@router.post("/api/pairing/code", status_code=201)
def make_code(pairing: ThePairing) -> CodeView:
    """Make a code for pairing; only the bench's own machine may. It works once, and for two minutes."""
    code = pairing.new_code()
    return CodeView(code=code.digits, lives_s=code.lives_s)


@router.get("/api/pairing/screens")
def list_screens(pairing: ThePairing) -> ScreensView:
    """List the paired screens; only the bench's own machine may."""
    return ScreensView(screens=screens_of(pairing))


@router.delete("/api/pairing/screens")
def revoke_all(pairing: ThePairing) -> Revoked:
    """Forget every paired screen; only the bench's own machine may."""
    return Revoked(revoked=pairing.screens.revoke(None))


@router.delete("/api/pairing/screens/{number}")
def revoke_screen(pairing: ThePairing, number: ScreenNumber) -> Revoked:
    """Forget one paired screen; only the bench's own machine may."""
    return Revoked(revoked=pairing.screens.revoke(number))


def _caller(request: Request) -> str:
    return request.client.host if request.client else "an unknown caller"


def _tries_of(request: Request) -> str:
    return HERE if standing_of(request.scope) is Standing.BENCH else neighbourhood(request.scope)


def _page(
    request: Request, pairing: Pairing, *, code: Code | None = None, trouble: str = "", typed_name: str = ""
) -> Response:
    at_the_bench = standing_of(request.scope) is Standing.BENCH
    answer = page(
        request,
        "pair.html",
        at_bench=at_the_bench,
        is_paired=pairing.screens.knows(token_of(request.scope)),
        screens=screens_of(pairing) if at_the_bench else [],
        digits="" if code is None else f"{code.digits[:4]} {code.digits[4:]}",
        minutes=0 if code is None else round(code.lives_s / 60),
        trouble=trouble,
        typed_name=typed_name,
    )
    answer.headers["Cache-Control"] = "no-store"
    return answer
