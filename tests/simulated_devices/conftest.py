"""A live bench as a process of its own, with its control address, for tests."""

import json
import os
import signal
import subprocess
import sys
import urllib.error
import urllib.request
from dataclasses import dataclass
from pathlib import Path

import pytest


@dataclass
class RunningBench:
    """One ``python -m simulated_devices``."""

    process: subprocess.Popen
    url: str
    links: Path

    def get(self, path, **headers):
        return self._ask(urllib.request.Request(self.url + path, headers=headers))

    def post(self, path, body, **headers):
        content = body if isinstance(body, bytes) else json.dumps(body).encode()
        return self._ask(urllib.request.Request(self.url + path, content, headers=headers))

    @staticmethod
    def _ask(request):
        try:
            with urllib.request.urlopen(request, timeout=60) as answer:
                return answer.status, json.loads(answer.read())
        except urllib.error.HTTPError as error:
            with error:
                return error.code, json.loads(error.read())

    def end(self, number=signal.SIGINT):
        self.process.send_signal(number)
        return self.process.wait(10)


def started(folder, links, scenario, *more):
    """Start a bench and wait until it says that it is up."""
    command = [sys.executable, "-m", "simulated_devices", "--scenario", str(scenario), "--links", str(links)]
    process = subprocess.Popen(
        [*command, "--control", "127.0.0.1:0", *more],
        stdout=subprocess.PIPE,
        text=True,
        cwd=folder,
        env=os.environ | {"PYTHONWARNINGS": "error"},
    )
    line = process.stdout.readline()
    assert "control page" in line, line
    return RunningBench(process, line.rsplit(" ", 1)[1].strip(), links)


def ended(bench):
    """Make sure that a bench is gone."""
    if bench.process.poll() is None:
        bench.process.kill()
    bench.process.wait()
    bench.process.stdout.close()


@pytest.fixture
def run_bench(tmp_path):
    """Start benches; whatever is still running is ended afterwards."""
    running = []

    def start(scenario="hollin_lane_twin_cam", *more):
        running.append(started(tmp_path, tmp_path / f"links{len(running)}", scenario, *more))
        return running[-1]

    yield start
    for bench in running:
        ended(bench)


@pytest.fixture(scope="module")
def shared_bench(tmp_path_factory):
    """One bench for the tests that change nothing that others look at."""
    folder = tmp_path_factory.mktemp("shared")
    bench = started(folder, folder / "links", "hollin_lane_twin_cam")
    yield bench
    ended(bench)
