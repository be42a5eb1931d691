"""Every operation of the described API called badly, over HTTP, on a service that runs in this process.

Whatever is asked, the answer is as described, is never a failure of the service, and what is refused is refused
with a code and a sentence.
"""

from __future__ import annotations

import asyncio
import json
import os
import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import pytest
import schemathesis
import uvicorn
from hypothesis import HealthCheck, given, settings
from on_file import TARN_WITH_PIN, WHINFELL
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from api.base import ServiceConfig
from api.web import create_app
from simulated_devices.traces import random_tdc

EXAMPLES = int(os.environ.get("LOBEWRIGHT_FUZZ", "12"))
"""Of each operation; more, and other ones each time, where the variable says so."""


def furnish(url: str, folder: Path) -> None:
    """An engine, a card, a job and a trace, so that a number that is guessed can be right."""
    trace = random_tdc(np.random.default_rng(5), "rocking").trace
    path = folder / "trace.csv"
    rows = "".join(f"{t!r},{channel},{value!r}\n" for t, channel, value in trace.rows())
    path.write_text("time_s,channel,value\n" + rows)
    with httpx.Client(base_url=url, timeout=60) as client:
        client.post("/api/engines", json={"layout": "twin cam", "engine": TARN_WITH_PIN}).raise_for_status()
        client.post("/api/cards", json={"card": WHINFELL}).raise_for_status()
        job = {"reference": "HL-1", "engine_id": 1, "card_id": 1, "builder": "Ida Thorne"}
        client.post("/api/jobs", json=job).raise_for_status()
        with path.open("rb") as file:
            sent = client.post("/api/traces", data={"touches": "piston_1"}, files={"file": file})
        sent.raise_for_status()


@pytest.fixture(scope="module")
def url(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    folder = tmp_path_factory.mktemp("fuzzed")
    listener = socket.socket()
    listener.bind(("127.0.0.1", 0))
    app = create_app(ServiceConfig(folder / "data"))
    server = uvicorn.Server(uvicorn.Config(app, log_level="error", ws="none"))
    thread = threading.Thread(target=lambda: asyncio.run(server.serve([listener])))
    thread.start()
    try:
        while not server.started:
            assert thread.is_alive()
            time.sleep(0.02)
        address = f"http://127.0.0.1:{listener.getsockname()[1]}"
        furnish(address, folder)
        yield address
    finally:
        server.should_exit = True
        thread.join(20)
        listener.close()


@pytest.fixture(scope="module")
def described(url: str) -> Any:
    return schemathesis.openapi.from_url(f"{url}/openapi.json")


CHECKS = [
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_schema_conformance,
]
KEPT = json.loads(Path(__file__).with_name("openapi.json").read_text(encoding="utf-8"))
OPERATIONS = [(method, path) for path, methods in KEPT["paths"].items() for method in methods]


@pytest.mark.parametrize(("method", "path"), OPERATIONS)
def test_whatever_is_asked_is_answered_as_described(described: Any, method: str, path: str) -> None:
    @given(case=described[path][method].as_strategy())
    @settings(
        max_examples=EXAMPLES,
        suppress_health_check=list(HealthCheck),
    )
    def ask(case: schemathesis.Case) -> None:
        unwell = path == "/api/health"  # there is no bench here, and so it says
        answer = case.call_and_validate(checks=CHECKS[1:] if unwell else CHECKS)
        if not unwell and answer.status_code >= 400:
            told = answer.json()
            assert told["code"]
            assert told["message"].strip()
            assert "Traceback" not in told["message"]

    ask()


# -- found by the above


@pytest.mark.parametrize("number", [0, -1, 2**53 + 1, 2**63, -(10**30)])
def test_a_number_that_no_job_can_have_is_refused_before_it_meets_the_store(url: str, number: int) -> None:
    job = {"reference": "HL-9", "engine_id": number, "card_id": number, "builder": "Ida Thorne"}
    told = httpx.post(f"{url}/api/jobs", json=job)
    assert told.status_code == 422
    assert "engine_id" in told.json()["message"]
