"""``lobewright routes``: every address of the service, and who may call it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import click
from fastapi import FastAPI
from starlette.routing import BaseRoute, Route, WebSocketRoute

from api.web.access import Caller, least_caller


class Served(NamedTuple):
    """One thing that can be asked for; `path` with its parameters in braces."""

    kind: str
    method: str
    path: str
    caller: Caller


def served(app: FastAPI) -> list[Served]:
    """List everything an app serves, in the order of its paths."""
    found = {one for route in app.routes for one in _of(route)}
    return sorted(found, key=lambda one: (one.path, one.method))


def _of(route: BaseRoute) -> Iterator[Served]:
    if isinstance(route, WebSocketRoute):
        yield Served("websocket", "", route.path, least_caller("websocket", "", route.path))
    elif isinstance(route, Route):
        for method in route.methods or ():
            yield Served("http", method, route.path, least_caller("http", method, route.path))
    elif (inner := getattr(route, "original_router", None)) is not None:  # as FastAPI keeps one from 0.130 on
        for one in inner.routes:
            yield from _of(one)
    else:
        raise TypeError(f"{route!r} is neither a page nor a live feed; say in api.access who may call it")


def served_by_shop() -> list[Served]:
    """List everything a shop of several benches serves: its own, and under each bench what of the bench's a copy has."""
    from api.shop import OF, OVER_ALL
    from api.web import COPY_ROUTERS, shown_of_a_copy

    found = {one for router in OVER_ALL for route in router.routes for one in _of(route)}
    of_benches = {one for router in COPY_ROUTERS for route in router.routes for one in _of(route)}
    for one in of_benches:
        if one.kind == "http" and shown_of_a_copy(one.method, one.path):
            path = f"{OF}/{{bench}}{one.path}"
            found.add(Served("http", one.method, path, least_caller("http", one.method, path)))
    return sorted(found, key=lambda one: (one.path, one.method))


@click.command()
@click.option(
    "--of-shop", is_flag=True, help="Those of `lobewright shop`, which serves all benches of an archive."
)
def routes(of_shop: bool) -> None:
    """Print every address of the service with the least a caller has to be."""
    from api.base import ServiceConfig
    from api.web import create_app

    listed = served_by_shop() if of_shop else served(create_app(ServiceConfig(Path("nowhere"))))
    wide = max(len(one.path) for one in listed) + 2
    for one in listed:
        click.echo(f"{one.method or 'WEBSOCKET':<10}{one.path:<{wide}}{one.caller}")
    if of_shop:
        click.echo(
            "\nWhoever may look: paired screens and this machine; with --viewing open, everyone on the network."
        )
        return
    click.echo(
        "\nWhoever may look: everyone on the network; with --viewing code, paired screens and the bench. "
        "Without --shop or --host only this machine is served at all."
    )
