"""Processes that begin at once: forked from one that has loaded the program already, by the standard library's fork server.

Nothing else about them is different: a process of its own, its own command line, environment, signals and exit status.
What is tested of starting itself (units, killed starts, other systems) starts the command as a user does.
"""

from __future__ import annotations

import atexit
import multiprocessing
import os
import signal
import subprocess
import sys
from collections.abc import Mapping
from multiprocessing.context import ForkServerContext
from pathlib import Path

PRELOADED = [
    "api.command",
    "api.host.serving",
    "api.service",
    "api.web",
    "uvicorn",
    "httptools",
    "websockets",
]


def _context() -> ForkServerContext:
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(PRELOADED)
    return context


def _main(arguments: list[str], log: str, environment: dict[str, str], umask: int) -> None:
    from api.command import main

    if umask >= 0:
        os.umask(umask)
    out = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o644)
    os.dup2(out, 1)
    os.dup2(out, 2)
    os.environ.clear()
    os.environ.update(environment)
    sys.argv = ["lobewright", *arguments]
    try:
        main()
    finally:
        atexit._run_exitfuncs()


class WarmService:
    """`lobewright ARGUMENTS`, with what a `subprocess.Popen` offers.

    Parameters
    ----------
    arguments : list of str
    log : Path
        What it prints is added there.
    environment : mapping, optional
        This process's own where not given.
    umask : int
        Likewise where negative.
    """

    def __init__(
        self,
        arguments: list[str],
        log: Path,
        environment: Mapping[str, str] | None = None,
        umask: int = -1,
    ) -> None:
        given = dict(os.environ if environment is None else environment)
        self._process = _context().Process(target=_main, args=(arguments, str(log), given, umask))
        self._process.start()
        assert self._process.pid is not None
        self.pid: int = self._process.pid

    def poll(self) -> int | None:
        """The exit status once it has ended."""
        return self._process.exitcode

    def wait(self, timeout: float | None = None) -> int:
        """Wait for the end."""
        self._process.join(timeout)
        if (status := self._process.exitcode) is None:
            raise subprocess.TimeoutExpired("lobewright", timeout or 0.0)
        return status

    def send_signal(self, number: int) -> None:
        """As `os.kill`, unless it has ended."""
        if self.poll() is None:
            os.kill(self.pid, number)

    def terminate(self) -> None:
        """End it in good order."""
        self.send_signal(signal.SIGTERM)

    def kill(self) -> None:
        """End it at once."""
        self.send_signal(signal.SIGKILL)
