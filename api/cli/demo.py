"""``lobewright demo``: a simulated bench on pseudo-terminals, and the real thing on top of it."""

from __future__ import annotations

import contextlib
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import click

from api.base import DEFAULT_PORT, BenchError, MisuseError, ServiceConfig
from api.host import DemoScript, listening, serve
from simulated_devices.machine import SimulatorError
from simulated_devices.scenarios import Scenario, bench_file, load_scenario
from simulated_devices.wire import HAS_PTYS

HOST = "127.0.0.1"
SCENARIO = "hollin_lane_twin_cam"
STOP_S = 3.0
NOTICE = "Simulated bench: no real instrument is connected."


@click.command()
@click.option(
    "--port",
    default=DEFAULT_PORT,
    show_default=True,
    type=click.IntRange(0, 65535),
    help="Port of the pages.",
)
@click.option(
    "--control-port",
    default=DEFAULT_PORT + 1,
    show_default=True,
    type=click.IntRange(1, 65535),
    help="Port of the simulator's control page.",
)
@click.option(
    "--data",
    "data_dir",
    type=click.Path(path_type=Path),
    help="Keep what is measured in this folder; left out: thrown away at the end.",
)
@click.option(
    "--scenario",
    "scenario_file",
    default=SCENARIO,
    show_default=True,
    help="Scenario of the simulator: a name or a file.",
)
@click.option("--script/--no-script", default=True, help="Measure true TDC and two lobes by itself first.")
def demo(port: int, control_port: int, data_dir: Path | None, scenario_file: str, script: bool) -> None:
    """Run a simulated bench with capture and the web service; one Ctrl-C stops all."""
    try:
        scenario = load_scenario(scenario_file)
    except SimulatorError as error:
        raise MisuseError("bad_scenario", str(error)) from None
    with _folder(data_dir) as folder, tempfile.TemporaryDirectory(prefix="lobewright-demo-") as links:
        bench = Path(links) / "bench.toml"
        first = None if HAS_PTYS else control_port + 1
        bench.write_text(bench_file(scenario, Path(links), first), encoding="utf-8")
        config = ServiceConfig(
            data_dir=folder,
            bench_file=bench,
            host=HOST,
            port=port,
            notice=f"{NOTICE} {scenario.shop}, {scenario.engine.name}.",
            simulator_url=f"http://{HOST}:{control_port}",
        )
        with listening(HOST, control_port):
            pass  # so that a taken port is told in our words, before anything is started
        with _simulator(scenario_file, Path(links), control_port, first):
            serve(config, _script(scenario, config) if script else None)


@contextlib.contextmanager
def _folder(data_dir: Path | None) -> Iterator[Path]:
    """Give the folder asked for, or one that is thrown away."""
    if data_dir is not None:
        yield data_dir
        return
    folder = Path(tempfile.mkdtemp(prefix="lobewright-demo-data-"))
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


@contextlib.contextmanager
def _simulator(scenario_file: str, links: Path, control_port: int, first: int | None) -> Iterator[None]:
    """Run the simulator as a process of its own, in a session of its own: we end it, nobody else does."""
    command = [sys.executable, "-m", "simulated_devices", "--scenario", scenario_file, "--links", str(links)]
    further = ["--control", f"{HOST}:{control_port}", "--stay-with", str(os.getpid())]
    further += [] if first is None else ["--sockets-from", str(first)]
    child = subprocess.Popen([*command, *further], stdin=subprocess.DEVNULL, start_new_session=True)
    try:
        yield
        if child.poll() not in {None, 0}:
            raise BenchError(
                "simulator_ended", f"the simulator ended by itself (exit code {child.returncode})."
            )
    finally:
        child.terminate()
        try:
            child.wait(STOP_S)
        except subprocess.TimeoutExpired:
            child.kill()
            child.wait()


def _script(scenario: Scenario, config: ServiceConfig) -> DemoScript:
    return DemoScript(config.simulator_url, [(step.name, dict(step.gauges)) for step in scenario.script])
