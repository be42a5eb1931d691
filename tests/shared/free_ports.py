"""TCP ports for processes that are told their port before they open it.

They lie below those that systems give to outgoing calls: a port that was free a moment ago is not taken by a call meanwhile.
"""

from __future__ import annotations

import contextlib
import random
import socket

LOWEST, PAST = 20_000, 32_000


def free_port(count: int = 1) -> int:
    """Give the first of so many neighbouring ports of which none is in use.

    Parameters
    ----------
    count : int
        How many.
    """
    chance = random.SystemRandom()  # files run side by side in processes that begin with equal seeds
    while True:
        first = chance.randrange(LOWEST, PAST - count)
        with contextlib.suppress(OSError), contextlib.ExitStack() as probes:
            for port in range(first, first + count):
                probes.enter_context(socket.socket()).bind(("127.0.0.1", port))
            return first
