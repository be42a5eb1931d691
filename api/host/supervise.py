"""Capture as a process of its own: started, watched, started again; adopted where it runs already.

Capture outlives a web service that was killed, so that nothing is lost; the next service finds it by
``capture.json`` in the data folder and takes it over.
"""

from __future__ import annotations

import json
import logging
import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

from capture.base import FeedError
from capture.feed import LiveClient

log = logging.getLogger("lobewright.capture")
CAPTURE_FILE = "capture.json"
LOOK_S = 0.25
RESTART_PAUSES_S = (0.0, 0.5, 1.0, 2.0)
LIVED_S = 10.0
STOP_S = 3.0
ANSWER_S = 5.0


class CaptureKeeper:
    """Keeps one capture process alive from `start` to `stop`."""

    def __init__(self, bench_file: Path, data_dir: Path) -> None:
        self._bench_file = bench_file
        self._data_dir = data_dir
        self._child: subprocess.Popen[bytes] | None = None
        self._adopted: int | None = None
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._watch, name="capture-keeper", daemon=True)

    def start(self) -> None:
        """Adopt the capture process of the data folder, or start one; then watch it.

        One that was left behind and does not answer is ended first: it would be adopted again and again.
        """
        self._adopted = running_capture(self._data_dir)
        if self._adopted is not None and not _answers(self._data_dir):
            log.warning("capture, process %d, hangs; it is ended and started again", self._adopted)
            _end_process(self._adopted)
            self._adopted = None
        if self._adopted is None:
            self._spawn()
        else:
            log.info("capture runs already as process %d; it is taken over", self._adopted)
        self._thread.start()

    def stop(self) -> None:
        """End the capture process: first by asking, then by force."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join()
        if self._child is not None:
            _end_child(self._child)
        elif self._adopted is not None:
            _end_process(self._adopted)

    def _spawn(self) -> None:
        """Start capture in a session of its own, so that a Ctrl-C meant for us is not its end too.

        The service manager hears from us alone, which is whom it started.
        """
        self._adopted = None
        ours = ("NOTIFY_SOCKET", "WATCHDOG_USEC", "WATCHDOG_PID")
        self._child = subprocess.Popen(
            [
                sys.executable,
                "-m",
                "capture",
                "--bench",
                str(self._bench_file),
                "--data",
                str(self._data_dir),
            ],
            stdin=subprocess.DEVNULL,
            start_new_session=True,
            env={name: value for name, value in os.environ.items() if name not in ours},
        )

    def _alive(self) -> bool:
        if self._child is not None:
            return self._child.poll() is None
        return self._adopted is not None and running_capture(self._data_dir) == self._adopted

    def _watch(self) -> None:
        began, deaths = time.monotonic(), 0
        while not self._stop.wait(LOOK_S):
            if self._alive():
                continue
            deaths = 0 if time.monotonic() - began > LIVED_S else deaths + 1
            if self._stop.wait(RESTART_PAUSES_S[min(deaths, len(RESTART_PAUSES_S) - 1)]):
                return
            log.warning("capture has ended (%s); it is started again", self._ending())
            began = time.monotonic()
            self._spawn()

    def _ending(self) -> str:
        return "adopted" if self._child is None else f"exit code {self._child.returncode}"


def running_capture(data_dir: Path) -> int | None:
    """Give the process number of the capture process that serves a data folder, if there is one."""
    try:
        pid = json.loads((data_dir / CAPTURE_FILE).read_text(encoding="utf-8"))["pid"]
    except (OSError, ValueError, KeyError, TypeError):
        return None
    return pid if isinstance(pid, int) and _is_capture(pid) else None


def _answers(data_dir: Path) -> bool:
    """Tell whether capture answers, and says that every thread of it has beaten."""
    try:
        with LiveClient(data_dir, ANSWER_S) as client:
            return client.ask("health").get("beating", True) is True
    except FeedError:
        return False


def _is_capture(pid: int) -> bool:
    """Tell whether a process is alive and is capture, not another that was given its number later."""
    try:
        os.kill(pid, 0)
    except OSError:
        return False
    try:
        line = Path(f"/proc/{pid}/cmdline").read_bytes()
    except OSError:
        return sys.platform != "linux"
    return b"capture" in line


def _end_child(child: subprocess.Popen[bytes]) -> None:
    child.terminate()
    try:
        child.wait(STOP_S)
    except subprocess.TimeoutExpired:
        log.warning("capture did not stop in %.0f s; it is killed", STOP_S)
        child.kill()
        child.wait()


def _end_process(pid: int) -> None:
    deadline = time.monotonic() + STOP_S
    try:
        os.kill(pid, signal.SIGTERM)
        while time.monotonic() < deadline:
            os.kill(pid, 0)
            time.sleep(0.05)
        os.kill(pid, getattr(signal, "SIGKILL", signal.SIGTERM))  # on Windows either ends it at once
    except ProcessLookupError:
        return
