"""What is wrong with an instrument names it, once, in every sentence that stands alone; said by a service that runs."""

from __future__ import annotations

import os
from pathlib import Path

from running import RunningShop
from waiting import until

BENCH = """
[crank]
port = "{crank}"
frame = "count"
counts_per_turn = 3600

[[gauge]]
name = "dial_a"
port = "{missing}"
frame = "decimal"
unit = "mm"
"""


def test_a_silent_encoder_and_a_gauge_that_is_not_there_are_each_named_once(tmp_path: Path) -> None:
    ours, theirs = os.openpty()
    bench, missing = tmp_path / "bench.toml", tmp_path / "not-there"
    bench.write_text(BENCH.format(crank=os.ttyname(theirs), missing=missing))
    shop = RunningShop(tmp_path, bench=bench).start()
    try:
        with shop.client() as client:
            told = until(
                lambda: (
                    "nothing has come" in (told := client.get("/api/bench").json())["health"]["sentence"]
                    and told
                ),
                "the encoder is known to be silent",
            )
        assert told["health"]["sentence"].startswith("crank: the port is open, but nothing has come for ")
        assert f"dial_a: port {missing} is not there" in told["health"]["sentence"]
        assert told["health"]["sentence"].count("crank: ") == 1
        assert told["guide"]["sentence"].startswith("crank: the port is open")
    finally:
        shop.stop()
        os.close(ours)
        os.close(theirs)
