"""Capture as a process of its own: started, watched, started again; adopted where it runs already.

Capture outlives a web service that was killed, so that nothing is lost. The next service takes it over, if it
holds the lock of this very folder, and was started from this bench file and by this version.
"""

from __future__ import annotations

import logging
import os
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import Any

from api.host.holding import end_capture, end_child, what_answers
from api.live import PROGRAM
from capture.base import is_held, withdraw_facts
from capture.bench import bench_sha256

log = logging.getLogger("lobewright.capture")
LOOK_S = 0.25
RESTART_PAUSES_S = (0.0, 0.5, 1.0, 2.0)
LIVED_S = 10.0
STOP_S = 3.0


class CaptureKeeper:
    """Keeps one capture process alive from `start` to `stop`."""

    def __init__(self, bench_file: Path, data_dir: Path) -> None:
        self._bench_file = bench_file
        self._data_dir = data_dir
        self._child: subprocess.Popen[bytes] | None = None
        self._adopted = False
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._watch, name="capture-keeper", daemon=True)

    def start(self) -> None:
        """Take over the capture process of the data folder, or start one; then watch it."""
        self._adopted = self._take_over()
        if not self._adopted:
            self._spawn()
        self._thread.start()

    def stop(self) -> None:
        """End the capture process: first by asking, then by force."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join()
        if self._child is not None:
            if not end_child(self._child, STOP_S):
                log.warning("capture did not stop in %.0f s; it was killed", STOP_S)
        elif self._adopted:
            end_capture(self._data_dir)

    def _take_over(self) -> bool:
        """Tell whether what records into the folder may go on; end it where it may not."""
        if not is_held(self._data_dir):
            withdraw_facts(self._data_dir)  # those of one that was killed, or of the folder this is a copy of
            return False
        why_not = self._why_not(what_answers(self._data_dir))
        if not why_not:
            log.info("capture runs already for %s; it is taken over", self._data_dir)
            return True
        log.warning("the capture of %s %s; it is ended, and a new run begins", self._data_dir, why_not)
        if not end_capture(self._data_dir):
            log.error("the capture of %s cannot be ended from here; end it, then start again", self._data_dir)
        return False

    def _why_not(self, told: dict[str, Any] | None) -> str:
        if told is None:
            return "does not answer"
        if told.get("program") != PROGRAM:
            return f"is of another version ({told.get('program') or 'an older one'})"
        if told.get("bench_sha256") != self._bench_sha256():
            return "was started from another bench file, or from this one before it was changed"
        return "" if told["beating"] else "hangs"

    def _bench_sha256(self) -> str:
        try:
            return bench_sha256(self._bench_file.read_text(encoding="utf-8-sig"))
        except (OSError, ValueError):
            return ""

    def _spawn(self) -> None:
        """Start capture in a session of its own, so that a Ctrl-C meant for us is not its end too.

        The service manager hears from us alone, which is whom it started.
        """
        self._adopted = False
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
        return self._adopted and is_held(self._data_dir)

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
