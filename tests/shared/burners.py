"""A machine with more work than it can do."""

from __future__ import annotations

import contextlib
import subprocess
import sys
from collections.abc import Iterator


@contextlib.contextmanager
def burning(count: int) -> Iterator[None]:
    """Processes that never rest."""
    burners = [subprocess.Popen([sys.executable, "-c", "while True: pass"]) for _ in range(count)]
    try:
        yield
    finally:
        for burner in burners:
            burner.kill()
            burner.wait()
