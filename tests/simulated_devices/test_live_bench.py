"""The bench as a process: ports, control address, script, pulleys, cables, faults, and a clean end."""

import math
import select
import signal
import subprocess
import sys
import time

import pytest
import serial

from capture.bench import load_bench, make_decoder
from simulated_devices.scenarios.scenario import SCENARIOS
from simulated_devices.wire.line import read_journal

TWIN = (SCENARIOS / "hollin_lane_twin_cam.toml").read_text()


def listen(port, seconds):
    """Bytes that arrive within a time."""
    got, end = b"", time.monotonic() + seconds
    while (left := end - time.monotonic()) > 0:
        if select.select([port.fileno()], [], [], left)[0]:
            got += port.read(port.in_waiting or 1)
    return got


def until(check, seconds=20.0):
    """Wait for something to become true."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if found := check():
            return found
        time.sleep(0.02)
    raise AssertionError("it never came to that")


def test_the_bench_ends_cleanly_and_leaves_no_link(run_bench):
    for number in (signal.SIGINT, signal.SIGTERM):
        bench = run_bench()
        assert {path.name for path in bench.links.iterdir() if path.is_symlink()} == {
            "crank",
            "dial_a",
            "dial_b",
        }
        assert bench.end(number) == 0
        assert not [path for path in bench.links.iterdir() if path.is_symlink()]


def test_the_bench_ends_when_the_process_it_stays_with_is_gone(run_bench):
    other = subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE)
    bench = run_bench("hollin_lane_twin_cam", "--stay-with", str(other.pid))
    other.communicate(b"\n")
    assert bench.process.wait(10) == 0
    assert not [path for path in bench.links.iterdir() if path.is_symlink()]


def test_what_is_read_is_what_the_journal_says(run_bench):
    bench = run_bench()
    ports = {
        name: serial.Serial(str(bench.links / name), timeout=0) for name in ("crank", "dial_a", "dial_b")
    }
    bench.post("/hand", {"moves": [{"do": "turns", "count": 2}]})
    until(lambda: bench.get("/state")[1]["cables"]["dial_a"]["accepted"] > 15)
    got = dict.fromkeys(ports, b"")
    for name, port in ports.items():
        bench.post("/fault", {"kind": "silent", "channel": name})
        got[name] = listen(port, 0.4)
        port.close()
    assert bench.end() == 0
    for name, content in got.items():
        rows = read_journal(bench.links / f"{name}.journal")
        # pyserial throws away what came while it opened the port: the read bytes are the journal's tail.
        assert b"".join(sent for _, sent, _ in rows).endswith(content)
        assert content.count(b"\r\n") >= 15


def test_the_script_takes_the_gauge_from_piston_to_valve(run_bench, tmp_path):
    quick = TWIN.replace("speed_deg_s = 40.0", "speed_deg_s = 300.0").replace(
        "speed_deg_s = 30.0", "speed_deg_s = 400.0"
    )
    quick = quick.replace("seconds = 0.8", "seconds = 0.1")
    (tmp_path / "quick.toml").write_text(quick)
    bench = run_bench(tmp_path / "quick.toml")
    status, after = bench.post("/script", {"step": "tdc", "wait_s": 60})
    assert (status, after["done"], after["script"]["done"]) == (200, True, ["tdc"])
    before = after["crank"]["unwrapped_deg"]
    _, after = bench.post("/script", {"rest": True, "wait_s": 60})
    assert after["script"]["done"] == ["tdc", "inlet", "exhaust"]
    assert after["gauges"]["dial_a"]["onto"] == "exhaust_1"
    assert after["crank"]["unwrapped_deg"] - before == pytest.approx(1440.0)
    assert bench.post("/script", {})[1]["error"].startswith("every step of the script has been done")
    assert "has no step" in bench.post("/script", {"step": "tea"})[1]["error"]


def test_the_hand_stops_pauses_and_takes_the_crank_where_it_is_told(run_bench):
    bench = run_bench()
    bench.post("/hand", {"do": "speed", "speed_deg_s": 200})
    _, after = bench.post("/hand", {"moves": [{"do": "turn_to", "crank_deg": 108.0}], "wait_s": 30})
    assert after["crank"]["deg"] == pytest.approx(108.0)
    assert after["done"] is True
    encoder = after["crank"]["encoder_deg"]
    _, after = bench.post(
        "/hand", {"moves": [{"do": "turn_to", "encoder_deg": encoder - 20.0, "past_deg": 15.0}], "wait_s": 30}
    )
    assert after["crank"]["encoder_deg"] == pytest.approx(encoder - 20.0, abs=0.11)
    bench.post("/hand", {"moves": [{"do": "sweep"}]})
    until(lambda: bench.get("/state")[1]["crank"]["speed_deg_s"] > 150)
    bench.post("/hand", {"do": "pause"})
    held = bench.get("/state")[1]["crank"]["unwrapped_deg"]
    time.sleep(0.3)
    assert bench.get("/state")[1]["crank"]["unwrapped_deg"] == held
    bench.post("/hand", {"do": "resume"})
    until(lambda: bench.get("/state")[1]["crank"]["unwrapped_deg"] > held)
    bench.post("/hand", {"do": "stop"})
    until(lambda: not bench.get("/state")[1]["hand"]["busy"])
    start = bench.get("/state")[1]["crank"]["unwrapped_deg"]
    bench.post("/hand", {"do": "drag", "unwrapped_deg": start + 50.0})
    until(lambda: not bench.get("/state")[1]["hand"]["busy"])
    assert bench.get("/state")[1]["crank"]["unwrapped_deg"] == pytest.approx(start + 50.0, abs=0.01)


def test_a_slackened_pulley_lets_the_cam_stay_and_tightening_may_move_it(run_bench):
    bench = run_bench()
    bench.post("/hand", {"do": "speed", "speed_deg_s": 200})

    def late():
        return bench.get("/truth")[1]["cams"]["inlet"]["late_deg"]

    assert late() == pytest.approx(3.4)
    assert (
        "slacken them first"
        in bench.post("/pulley", {"cam": "inlet", "do": "turn_cam", "by_deg": 1})[1]["error"]
    )
    bench.post("/pulley", {"cam": "inlet", "do": "slacken"})
    # The crank is held, the cam is turned on by 2 degrees: 2 degrees earlier.
    bench.post("/pulley", {"cam": "inlet", "do": "turn_cam", "by_deg": 2.0, "wait_s": 10})
    assert late() == pytest.approx(1.4)
    # The cam is held, the crank is turned on by 3 degrees: the cam is 3 degrees later.
    bench.post("/hand", {"moves": [{"do": "turn_by", "by_deg": 3.0}], "wait_s": 10})
    assert late() == pytest.approx(4.4)
    bench.post("/pulley", {"cam": "inlet", "do": "tighten", "shift_deg": 0.8})
    bench.post("/hand", {"moves": [{"do": "turns", "count": 1}], "wait_s": 10})
    assert late() == pytest.approx(3.6)
    assert bench.get("/truth")[1]["lobes"]["inlet_1"]["centre_atdc_deg"] == pytest.approx(108.0 + 3.6)
    assert bench.get("/truth")[1]["cams"]["exhaust"]["late_deg"] == pytest.approx(-2.6)


def test_a_clumsy_hand_is_off_by_a_seeded_chance(run_bench):
    moved = []
    for _ in range(2):
        bench = run_bench()
        bench.post("/pulley", {"cam": "exhaust", "do": "slacken"})
        body = {"cam": "exhaust", "do": "turn_cam", "by_deg": 1.0, "clumsy_deg": 0.3, "wait_s": 10}
        moved.append(bench.post("/pulley", body)[1]["cams"]["exhaust"]["moved_deg"])
    assert moved[0] == pytest.approx(moved[1])
    assert 0.001 < abs(moved[0] - 1.0) < 1.5


def test_a_gauge_moved_onto_a_valve_follows_its_lift(run_bench):
    bench = run_bench()
    bench.post("/hand", {"do": "speed", "speed_deg_s": 300})
    bench.post("/gauge", {"gauge": "dial_a", "onto": "inlet_1"})
    port = serial.Serial(str(bench.links / "dial_a"), timeout=0)
    shown = []
    for angle in (400.0, 110.87):
        bench.post("/hand", {"moves": [{"do": "turn_to", "crank_deg": angle}], "wait_s": 30})
        time.sleep(0.9)
        port.reset_input_buffer()
        shown.append(float(listen(port, 0.5).split(b"\r\n")[1]))
    port.close()
    assert shown[0] - shown[1] == pytest.approx(9.4, abs=0.015)
    error = bench.post("/gauge", {"gauge": "dial_a", "onto": "inlet_9"})[1]["error"]
    assert error.startswith("there is no 'inlet_9' on this engine; a gauge can touch piston_1, ")


def test_a_pulled_cable_hangs_up_and_comes_back_under_its_name(run_bench):
    bench = run_bench()
    port = serial.Serial(str(bench.links / "dial_b"), timeout=0.2)
    assert port.read(30)
    bench.post("/cable", {"channel": "dial_b", "plugged": False, "mid_line": True})
    assert not (bench.links / "dial_b").exists()
    with pytest.raises((serial.SerialException, OSError)):
        for _ in range(20):
            port.read(port.in_waiting or 1)
    bench.post("/cable", {"channel": "dial_b", "plugged": True})
    port.close()
    again = serial.Serial(str(bench.links / "dial_b"), timeout=2)
    assert again.read(20).count(b"B") >= 1
    again.close()


def test_an_asked_gauge_answers_its_request_and_nothing_else(run_bench):
    bench = run_bench("hollin_lane_single_cam")
    port = serial.Serial(str(bench.links / "dial_a"), timeout=0)
    assert listen(port, 0.5) == b""
    port.write(b"!\r")
    assert listen(port, 0.5) == b""
    port.write(b"?\r")
    assert until(lambda: listen(port, 0.2)).count(b"\r\n") == 1
    bench.post("/fault", {"kind": "silent", "channel": "dial_a"})
    port.write(b"?\r")
    assert listen(port, 0.5) == b""
    bench.post("/fault", {"kind": "clear", "channel": "dial_a"})
    bench.post("/fault", {"kind": "late", "channel": "dial_a", "size": 1.5})
    port.write(b"?\r")
    asked = time.monotonic()
    assert until(lambda: listen(port, 0.1))
    assert time.monotonic() - asked > 1.2
    port.close()


def test_a_counter_that_reboots_sends_a_banner_and_counts_from_zero(run_bench):
    bench = run_bench()
    port = serial.Serial(str(bench.links / "crank"), timeout=0)
    heard = listen(port, 0.2)
    bench.post("/fault", {"kind": "reboot"})
    got = (heard + listen(port, 0.5)).split(b"\r\n")
    at = got.index(b"counter ready")
    assert got[at + 1] == b"0"
    counts_before = [line for line in got[1:at] if line]  # the first line heard may have lost its head
    assert abs(int(counts_before[-1])) > 1000
    port.close()


FRAMES = {
    "count": ("", make_decoder("count")),
    "count_index": ("", make_decoder("count_index")),
    "count_micros": ("", make_decoder("count_micros")),
    "template": (
        'template = "P{count};T{micros}"\npattern = "P(?P<count>-?[0-9]+);T(?P<micros>[0-9]+)"',
        None,
    ),
}


@pytest.mark.parametrize("frame", FRAMES)
def test_every_frame_kind_of_the_counter_is_decoded_whole(frame, run_bench, tmp_path):
    more, decoder = FRAMES[frame]
    old = 'frame = "count"                 # count, count_index, count_micros or template'
    assert old in TWIN
    text = TWIN.replace(old, f'frame = "{frame}"\n{more}\nindex_deg = 30.0').replace("-140.0", "-10.0")
    (tmp_path / "one.toml").write_text(text.replace("speed_deg_s = 30.0", "speed_deg_s = 100.0"))
    bench = run_bench(tmp_path / "one.toml", "--bench-file", str(tmp_path / "bench.toml"))
    decoder = decoder or load_bench(tmp_path / "bench.toml").crank.decoder()
    port = serial.Serial(str(bench.links / "crank"), timeout=0)
    bench.post("/hand", {"moves": [{"do": "turn_by", "by_deg": 100.0}]})
    frames = decoder.feed(listen(port, 2.0))
    port.close()
    assert len(frames) > 150
    assert decoder.rejects.rejected == 0
    assert frames[-1].value - frames[0].value == pytest.approx(1000, abs=60)
    if frame == "count_index":
        assert sum(one.index for one in frames) == 1
    if frame in {"count_micros", "template"}:
        micros = [one.micros for one in frames]
        assert micros == sorted(micros)
        assert micros[-1] - micros[0] == pytest.approx(5000 * (len(frames) - 1), rel=0.1)


@pytest.mark.parametrize(
    ("path", "body", "words"),
    [
        ("/hand", {"do": "fly"}, "should be 'stop', 'pause'"),
        ("/hand", {"moves": [{"do": "turn_to"}]}, "needs crank_deg or encoder_deg"),
        ("/hand", {"moves": [{"do": "turn_by", "by_deg": 1e9}]}, "less than or equal to 36000"),
        ("/hand", {"do": "drag"}, "needs `unwrapped_deg`"),
        ("/hand", {"do": "drag", "unwrapped_deg": 1e6}, "more than twenty turns away"),
        ("/hand", b"{", "invalid JSON"),
        ("/hand", b"[]", "should be an object"),
        ("/hand", {"spin": 1}, "spin: extra inputs are not permitted"),
        ("/gauge", {"gauge": "dial_z"}, "there is no gauge 'dial_z'; this bench has dial_a, dial_b"),
        ("/pulley", {"cam": "middle", "do": "slacken"}, "there is no cam 'middle'"),
        ("/cable", {"channel": "x", "plugged": True}, "there is no channel 'x'"),
        ("/fault", {"kind": "gremlin"}, "there is no fault 'gremlin'; there are one_byte_writes"),
        ("/fault", {"kind": "garbled", "size": 3}, "has no size"),
    ],
)
def test_what_cannot_be_done_gets_one_sentence(shared_bench, path, body, words):
    status, answer = shared_bench.post(path, body)
    assert status == 400
    assert words in answer["error"]
    assert "\n" not in answer["error"]


def test_only_its_own_page_may_move_the_bench(shared_bench):
    assert shared_bench.get("/state", Host="shop.example")[0] == 403
    assert shared_bench.post("/hand", {"do": "stop"}, Origin="http://elsewhere.example")[0] == 403
    assert shared_bench.post("/hand", {"do": "stop"}, Origin=shared_bench.url)[0] == 200
    assert shared_bench.post("/hand", b" " * 70_000)[0] == 413
    assert shared_bench.post("/nothing", {})[0] == 404
    assert shared_bench.get("/../../etc/passwd")[0] == 404
    assert shared_bench.get("/truth?drop_mm=99")[0] == 400


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--scenario", "none.toml", "--links", "l"], "none.toml cannot be read"),
        (["--scenario", "hollin_lane_twin_cam", "--links", "/proc/none"], "choose another --links folder"),
        (["--scenario", "hollin_lane_twin_cam", "--links", "l", "--control", "shop"], "is not an address"),
        (["--scenario", "hollin_lane_twin_cam", "--links", "l", "--control", "TAKEN"], "cannot be used"),
        (
            [
                "--scenario",
                "hollin_lane_twin_cam",
                "--links",
                "l",
                "--sockets-from",
                "PORT",
                "--control",
                "127.0.0.1:0",
            ],
            "is taken",
        ),
        (
            ["--scenario", "hollin_lane_twin_cam", "--links", "l", "--bench-file", "/proc/x/b"],
            "cannot be written",
        ),
    ],
)
def test_a_bench_that_cannot_start_says_why_and_leaves_nothing(arguments, words, tmp_path, shared_bench):
    taken = shared_bench.url.removeprefix("http://")
    told = {"TAKEN": taken, "PORT": taken.rsplit(":")[-1]}
    given = [told.get(argument, argument) for argument in arguments]
    done = subprocess.run(
        [sys.executable, "-m", "simulated_devices", *given],
        cwd=tmp_path, capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert done.returncode == 2
    assert words in done.stderr
    assert len(done.stderr.splitlines()) == 1
    assert not [path for path in (tmp_path / "l").glob("*") if path.is_symlink()]


def test_a_valve_pushed_down_touches_its_piston_and_comes_back(run_bench):
    bench = run_bench()
    bench.post("/hand", {"do": "speed", "speed_deg_s": 300})
    bench.post("/gauge", {"gauge": "dial_a", "onto": "inlet_1"})
    bench.post("/hand", {"moves": [{"do": "turn_to", "crank_deg": 10.0}], "wait_s": 30})

    def plunger():
        time.sleep(0.8)
        return bench.get("/state")[1]["gauges"]["dial_a"]["plunger_mm"]

    stood = plunger()
    bench.post("/valve", {"valve": "inlet_1", "down": True})
    pushed = stood - plunger()
    bench.post("/valve", {"valve": "inlet_1", "down": False})
    assert plunger() == pytest.approx(stood)
    # The pocket is 3.5 mm off at TDC; the piston has fallen (80 mm stroke, 135 mm rod), the valve is open.
    fallen = 40.0 * (1.0 - math.cos(math.radians(10.0)))
    fallen += 135.0 - math.sqrt(135.0**2 - (40.0 * math.sin(math.radians(10.0))) ** 2)
    lift = 9.4 + 2.0 - stood
    assert pushed == pytest.approx(3.5 + fallen * math.cos(math.radians(18.0)) - lift, abs=0.02)
    truth = bench.get("/truth")[1]["lobes"]["inlet_1"]
    assert 0.0 < truth["least_room_mm"] < pushed + 1e-9
    assert (
        "there is no valve 'piston_1'"
        in bench.post("/valve", {"valve": "piston_1", "down": True})[1]["error"]
    )


def test_a_scenario_without_valve_room_says_so(run_bench, tmp_path):
    text = (SCENARIOS / "hollin_lane_single_cam.toml").read_text()
    before, _, rest = text.partition("[engine.room.inlet]")
    silent = tmp_path / "silent.toml"
    silent.write_text(before + rest[rest.index("[card]") :])
    bench = run_bench(str(silent))
    assert (
        "does not say how much room" in bench.post("/valve", {"valve": "inlet_1", "down": True})[1]["error"]
    )
    assert "least_room_mm" not in bench.get("/truth")[1]["lobes"]["inlet_1"]
