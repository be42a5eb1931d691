"""Instruments that say numbered lines over pseudo-terminals, obeying orders on standard input.

Run as a process of its own. Every line is different, so that what was stored can be compared with the journal
one by one: a count rises by `step` a line, a gauge by 0.001 mm.

    python sender_process.py FOLDER '{"crank": {"rate_hz": 1000}, "plunger": {"rate_hz": 20}}'

Orders, one JSON object a line, are answered with one JSON line each.
"""

from __future__ import annotations

import json
import random
import select
import signal
import sys
import time
from pathlib import Path

from simulated_devices.wire import Outgoing
from simulated_devices.wire.pty_line import PtyLine


class Instrument:
    def __init__(self, folder: Path, name: str, settings: dict[str, object]) -> None:
        self.name = name
        self.kind = str(settings.get("kind", "count" if name == "crank" else "decimal"))
        self.rate_hz = float(settings.get("rate_hz", 100))  # type: ignore[arg-type]
        self.step = int(settings.get("step", 1))  # type: ignore[call-overload]
        self.end = str(settings.get("end", "\r\n"))
        self.corrupt = 0.0
        self.style = ""
        self.paused = False
        self.delay_s = 0.0
        self.mute = 0
        self.requests = 0
        self.asked: list[tuple[float, bytes]] = []
        self.number = int(settings.get("number", 0))  # type: ignore[call-overload]
        self.random = random.Random(name)
        self.line = PtyLine(folder / name, folder / f"{name}.journal")
        self.line.plug()
        self.due_s = time.monotonic()
        self.burst: list[Outgoing] = []

    def text(self) -> bytes:
        self.number += self.step
        if self.kind == "count":
            return str(self.number).encode()
        return f"{self.number / 1000:+.3f}".encode()

    def next_line(self) -> Outgoing:
        whole = self.text() + self.end.encode()
        sent = whole
        if self.corrupt and self.random.random() < self.corrupt:
            place = self.random.randrange(len(whole) - len(self.end))
            flipped = whole[place] ^ (1 << self.random.randrange(8))
            sent = whole[:place] + bytes([flipped]) + whole[place + 1 :]
        if self.style == "nul":
            sent = b"\0" + sent + b"\0\0"
        return Outgoing(whole, sent, one_byte_writes=self.style == "one_byte")

    def turn(self, now_s: float) -> None:
        if self.rate_hz:
            self.speak(now_s)
        else:
            self.answer(now_s)

    def speak(self, now_s: float) -> None:
        due: list[Outgoing] = []
        if self.paused or now_s - self.due_s > 0.5:
            self.due_s = now_s
        while self.due_s <= now_s and not self.paused:
            due.append(self.next_line())
            self.due_s += 1 / self.rate_hz
        if self.style == "burst":
            self.burst += due
            due = []
            if sum(len(item.sent) for item in self.burst) > 3900:
                due, self.burst = self.burst, []
        self.line.send(due)

    def answer(self, now_s: float) -> None:
        for _ in range(self.line.read().count(b"\r")):
            self.requests += 1
            if self.mute > 0:
                self.mute -= 1
            elif self.mute == 0:
                self.asked.append((now_s + self.delay_s, self.text()))
        ready = [text for at_s, text in self.asked if at_s <= now_s]
        self.asked = [(at_s, text) for at_s, text in self.asked if at_s > now_s]
        self.line.send([Outgoing(text + b"\r", text + b"\r") for text in ready])


def obey(order: dict[str, object], instruments: dict[str, Instrument]) -> dict[str, object]:
    do = order.pop("do")
    one = instruments.get(str(order.get("line")))
    if do == "swap":
        first, second = (instruments[str(name)].line for name in order["lines"])  # type: ignore[attr-defined]
        a, b = first.device, second.device
        first.point_link(b)
        second.point_link(a)
    elif one is None:
        return {"error": f"no such line: {order}"}
    elif do == "unplug":
        one.line.unplug(str(order.get("half", "")).encode())
    elif do == "plug":
        one.line.plug()
    elif do == "reset":
        one.number = 0
        one.line.send([Outgoing(b"", b"counter v1 ready\r\n"), Outgoing(b"0", b"0\r\n")])
    elif do == "raw":
        one.line.send([Outgoing(b"", bytes.fromhex(str(order["hex"])))])
    elif do == "set":
        for key, value in order.items():
            if key != "line":
                setattr(one, key, value)
    return {
        "at_ns": time.monotonic_ns(),
        "device": one.line.device if one else "",
        "accepted": one.line.accepted if one else 0,
        "dropped": one.line.dropped if one else 0,
        "requests": one.requests if one else 0,
    }


def main() -> None:
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    folder, settings = Path(sys.argv[1]), json.loads(sys.argv[2])
    instruments = {name: Instrument(folder, name, one) for name, one in settings.items()}
    print(json.dumps({"ready": True}), flush=True)
    tick_s = min(0.005, 1 / max(one.rate_hz or 200 for one in instruments.values()))
    while True:
        ready, _, _ = select.select([sys.stdin], [], [], tick_s)
        if ready:
            line = sys.stdin.readline()
            if not line:
                return
            print(json.dumps(obey(json.loads(line), instruments)), flush=True)
        now_s = time.monotonic()
        for one in instruments.values():
            one.turn(now_s)


if __name__ == "__main__":
    main()
