"""What the tests of running processes have in common: the command, and waiting for something to become true."""

from __future__ import annotations

import contextlib
import os
import sys
import time
from collections.abc import Callable
from typing import Any

import httpx

LOBEWRIGHT = [sys.executable, "-m", "api"]
NOT_YET = (httpx.HTTPError, OSError, ValueError, KeyError)


def until(met: Callable[[], Any], what: str, longest_s: float = 60.0) -> Any:
    """Ask again and again until the answer is true, and give it; what cannot be asked yet counts as no."""
    longest_s = within_s(longest_s)
    deadline = time.monotonic() + longest_s
    while time.monotonic() < deadline:
        with contextlib.suppress(*NOT_YET):
            if found := met():
                return found
        time.sleep(0.05)
    raise AssertionError(f"not within {longest_s:.0f} s: {what}")


def within_s(quiet_s: float) -> float:
    """A limit that holds on a quiet machine, on a busy one longer by as much as there is more to do than processors."""
    return quiet_s * max(1.0, os.getloadavg()[0] / (os.cpu_count() or 1))
