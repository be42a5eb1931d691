"""``--quick``: only what needs no bench, no process and no browser, for use while writing."""

from __future__ import annotations

import os
import subprocess
from typing import NoReturn

import pytest
from hypothesis import settings

# How long an example takes is this machine's business: beside others it takes as long as it takes.
settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")
LEFT_OUT = {"slow", "browser", "faults"}
DEAR = ("still_demo", "recorded")
"""Fixtures of a whole session that are a running bench, or a job of minutes."""


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--quick", action="store_true", help="leave out what needs a bench, a process or a browser"
    )


@pytest.fixture(scope="session", autouse=True)
def _starts_nothing(request: pytest.FixtureRequest) -> None:
    """Whatever would start a process, or open a pseudo-terminal, is left to the whole build: no list to keep."""
    if request.config.getoption("--quick"):
        subprocess.Popen.__init__ = _left_out  # type: ignore[method-assign, assignment]
        os.openpty = _left_out


def _left_out(*_: object, **__: object) -> NoReturn:
    pytest.skip("needs a process or a port; left to the whole build")


@pytest.hookimpl(tryfirst=True)  # before the groups are read off the marks
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    if config.getoption("--quick"):
        left_out = [item for item in items if LEFT_OUT & {mark.name for mark in item.iter_markers()}]
        items[:] = [item for item in items if item not in left_out]
        config.hook.pytest_deselected(items=left_out)
    _files_that_share_together(items)
    _long_first(items)


def _files_that_share_together(items: list[pytest.Item]) -> None:
    """Give each file to one worker, and all files that share something dear to the same one: it is made once then."""
    shared_by = {
        item.path: name for item in items for name in DEAR if name in getattr(item, "fixturenames", ())
    }
    for item in items:
        item.add_marker(pytest.mark.xdist_group(shared_by.get(item.path, str(item.path))))


def _long_first(items: list[pytest.Item]) -> None:
    """Where tests run side by side, a long one begun last would keep the build waiting."""
    long = {_group(item) for item in items if item.get_closest_marker("slow")}
    items.sort(key=lambda item: _group(item) not in long)


def _group(item: pytest.Item) -> str:
    mark = item.get_closest_marker("xdist_group")
    assert mark is not None
    return str(mark.args[0])
