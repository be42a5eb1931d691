"""A machine with more work than it can do."""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
from collections.abc import Iterator

UNTIL_LEFT_ALONE = "import os\nwhile os.getppid() == {}:\n    for _ in range(10**6): pass"
"""Who started them may be killed: they end with it."""


@contextlib.contextmanager
def burning(count: int) -> Iterator[None]:
    """Processes that never rest."""
    burn = UNTIL_LEFT_ALONE.format(os.getpid())
    burners = [subprocess.Popen([sys.executable, "-c", burn]) for _ in range(count)]
    try:
        yield
    finally:
        for burner in burners:
            burner.kill()
            burner.wait()
