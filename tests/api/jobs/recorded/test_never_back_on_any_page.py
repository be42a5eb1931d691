"""An engine that must not be turned back: no page of its job asks for it, not even where it is allowed."""

from __future__ import annotations

import json
import re
from typing import Any

import pytest

ASKS_BACK = re.compile(r"turn(ed)?( it| half a turn)? back(?!wards)", re.IGNORECASE)


@pytest.mark.parametrize("forward_only", [True, False])
def test_only_an_engine_that_may_be_turned_back_is_asked_to_be(recorded: Any, forward_only: bool) -> None:
    shop = recorded(inlet=2.0, exhaust=0.0, forward_only=forward_only)
    shop.begin()
    shop.to_the_lobes()
    shop.lobe("inlet_1", back_deg=0.0)
    number = max(one["id"] for one in shop.get("/api/measurements")["measurements"])
    said = [
        json.dumps(shop.get(f"/api/measurements/{number}")["result"]["warnings"]),
        json.dumps(shop.get(f"/api/jobs/{shop.job_id}/report")["lobes"][0]["report"]["warnings"]),
    ]
    assert all("light checking springs" in one for one in said)
    assert [ASKS_BACK.search(one) is None for one in said] == [forward_only] * 2
    slack = shop.client.get(f"/api/jobs/{shop.job_id}/drive_slack")
    assert slack.json()["code"] == ("forward_only" if forward_only else "no_way_back")
