"""``lobewright demo``: a simulated bench on pseudo-terminals, and the real thing on top of it."""

from __future__ import annotations

import contextlib
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterator
from pathlib import Path

import click

from api.base import DEFAULT_PORT, BenchError, MisuseError, ServiceConfig
from api.host import (
    Companion,
    DemoJob,
    DemoScript,
    FinishedJobs,
    cam_of,
    end_child,
    listening,
    serve,
)
from simulated_devices.machine import SimulatorError
from simulated_devices.scenarios import RecordedBench, Scenario, bench_file, load_scenario
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
@click.option(
    "--script",
    type=click.Choice(["job", "measure", "none"]),
    default="job",
    show_default=True,
    help="What is done by itself: a whole job to the signed sheet; true TDC and two lobes; nothing.",
)
@click.option("--no-script", is_flag=True, hidden=True, help="As --script none.")
def demo(
    port: int, control_port: int, data_dir: Path | None, scenario_file: str, script: str, no_script: bool
) -> None:
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
        with contextlib.ExitStack() as ports:  # a taken port is told in our words, before anything is started
            for taken in range(
                control_port, control_port + 1 + (0 if first is None else len(scenario.channels))
            ):
                ports.enter_context(listening(HOST, taken, "--control-port"))
        with _simulator(scenario_file, Path(links), control_port, first):
            serve(config, _companion("none" if no_script else script, scenario, config))


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
    stopping = threading.Event()
    threading.Thread(target=_end_with, args=(child, stopping), daemon=True).start()
    try:
        yield
        if child.poll() is not None:
            raise BenchError(
                "simulator_ended", f"the simulator ended by itself (exit code {child.returncode})."
            )
    finally:
        stopping.set()
        end_child(child, STOP_S)


def _end_with(child: subprocess.Popen[bytes], stopping: threading.Event) -> None:
    """End the pages, as on Ctrl-C, when the simulator is gone: without instruments they are no demo."""
    child.wait()
    if not stopping.is_set():
        signal.raise_signal(signal.SIGINT)


def _companion(script: str, scenario: Scenario, config: ServiceConfig) -> Companion | None:
    """Give what acts at the bench by itself."""
    if script == "none":
        return None
    if script == "measure":
        steps = [(step.name, dict(step.gauges)) for step in scenario.script]
        return DemoScript(config.simulator_url, steps)
    if scenario.card is None or not scenario.gauge:
        raise MisuseError(
            "no_card", f"{scenario.shop} has no card or no gauge in this scenario: --script none."
        )
    new = not (config.data_dir / "shop.db").exists()
    return DemoJob(
        config.simulator_url,
        scenario.gauge[0].name,
        {"builder": "Ida Thorne", "customer": "Merrick"},
        [cam_of(cam.name, [lobe.valve for lobe in cam.lobe]) for cam in scenario.cam],
        scenario.card.tolerance_deg,
        FinishedJobs(["demo-jobs"]) if new else None,
    )


@click.command("demo-jobs", hidden=True)
@click.argument("folder", type=click.Path(path_type=Path, exists=True, file_okay=False))
def demo_jobs(folder: Path) -> None:
    """Write the finished jobs of the demo's shop into FOLDER, as job files."""
    from api.cli.done_jobs import DONE_JOBS, write_done_job

    if hasattr(os, "nice"):
        os.nice(10)  # the pages and the bench go first
    for made in DONE_JOBS:
        scenario = load_scenario(made.scenario)
        write_done_job(made, scenario.model_dump(), RecordedBench(scenario, made.seed), folder)
