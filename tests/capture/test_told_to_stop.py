"""A signal comes when it likes: told to stop at any instruction of its waiting, a process ends."""

from __future__ import annotations

import subprocess
import sys

import pytest

WAITS = {
    "capture": """
from capture.base import StopRequest
made = StopRequest()
tell = made.make
def wait():
    while not made.came_within(0.001):
        pass
""",
    "simulated devices": """
from queue import SimpleQueue
from simulated_devices.__main__ import _wait
ended = SimpleQueue()
tell = lambda: ended.put(None)
def wait():
    _wait(ended, None)
""",
    "an event, by the same means": """
import threading
event = threading.Event()
tell = event.set
def wait():
    while not event.wait(0.001):
        pass
""",
}

AT_EVERY_INSTRUCTION = """
import signal, sys
signal.signal(signal.SIGTERM, lambda *_: tell())

def told_at(number):
    left = number
    def trace(frame, event, _):
        nonlocal left
        frame.f_trace_opcodes = True
        if event == "opcode":
            left -= 1
            if left == 0:
                signal.raise_signal(signal.SIGTERM)
        return trace
    signal.setitimer(signal.ITIMER_REAL, 0.02)  # told all the same, after the last instruction of a round
    sys.settrace(trace)
    try:
        wait()
    finally:
        sys.settrace(None)
        signal.setitimer(signal.ITIMER_REAL, 0)
    return left <= 0

signal.signal(signal.SIGALRM, lambda *_: tell())
number = 1
while told_at(number):
    number += 1
print("told at", number - 1, "instructions, ended each time")
"""


def told_to_stop(waiting: str, within_s: float) -> str:
    """What a process says whose waiting was interrupted at each instruction in turn; times out where it hangs."""
    script = WAITS[waiting] + AT_EVERY_INSTRUCTION.replace("while told_at", "while number < 150 and told_at")
    ended = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, timeout=within_s, check=True
    )
    return ended.stdout


@pytest.mark.parametrize("waiting", ["capture", "simulated devices"])
def test_told_at_any_instruction_it_ends(waiting: str) -> None:
    said = told_to_stop(waiting, 60)
    assert int(said.split()[2]) > 20
    assert "ended each time" in said


def test_an_event_would_hang() -> None:
    with pytest.raises(subprocess.TimeoutExpired):
        told_to_stop("an event, by the same means", 4)
