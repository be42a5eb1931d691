"""An import, a finish, a tidy and a restore killed at one system call after another: whole or not at all.

A representative number of calls; `tests/benchmarks/killed_at_calls.py` takes every tenth, or every one.
"""

from __future__ import annotations

from typing import Any

import pytest
from killing import Doer, can_trace, kill_all_along, trials

pytestmark = pytest.mark.faults
MOST = 5


def test_whatever_is_killed_half_way_is_whole_or_not_at_all(measured: Any) -> None:
    if not can_trace():
        pytest.skip("strace is not here, or may not trace: no process is killed at a chosen call")
    doer = Doer()
    try:
        with trials() as (folder, all_trials):
            for trial in all_trials:
                outcome = kill_all_along(doer, folder, trial, every=1, most=MOST)
                measured(
                    31,
                    "imports at once, one spoilt; killed half-way",
                    f"{outcome.what} killed at {outcome.killed} of {outcome.calls} calls: {outcome.whole} whole, "
                    f"{outcome.killed - outcome.whole} not at all",
                )
                assert outcome.killed
    finally:
        doer.close()
