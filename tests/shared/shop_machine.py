"""Random sequences of what screens, files, cables, kills and clocks do to a running shop, against a model of what must hold.

The model is what the service acknowledged: each job with its facts, each measurement as it was told. At every check all
of it must be there, every job must open, every number must come out of its stored readings again, and nothing that was
not asked for by the bench or a paired screen may be there.
"""

from __future__ import annotations

import functools
import itertools
import shutil
import tempfile
import threading
import time
from pathlib import Path
from typing import Any, ClassVar

import httpx
from hypothesis import HealthCheck, Phase, assume, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, precondition, rule
from running import CARD, ENGINE, job_file, still_trace
from running import measured as told_of
from shop_kept import SHOWN, Kept
from shop_world import World, answered
from waiting import until

Fields = dict[str, Any]
TDC = {"stroke_mm": 80.0, "rod_mm": 135.0, "pin_offset_mm": 0.8}
BESIDE_A_KILL_S = 0.15
ROCK: list[Fields] = [
    {"do": "hold", "seconds": 0.3},
    {"do": "rock", "crank_deg": 0.0, "half_width_deg": 40.0, "times": 2, "speed_deg_s": 110.0},
    {"do": "hold", "seconds": 0.4},
]
NO_FILE = (b"", b"PK\x03\x04 cut short", b"time_s,channel,value\n1,crank_deg,", b"\x00" * 3000)


def plan(examples: int, steps: int) -> settings:
    """So many sequences of so many steps; nothing is shrunk, for every step takes real time."""
    return settings(
        max_examples=examples,
        stateful_step_count=steps,
        deadline=None,
        database=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
        print_blob=False,
    )


class ShopMachine(RuleBasedStateMachine):
    """Every rule is something that happens in a shop; `check` is asked for by some, and at the end."""

    done: ClassVar[dict[str, int]] = {}
    """How often each thing happened, over all sequences of this process."""

    def __init__(self) -> None:
        super().__init__()
        self.folder = Path(tempfile.mkdtemp(prefix="lw-machine-"))
        self.has_begun = False
        self.is_set_up = False
        self.kept = Kept()
        self.number = itertools.count(1)
        self.exported = b""
        self.cookie = ""

    @initialize(chance=st.integers(0, 1000))
    def a_shop_with_a_job(self, chance: int) -> None:
        assume(chance)  # the first sequence of all is the plainest, the same rule again and again
        self.world, self.has_begun = World(self.folder), True
        self.world.start()
        self.cookie = self.world.paired()
        self._begin_job()
        first = min(self.kept.jobs)
        self.exported = self.world.web.get(f"/api/jobs/{first}/job.zip").content
        for _ in range(40):  # a computer too busy to read says so, and asks to turn again
            number = self._measured()
            if "turn again" not in self.kept.measurements[number]["sentence"]:
                break
        assert self.kept.measurements[number]["state"] == "finished", self.kept.measurements[number]
        self.is_set_up = True

    def _measured(self) -> int:
        self.begin_a_measurement()
        self.rock_the_crank()
        number = self.kept.running
        self.finish()
        return number

    def teardown(self) -> None:
        if self.has_begun:
            try:
                if self.world.is_up():
                    self.check()
                assert self.is_set_up, "no history was begun"
                assert "Traceback" not in self.world.log.read_text(), self.world.log.read_text()[-4000:]
            except BaseException:
                print(f"what failed is kept in {self.folder}-kept")
                shutil.copytree(
                    self.folder, f"{self.folder}-kept", symlinks=True, ignore=shutil.ignore_patterns("*.sock")
                )
                raise
            finally:
                self.world.stop()
        shutil.rmtree(self.folder, ignore_errors=True)

    def _note(self, what: str) -> None:
        self.done[what] = self.done.get(what, 0) + 1

    def _post(self, path: str, **more: Any) -> Fields:
        answer = self.world.web.post(path, **more)
        assert answer.status_code < 300, f"{path}: {answer.status_code} {answer.text}"
        told: Fields = answer.json()
        return told

    # -- work

    def _begin_job(self) -> None:
        number = next(self.number)
        engine = {**ENGINE, "engine": {**ENGINE["engine"], "name": f"Tarn 1.8 no. {number}"}}
        card = {"card": {**CARD["card"], "name": f"Whinfell 262 no. {number}"}}
        engine_id, card_id = (
            self._post("/api/engines", json=engine)["id"],
            self._post("/api/cards", json=card)["id"],
        )
        self.kept.engines.add(engine_id)
        self.kept.cards.add(card_id)
        body = {"reference": f"HL-{number}", "engine_id": engine_id, "card_id": card_id, "open": False}
        job = int(self._post("/api/jobs", json=body)["id"])
        self.kept.jobs.add(job)
        self.kept.notes[job] = []

    @rule()
    def begin_a_job(self) -> None:
        self._begin_job()
        self._note("job begun")

    @rule(data=st.data(), by_tablet=st.booleans())
    def note_a_fact(self, data: st.DataObject, by_tablet: bool) -> None:
        job, text = self._some_job(data), f"note {next(self.number)}"
        answer = self._adding(job, text, by_tablet)()
        assert answer.status_code == 201, answer.text
        self.kept.notes[job].append(text)
        self._note("fact noted")

    def _adding(self, job: int, text: str, by_tablet: bool = False, key: str = "") -> Any:
        path, body = f"/api/jobs/{job}/facts", {"what": {"kind": "noted", "text": text}}
        headers = {"Request-Key": key} if key else {}
        if by_tablet:
            headers["Cookie"] = self.cookie
            return functools.partial(
                httpx.post, f"{self.world.far}{path}", json=body, headers=headers, timeout=60
            )
        return functools.partial(self.world.web.post, path, json=body, headers=headers)

    def _some_job(self, data: st.DataObject) -> int:
        return data.draw(st.sampled_from(sorted(self.kept.jobs)), label="job")

    @precondition(lambda self: not self.kept.running)
    @rule()
    def begin_a_measurement(self) -> None:
        body = {"touches": "piston_1", "gauge": "dial_a", "tdc": TDC}
        on = self.world.hand.get("/state").json()["gauges"]["dial_a"]["onto"]
        if on != "piston_1":  # a gauge that is carried over hangs free meanwhile
            self.world.hand.post("/gauge", json={"gauge": "dial_a", "onto": "piston_1"})
        self.kept.running = int(self._post("/api/measurements", json=body)["id"])
        self.kept.rocked = False
        self._note("measurement begun")

    @precondition(lambda self: self.kept.running and not self.kept.rocked)
    @rule()
    def rock_the_crank(self) -> None:
        assert self.world.hand.post("/hand", json={"moves": ROCK, "wait_s": 60}).json()["done"]
        self.kept.rocked = True
        self._note("crank rocked")

    @precondition(lambda self: self.kept.running)
    @rule()
    def finish(self) -> None:
        self._told(self._post(f"/api/measurements/{self.kept.running}/finish"))
        self._note("measurement finished")

    @precondition(lambda self: self.kept.running and not self.kept.rocked)
    @rule()
    def discard(self) -> None:
        self._told(self._post(f"/api/measurements/{self.kept.running}/discard"))
        self._note("measurement discarded")

    def _told(self, view: Fields) -> None:
        self.kept.measurements[view["id"]] = {name: view[name] for name in SHOWN}
        self.kept.running = 0

    # -- files from elsewhere

    @rule(again=st.booleans())
    def import_a_trace(self, again: bool) -> None:
        trace = still_trace(next(self.number)).encode()
        answer = self._sending_trace(trace)()
        assert answer.status_code == 201, answer.text
        self._imported(answer.json())
        if again:
            assert self._sending_trace(trace)().status_code == 409
        self._note("trace imported")

    def _sending_trace(self, trace: bytes, key: str = "") -> Any:
        fields = {"touches": "piston_1", "gauge": "dial_a"}
        headers = {"Request-Key": key} if key else {}
        files = {"file": ("t.csv", trace)}
        return functools.partial(
            self.world.web.post, "/api/traces", files=files, data=fields, headers=headers
        )

    def _imported(self, view: Fields) -> None:
        self.kept.measurements[view["id"]] = {name: view[name] for name in SHOWN}

    @rule()
    def import_a_job(self) -> None:
        answer = self._sending_job(self._job_from_elsewhere())()
        assert answer.status_code == 201, answer.text
        self._job_taken(int(answer.json()["id"]))
        self._note("job imported")

    def _job_from_elsewhere(self) -> bytes:
        second = next(self.number)
        traces = [told_of(1, "traces/one.csv"), told_of(2, "traces/two.csv", touches="piston_4")]
        return job_file(
            self.exported, traces, at=f"2026-11-20T08:{second // 60:02}:{second % 60:02}.000+00:00"
        )

    def _sending_job(self, content: bytes, key: str = "") -> Any:
        headers = {"Request-Key": key} if key else {}
        files = {"file": ("job.zip", content)}
        return functools.partial(self.world.web.post, "/api/jobs/from_file", files=files, headers=headers)

    def _job_taken(self, job: int) -> None:
        view = self.world.web.get(f"/api/jobs/{job}").json()
        self.kept.jobs.add(job)
        self.kept.notes[job] = []
        self.kept.engines |= {row[0] for row in self.world.rows("SELECT id FROM engines")}
        self.kept.cards |= {row[0] for row in self.world.rows("SELECT id FROM cards")}
        assert view["id"] == job
        for one in self.world.web.get(f"/api/measurements?job_id={job}").json()["measurements"]:
            self._imported(one)

    @rule(
        content=st.sampled_from(NO_FILE),
        cut=st.integers(1, 400),
        which=st.sampled_from(["jobs/from_file", "traces"]),
    )
    def import_something_bad(self, content: bytes, cut: int, which: str) -> None:
        before = self.world.digest()
        for bad in (content, self.exported[:-cut]):
            files, fields = {"file": ("f", bad)}, {"touches": "piston_1", "gauge": "dial_a"}
            answer = self.world.web.post(
                f"/api/{which}", files=files, data=fields if which == "traces" else {}
            )
            assert 400 <= answer.status_code < 500, answer.text
            assert answer.json()["message"].endswith((".", "?")), answer.text
        assert self.world.digest() == before
        self._note("bad file refused")

    # -- strangers

    @rule(data=st.data())
    def a_stranger_tries(self, data: st.DataObject) -> None:
        job, running = self._some_job(data), self.kept.running or 1
        tries: dict[str, Fields] = {
            f"POST /api/jobs/{job}/facts": {"json": {"what": {"kind": "noted", "text": "mine"}}},
            f"POST /api/jobs/{job}/sign": {"json": {"by": "Nobody"}},
            f"DELETE /api/jobs/{job}": {},
            "POST /api/engines": {"json": ENGINE},
            f"POST /api/measurements/{running}/finish": {},
            f"POST /api/measurements/{running}/discard": {},
            "POST /api/jobs/from_file": {"files": {"file": ("job.zip", self._job_from_elsewhere())}},
            "POST /api/traces": {"files": {"file": ("t.csv", still_trace(0).encode())}},
            "POST /api/pairing/code": {},
            "POST /pair": {"data": {"code": "00000000", "name": "Nobody"}},
            f"POST /api/jobs/{job}/close": {"headers": {"Cookie": "lobewright_screen=guessed"}},
        }
        before = self.world.digest()
        for what in data.draw(
            st.lists(st.sampled_from(sorted(tries)), min_size=2, max_size=5), label="tries"
        ):
            status = self.world.strangers_request(*what.split(" "), **tries[what])
            assert 400 <= status < 500, (what, status)
        assert self.world.digest() == before
        self._note("stranger turned away")

    # -- trouble

    @rule(channel=st.sampled_from(["crank", "dial_a"]), mid_line=st.booleans())
    def pull_a_cable_and_put_it_back(self, channel: str, mid_line: bool) -> None:
        for body in ({"plugged": False, "mid_line": mid_line}, {"plugged": True}):
            told = self.world.hand.post("/cable", json={"channel": channel, **body})
            assert told.status_code == 200, told.text
            time.sleep(0.3)
        until(self.world.reads, "the cable is back")
        self._note("cable pulled")

    @rule(hours=st.sampled_from([-1, 0, 1]))
    def set_the_clock(self, hours: int) -> None:
        self.world.set_clock(hours * 3600)
        self._note("clock set")

    @rule()
    def kill_capture(self) -> None:
        killed = self.world.capture_pid()
        self.world.kill_capture()
        self.world.wait_for_another_capture(killed)
        self._note("capture killed")

    @rule()
    def kill_the_service_and_start_it_again(self) -> None:
        self.world.kill_web()
        self.world.start()
        self.check()
        self._note("service killed")

    @rule()
    def stop_the_service_and_start_it_again(self) -> None:
        assert self.world.end_web() == 0
        self.world.start()
        self._note("service stopped")

    @rule(data=st.data(), what=st.sampled_from(["fact", "trace", "job"]), share=st.floats(0.0, 1.0))
    def kill_the_service_while_it_answers(self, data: st.DataObject, what: str, share: float) -> None:
        """The screen lost the answer, and asks again with the same key: it is done once, and once alone."""
        key, job = f"key-{next(self.number):06}-of-a-screen", self._some_job(data)
        text, trace, taken = (
            f"note {next(self.number)}",
            still_trace(next(self.number)).encode(),
            self._job_from_elsewhere(),
        )

        def asking() -> Any:
            if what == "fact":
                return self._adding(job, text, key=key)
            return self._sending_trace(trace, key) if what == "trace" else self._sending_job(taken, key)

        asker = threading.Thread(target=answered, args=(asking(),))
        asker.start()
        time.sleep(share * BESIDE_A_KILL_S)
        self.world.kill_web()
        asker.join()
        self.world.start()
        again = asking()()
        done_already = again.status_code == 409 and again.json()["code"] == "done_already"
        assert done_already or again.status_code == 201, again.text
        if what == "fact":
            self.kept.notes[job].append(text)
        elif what == "trace":
            newest = self.world.rows("SELECT max(id) FROM measurements")[0][0]
            self._imported(
                self.world.get(f"/api/measurements/{newest}").json() if done_already else again.json()
            )
        else:
            newest = self.world.rows("SELECT max(id) FROM jobs")[0][0]
            self._job_taken(int(newest if done_already else again.json()["id"]))
        self.check()
        self._note(f"killed while it took a {what}")

    @rule()
    def back_up(self) -> None:
        file = self.folder / "last.lwbackup"
        told = self.world.command("backup", str(file), "--data", str(self.world.data))
        assert told.returncode == 0, told.stderr
        self._note("backed up")

    # -- what must hold

    @rule()
    def look_at_everything(self) -> None:
        self.check()
        self._note("looked at")

    def check(self) -> None:
        """All that was acknowledged is there and nothing else; every job opens; every number comes out again."""
        self.kept.assert_all_is_there(self.world)
        for _ in range(self.kept.assert_numbers_come_out_again(self.world.data)):
            self._note("number computed again")
