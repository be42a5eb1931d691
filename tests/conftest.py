"""``--quick``: only what needs no bench, no process and no browser, for use while writing."""

from __future__ import annotations

import os
import subprocess
from typing import Any, NoReturn

import pytest
from hypothesis import settings
from xdist.scheduler import LoadScopeScheduling

# How long an example takes is this machine's business: beside others it takes as long as it takes. The build is no
# lottery: its examples are the same each time, unless new ones are asked for.
settings.register_profile("untimed", deadline=None, derandomize="LOBEWRIGHT_FUZZ" not in os.environ)
settings.load_profile("untimed")
LEFT_OUT = {"slow", "browser", "faults"}
DEAR = ("tests/browser/desk/", "tests/api/jobs/recorded/")
"""Folders whose files share a running bench, or a job of minutes."""


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--quick", action="store_true", help="leave out what needs a bench, a process or a browser"
    )
    parser.addoption("--pictures", action="store_true", help="save a picture of every page that is looked at")


@pytest.fixture(scope="session", autouse=True)
def _starts_nothing(request: pytest.FixtureRequest) -> None:
    """Whatever would start a process, or open a pseudo-terminal, is left to the whole build: no list to keep."""
    if request.config.getoption("--quick"):
        subprocess.Popen.__init__ = _left_out  # type: ignore[method-assign, assignment]
        os.openpty = _left_out


def _left_out(*_: object, **__: object) -> NoReturn:
    pytest.skip("needs a process or a port; left to the whole build")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    if config.getoption("--quick"):
        left_out = [item for item in items if LEFT_OUT & {mark.name for mark in item.iter_markers()}]
        items[:] = [item for item in items if item not in left_out]
        config.hook.pytest_deselected(items=left_out)
    _long_first(items)


def _long_first(items: list[pytest.Item]) -> None:
    """Where tests run side by side, a long one begun last would keep the build waiting, and so would one that waits.

    What only computes comes last: it fills both processors to the end.
    """
    marks = ("slow", "faults")
    long = {_together(item.nodeid) for item in items if any(map(item.get_closest_marker, marks))}
    items.sort(key=lambda item: _together(item.nodeid) not in long)


def _together(nodeid: str) -> str:
    """What one worker takes whole: a file, or all files of a folder that share what is dear to make."""
    file = nodeid.partition("::")[0]
    return next((folder for folder in DEAR if file.startswith(folder)), file)


class FilesTogether(LoadScopeScheduling):  # type: ignore[misc]  # without types of its own
    """Gives a worker what belongs together."""

    def _split_scope(self, nodeid: str) -> str:
        return _together(nodeid)


def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> FilesTogether:
    return FilesTogether(config, log)
