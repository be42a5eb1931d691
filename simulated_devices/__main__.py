"""``python -m simulated_devices``: run a scenario's bench over pseudo-terminals until told to stop."""

from __future__ import annotations

import argparse
import contextlib
import os
import signal
import sys
from pathlib import Path
from queue import Empty, SimpleQueue
from types import FrameType

from simulated_devices.live import ControlServer, LiveBench, parse_address
from simulated_devices.machine import BenchClock, SimulatorError, clock_asked_for
from simulated_devices.scenarios import bench_file, load_scenario
from simulated_devices.wire import HAS_PTYS

_LOOK_FOR_PARENT_S = 0.5


def _arguments(given: list[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        prog="python -m simulated_devices",
        description="A simulated engine, a hand and instruments that speak over pseudo-terminals.",
    )
    parser.add_argument("--scenario", required=True, help="scenario file, or the name of an example")
    parser.add_argument("--links", required=True, type=Path, help="folder for the ports' links and journals")
    parser.add_argument("--control", metavar="HOST:PORT", help="address of the control page (port 0: any)")
    parser.add_argument(
        "--bench-file", type=Path, metavar="OUT", help="write a bench file that fits, absolute ports"
    )
    parser.add_argument(
        "--sockets-from",
        type=int,
        metavar="PORT",
        help="instruments on TCP ports from this one on, no terminals",
    )
    parser.add_argument("--run-script", action="store_true", help="carry out the scenario's script at once")
    parser.add_argument("--no-journals", action="store_true", help="do not write down accepted lines")
    parser.add_argument(
        "--stay-with", type=int, metavar="PID", help="stop when that process is gone, as well as on a signal"
    )
    return parser.parse_args(given)


def main(given: list[str] | None = None) -> int:
    """Run until SIGINT or SIGTERM; 0 after a clean stop, 2 when the bench cannot start."""
    arguments = _arguments(given)
    ended: SimpleQueue[None] = SimpleQueue()  # not an Event: its set may not interrupt its own wait

    def end(_number: int, _frame: FrameType | None) -> None:
        ended.put(None)

    for number in ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK"):  # systems differ in which they have
        if hasattr(signal, number):
            signal.signal(getattr(signal, number), end)
    try:
        _run(arguments, ended)
    except SimulatorError as error:
        print(error, file=sys.stderr)  # noqa: T201
        return 2
    return 0


def _ask_for_priority() -> None:
    """A real instrument waits for no computer; where the system gives no leave, this one does at times."""
    if sys.platform != "win32" and hasattr(os, "nice"):
        with contextlib.suppress(OSError):
            os.nice(-15)


def _run(arguments: argparse.Namespace, ended: SimpleQueue[None]) -> None:
    """Simulate until told to end; whatever fails, ports and page are closed."""
    clock = clock_asked_for()
    if not isinstance(
        clock, BenchClock
    ):  # with a time of its own it waits for others, and must not hold them up
        _ask_for_priority()
    scenario = load_scenario(arguments.scenario)
    address = parse_address(arguments.control) if arguments.control else None
    first = arguments.sockets_from
    if first is None and not HAS_PTYS:
        raise SimulatorError("there are no pseudo-terminals on this system; give --sockets-from PORT")
    bench = LiveBench(
        scenario,
        arguments.links.absolute(),
        journals=not arguments.no_journals,
        clock=clock,
        first_tcp_port=first,
    )
    control = ControlServer(address, bench) if address else None
    try:
        bench.start()
        if arguments.bench_file:
            _write(arguments.bench_file, bench_file(scenario, bench.links, first))
        if control:
            control.start()
        _tell(bench, control)
        if arguments.run_script:
            bench.script.start(rest=True)
        _wait(ended, arguments.stay_with)
    finally:
        if control:
            control.stop()
        bench.stop()


def _write(file: Path, text: str) -> None:
    try:
        beside = file.with_name(f".{file.name}.{os.getpid()}")
        beside.write_text(text)
        beside.replace(file)
    except OSError as error:
        raise SimulatorError(
            f"{file} cannot be written: {error.strerror}; choose another --bench-file"
        ) from error


def _tell(bench: LiveBench, control: ControlServer | None) -> None:
    """One line when all is up: whoever started this waits for it."""
    where = f", control page {control.url}" if control else ""
    ports = ", ".join(line.port.name for line in bench.lines.values())
    print(f"{bench.scenario.engine.name}: {ports}{where}", flush=True)  # noqa: T201


def _wait(ended: SimpleQueue[None], parent: int | None) -> None:
    while parent is None or _alive(parent):
        with contextlib.suppress(Empty):
            return ended.get(timeout=_LOOK_FOR_PARENT_S)
    return None


def _alive(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True


if __name__ == "__main__":
    sys.exit(main())
