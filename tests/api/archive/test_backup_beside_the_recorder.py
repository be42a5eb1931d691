"""A backup while the recorder runs holds what was saved, and disturbs nothing."""

from __future__ import annotations

import contextlib
import os
import pty
import subprocess
import sys
import threading
import time
import tty
from collections.abc import Iterator
from pathlib import Path

import pytest
from waiting import LOBEWRIGHT

from api.archive import restore
from api.store import ShopStore
from capture.feed import LiveClient
from capture.store import StreamReader

DAY_NS = 86_400 * 10**9


def command(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([*LOBEWRIGHT, *words], capture_output=True, text=True, check=False)


MEASUREMENT = {
    "what": "tdc",
    "touches": "piston_1",
    "gauge": "crank",
    "settings": "{}",
    "state": "finished",
    "started_at": "2020-01-01T00:00:00+00:00",
    "run_id": 1,
    "start_ns": 1,
    "end_ns": 5,
}


class Recorded:
    """Capture as a process, fed a rising count over a pseudo-terminal as fast as it is asked to."""

    def __init__(self, folder: Path) -> None:
        self.data = folder / "data"
        self.master, self._slave = pty.openpty()
        tty.setraw(self._slave)
        bench = folder / "bench.toml"
        bench.write_text(
            f'[crank]\nport = "{os.ttyname(self._slave)}"\nframe = "count"\ncounts_per_turn = 3600\n'
            "fastest_rpm = 20000\n"
        )
        self.process = subprocess.Popen(
            [sys.executable, "-m", "capture", "--bench", str(bench), "--data", str(self.data)]
        )
        self._stop = threading.Event()
        self.sent = 0
        self._thread = threading.Thread(target=self._send)
        self._thread.start()

    def _send(self) -> None:
        while not self._stop.wait(0.005):
            os.write(self.master, b"".join(b"%d\r\n" % (self.sent + place) for place in range(5)))
            self.sent += 5

    def stored(self) -> int:
        """Have everything heard stored, and give the count of the last reading."""
        with LiveClient(self.data) as client:
            return int(client.ask("flush")["saved"]["crank"])

    def close(self) -> None:
        self._stop.set()
        self._thread.join()
        self.process.terminate()
        code = self.process.wait(15)
        os.close(self.master)
        os.close(self._slave)
        assert code == 0


@pytest.fixture
def recorded(tmp_path: Path) -> Iterator[Recorded]:
    running = Recorded(tmp_path)
    try:
        deadline = time.monotonic() + 30
        while time.monotonic() < deadline:
            with contextlib.suppress(Exception):
                if running.stored() > 1000:
                    break
            time.sleep(0.1)
        yield running
    finally:
        running.close()


def test_a_backup_while_the_recorder_runs_holds_all_that_was_saved_and_disturbs_nothing(
    recorded: Recorded, tmp_path: Path
) -> None:
    shop = ShopStore(recorded.data)
    (recorded.data / "imported").mkdir()
    (recorded.data / "imported" / "a.csv").write_text("time_s,channel,value\n")
    shop.write(lambda db: db.table("measurements").insert(MEASUREMENT))
    saved = recorded.stored()
    files = []
    for number in range(5):
        files.append(tmp_path / f"{number}.lwbackup")
        told = command("backup", str(files[-1]), "--data", str(recorded.data))
        assert told.returncode == 0, told.stderr
        shop.write(lambda db: db.table("measurements").insert(MEASUREMENT))
    after = recorded.stored()
    assert after > saved
    shop.close()
    for number, file in enumerate(files):
        told = command("verify", str(file))
        assert told.returncode == 0, told.stderr
        assert f"{number + 1} measurements" in told.stdout
    manifest, aside = restore(files[0], tmp_path / "back", replace=False)
    assert aside is None
    assert manifest.contents.measurements == 1
    assert (tmp_path / "back" / "imported" / "a.csv").read_text() == "time_s,channel,value\n"
    there, back = StreamReader(recorded.data), StreamReader(tmp_path / "back")
    copied = back.read(1, "crank")
    assert copied.sequence[-1] >= saved, "what was called saved before the backup is in it"
    original = there.read(1, "crank").some(slice(0, len(copied)))
    assert original.raw.tolist() == copied.raw.tolist()
    assert original.t_ns.tolist() == copied.t_ns.tolist()
    assert not list(tmp_path.glob("*.part")) + list(tmp_path.glob(".backup*"))
    raw = there.read(1, "crank").every_raw()
    assert (raw[1:] - raw[:-1] == 1).all(), "the recorder lost nothing meanwhile"
