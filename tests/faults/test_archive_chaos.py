"""Benches and their archive under everything at once, for 40 s; `tests/benchmarks/archive_chaos.py` goes on for hours."""

from __future__ import annotations

from pathlib import Path

import psycopg
import pytest
from archive_chaos import Chaos

pytestmark = [pytest.mark.faults, pytest.mark.timeout(600)]
SEED, SECONDS, BENCHES = 9, 40.0, 2


def test_whatever_is_cut_or_killed_everything_arrives_once(tmp_path: Path) -> None:
    print(f"seed {SEED}")
    chaos = Chaos(tmp_path, BENCHES, SEED)
    try:
        chaos.run(SECONDS)
        chaos.settle()
        figures, wrong = chaos.judge()
        print(dict(chaos.done), figures)
        assert not wrong
        assert figures["blocks"] > 0
        assert len(chaos.done) >= 4, "hardly anything was spoilt"
        with psycopg.connect(chaos.server.url("shop")) as owner:
            owner.execute("DELETE FROM lobewright.blocks WHERE bench = 'bench_0' AND first = 250")
        assert chaos.judge()[1], "one block lost of all, and nobody sees it"
    finally:
        chaos.close()
