"""`lobewright report`: what each command prints and writes, exit codes, one line for every misuse."""

from __future__ import annotations

import csv
import json
import subprocess
from pathlib import Path

import numpy as np
import pytest
from command import lobewright

from simulated_devices.machine import DialIndicator, Encoder, Hand, Manner, RoundPart
from simulated_devices.traces import Trace, random_lobe, record_round


def asked(*words: str | Path) -> subprocess.CompletedProcess[str]:
    done = lobewright("report", *map(str, words))
    assert "Traceback" not in done.stderr
    return done


def written(path: Path, trace: Trace) -> Path:
    with path.open("w", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(["time_s", "channel", "value"])
        writer.writerows(trace.rows())
    return path


@pytest.fixture(scope="module")
def lobe(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Trace]:
    trace = random_lobe(np.random.default_rng(51_004), "turns").trace
    return written(tmp_path_factory.mktemp("report") / "lobe.csv", trace), trace


def test_a_lobes_report_as_json_holds_its_durations(lobe: tuple[Path, Trace]) -> None:
    path, trace = lobe
    done = asked("lobe", path, "--gauge-error", "0", "--retrace", "0", "--encoder-error", "0", "--json")
    assert done.returncode == 0
    told = json.loads(done.stdout)
    assert told["kind"] == "cam_report"
    for at in told["at_lifts"]:
        true = trace.lobe.events_deg(at["lift_mm"])[2]
        assert at["duration_deg"]["value"] == pytest.approx(true, abs=2.0 * at["duration_deg"]["u95"])
    assert [at["lift_mm"] for at in told["at_lifts"]][:4] == [0.1, 0.5, 1.0, 1.27]


def test_a_lobes_tables_are_written_by_crank_and_cam_degree_in_mm_and_inches(
    lobe: tuple[Path, Trace], tmp_path: Path
) -> None:
    path, trace = lobe
    done = asked("lobe", tmp_path / "not_there.csv", path, "--csv-to", tmp_path)
    assert done.returncode == 2, "one file cannot be read; the other's tables bear its own name"
    assert "duration" in done.stdout
    peaks = {}
    for by in ("crank", "cam"):
        for unit in ("mm", "in"):
            with (tmp_path / f"lobe-by-{by}-degree-{unit}.csv").open() as file:
                rows = list(csv.DictReader(file))
            peaks[by, unit] = max(float(row[f"lift_{unit}"]) for row in rows)
            steps = np.diff([float(row[f"{by}_deg_from_full_lift"]) for row in rows])
            assert set(steps) == {1.0}
            rates = max(float(row[f"rate_{unit}_deg"]) for row in rows)
            peaks[by, unit, "rate"] = rates
    assert peaks["crank", "mm"] == pytest.approx(trace.lobe.peak_lift_mm, abs=0.02)
    assert peaks["crank", "in"] == pytest.approx(peaks["crank", "mm"] / 25.4, abs=1e-6)
    assert peaks["cam", "mm", "rate"] == pytest.approx(2.0 * peaks["crank", "mm", "rate"], rel=0.01)


def test_a_lobe_against_itself_is_not_worn_and_against_a_table_of_another_it_differs(
    lobe: tuple[Path, Trace], tmp_path: Path
) -> None:
    path, trace = lobe
    table = tmp_path / "card.txt"
    valve = trace.lobe.valve
    rows = [(deg, float(valve.lift_mm(np.array(2.0 * deg + valve.nose_deg)))) for deg in range(-85, 86, 3)]
    table.write_text("# the invented card\n" + "".join(f"{deg}\t{max(lift, 0):.3f}\n" for deg, lift in rows))
    other = tmp_path / "other.txt"
    other.write_text("".join(f"{deg} {max(lift, 0) * (1 + 0.0002 * deg):.3f}\n" for deg, lift in rows))
    done = asked("wear", path, "--than-table", other, "--than-table", table, "--json")
    assert done.returncode == 0
    first, second = json.loads(done.stdout)["against"]
    assert (first["than"], second["than"]) == (str(table), str(other)), "the best fit first"
    assert first["places"] == []


@pytest.mark.parametrize(
    ("words", "code", "says"),
    [
        (("lobe", "nowhere.csv"), 2, "nowhere.csv"),
        (("wear", "nowhere.csv"), 2, "--than"),
        (("runout", "nowhere.csv"), 2, "nowhere.csv"),
        (("mark", "--mark", "1", "--tdc", "0", "--rim", "2"), 2, "rim"),
        (("strip", "--rim", "nan", "--to", "strip.pdf"), 2, "rim"),
        (("strip", "--rim", "180", "--to", "/nowhere/strip.pdf"), 2, "cannot be written"),
        (("compression", "--bore", "x", "--stroke", "86", "--chamber", "50"), 2, "--bore"),
        (("compression", "--bore", "86", "--stroke", "86", "--chamber", "5000"), 2, "ratio"),
        (("mark", "--mark", "nan", "--tdc", "0", "--rim", "160"), 2, "--mark nan is no number"),
        (("mark", "--mark", "1", "--tdc", "inf", "--rim", "160"), 2, "--tdc inf is no number"),
        (("mark", "--mark", "1,5", "--tdc", "0", "--rim", "160"), 2, "write it with a point, such as 80.5"),
        (("mark", "--mark", "1", "--tdc", "0", "--rim", "160", "--tdc-error", "-1"), 2, "give 0 to 10 deg"),
        (("runout", "nowhere.csv", "--face-diameter-mm", "nan"), 2, "nan is no number"),
        (("piston", "--inlet", "nowhere.csv", "--stroke", "-80"), 2, "give 1 to 2000 mm"),
        (("piston", "--inlet", "nowhere.csv", "--inlet-least", "-5"), 2, "give 0 to 20 mm"),
        (("drive", "x.csv", "--before", "nowhere.csv"), 2, "nowhere.csv: there is no such file"),
        (("wear", "x.csv", "--than", "nowhere.csv"), 2, "lobewright: nowhere.csv: there is no such file"),
        (("wear", "x.csv", "--than-table", "nowhere.txt"), 2, "lobewright: nowhere.txt: it cannot be read"),
        (
            ("compression", "--bore", "86", "--stroke", "86", "--chamber", "50", "--gasket-bore", "60"),
            2,
            "would stand into a bore",
        ),
    ],
)
def test_a_misuse_is_told_in_one_line(words: tuple[str, ...], code: int, says: str) -> None:
    done = asked(*words)
    assert done.returncode == code
    assert says in done.stderr
    assert len(done.stderr.strip().splitlines()) <= 1


def test_a_lobe_that_was_only_rocked_over_is_refused(tmp_path: Path) -> None:
    rocked = random_lobe(np.random.default_rng(51_001), "nose_rocked").trace
    done = asked("lobe", written(tmp_path / "rocked.csv", rocked), "--json")
    assert done.returncode == 1
    assert json.loads(done.stdout)["error"]["code"] == "base_circle_not_seen"


def test_runout_is_told_beside_the_makers_limit(tmp_path: Path) -> None:
    rng = np.random.default_rng(8)
    gauge = DialIndicator(step=0.001, rate_hz=20.0, lag_s=0.05, noise_mm=0.001)
    hand = Hand(0.0, Manner(20.0, 0.1), rng).turns(2.05)
    part = RoundPart(30.0, (), 0.03, 60.0)
    path = written(tmp_path / "flange.csv", record_round(part, hand.done(), gauge, Encoder(3600, 200.0), rng))
    told = json.loads(asked("runout", path, "--retrace", "0", "--json").stdout)
    assert told["kind"] == "runout"
    assert told["eccentricity_mm"]["value"] == pytest.approx(0.03, abs=0.001)
    assert "too much, against 0.04 mm" in asked("runout", path, "--retrace", "0", "--most", "0.04").stdout
    assert "within, against 0.1 mm" in asked("runout", path, "--retrace", "0", "--most", "0.1").stdout


def test_a_face_tells_its_swash_on_the_circle_that_is_named(tmp_path: Path) -> None:
    """0.03 mm either way on a circle of 150 mm leans by 0.03 in 75: plain geometry, 0.0229 degrees."""
    rng = np.random.default_rng(8)
    gauge = DialIndicator(step=0.001, rate_hz=20.0, lag_s=0.05, noise_mm=0.001)
    hand = Hand(0.0, Manner(20.0, 0.1), rng).turns(2.05)
    trace = record_round(RoundPart(75.0, (), 0.03, 60.0), hand.done(), gauge, Encoder(3600, 200.0), rng)
    path = written(tmp_path / "face.csv", trace)
    swash = json.loads(asked("runout", path, "--face-diameter-mm", "150", "--json").stdout)["swash"]
    assert swash["swash_mm"]["value"] == pytest.approx(0.06, abs=0.002)
    assert swash["tilt_deg"]["value"] == pytest.approx(0.0229, abs=0.001)
    table = asked("runout", path, "--face-diameter-mm", "150").stdout
    assert "on a circle of 150 mm" in table
    assert "Out of square" in table
    assert asked("runout", path, "--face-diameter-mm", "2").returncode == 2


def test_a_valve_that_is_turned_as_a_flange_is_refused_by_its_code(lobe: tuple[Path, Trace]) -> None:
    for face in ((), ("--face-diameter-mm", "150")):
        done = asked("runout", lobe[0], *face, "--json")
        assert done.returncode == 1
        assert json.loads(done.stdout)["error"]["code"] == "moves_like_a_valve"


def test_a_strip_and_a_ratio_are_given(tmp_path: Path) -> None:
    strip = tmp_path / "strip.pdf"
    assert asked("strip", "--rim", "180", "--to", strip).returncode == 0
    assert strip.read_bytes().startswith(b"%PDF")
    told = asked("compression", "--bore", "86±0.02", "--stroke", "86", "--chamber", "66,6+-0,5", "--json")
    ratio = json.loads(told.stdout)["ratio"]
    assert ratio["value"] == pytest.approx(8.5, abs=0.01)
    assert ratio["u95"] > 0.0


@pytest.fixture(scope="module")
def both_valves(tmp_path_factory: pytest.TempPathFactory) -> tuple[dict[str, Path], Trace]:
    """A trace of either valve of cylinder 1 of the same engine, of which the metal is known."""
    from simulated_devices.scenarios import load_scenario
    from simulated_devices.scenarios.scenario_build import setup_of
    from simulated_devices.traces import record

    folder = tmp_path_factory.mktemp("piston")
    files = {}
    for valve in ("inlet", "exhaust"):
        rng = np.random.default_rng(1804)
        hand = Hand(-140.0, Manner(30.0, 0.05, 0.3), rng).turns(2.0, 45.0).pause(1.0).turns(2.0, 25.0)
        scenario = load_scenario("hollin_lane_twin_cam")
        trace = record(setup_of(scenario, hand.done(), {"dial_a": f"{valve}_1"}), rng)
        files[valve] = written(folder / f"{valve}.csv", trace)
    return files, trace


def pushed(valve: str, trace: Trace, at_deg: float, late_deg: float = 0.0) -> float:
    """How far the valve of the simulated metal goes on until it meets its piston."""
    engine, crank = trace.truth.engine, np.asarray([at_deg])
    name = f"{valve}_1"
    lift = engine.valve_lift_mm(name, crank - late_deg)
    return float(engine.room_mm(name, crank, lift)[0])


def test_valve_to_piston_from_traces_is_what_the_metal_leaves(
    both_valves: tuple[dict[str, Path], Trace],
) -> None:
    files, trace = both_valves
    engine = trace.truth.engine
    words: list[str | Path] = ["piston", "--stroke", "80", "--rod", "135", "--pin-offset", "0.8", "--json"]
    words += ["--gauge", "dial_a"]
    words += ["--tdc", str(trace.truth.overlap_tdc_deg), "--tdc-error", "0.05"]
    for valve, at_deg in (("inlet", 10.0), ("exhaust", -10.0)):
        lean = engine.rooms[valve].stem_deg
        words += [
            f"--{valve}",
            files[valve],
            f"--{valve}-push",
            f"{pushed(valve, trace, at_deg):.2f}@{at_deg}",
        ]
        words += [f"--{valve}-angle", str(lean)]
    done = asked(*words)
    assert done.returncode == 0, done.stdout + done.stderr
    told = json.loads(done.stdout)
    after = np.arange(-60.0, 60.0, 0.25)
    for valve in ("inlet", "exhaust"):
        for row in told[valve]["shifts"][::10]:
            opened = engine.valve_lift_mm(f"{valve}_1", after - row["shift_deg"]) > 0.05
            true = min(pushed(valve, trace, at, row["shift_deg"]) for at in after[opened])
            # The crown's shape is not told to it: never better than it is, and not much worse.
            assert true - 0.4 <= row["least_mm"] <= true + row["u95_mm"], (valve, row)
    assert np.shape(told["spare_mm"]) == (41, 41)


@pytest.mark.parametrize(
    ("left_out", "code", "told"),
    [
        ("--rod", 1, "no_piston_motion"),
        ("--inlet-push", 2, "--inlet-push is missing"),
        ("--inlet", 2, "no valve to map"),
    ],
)
def test_valve_to_piston_without_what_it_needs_says_so(
    both_valves: tuple[dict[str, Path], Trace], left_out: str, code: int, told: str
) -> None:
    files, trace = both_valves
    given = {
        "--inlet": files["inlet"],
        "--inlet-push": "4.2",
        "--stroke": "80",
        "--rod": "135",
        "--tdc": str(trace.truth.overlap_tdc_deg),
        "--gauge": "dial_a",
    }
    words = [word for pair in given.items() if pair[0] != left_out for word in pair]
    done = asked("piston", *words)
    assert done.returncode == code
    assert told in done.stdout + done.stderr


def test_deck_heights_as_words_and_as_json() -> None:
    words = ["deck", "1=0.31/0.25", "2=0,20+0,20/0.24", "3=-0.02/0.02", "--spacing", "92"]
    done = asked(*words)
    assert done.returncode == 0, done.stderr
    assert "Cylinder 1    0.280 ±" in done.stdout
    told = json.loads(asked(*words, "--json").stdout)
    assert [one["deck_mm"]["value"] for one in told["cylinders"]] == pytest.approx([0.28, 0.22, 0.0])
    assert told["spread_mm"]["value"] == pytest.approx(0.28)
    assert told["tilt_along"]["value"] == pytest.approx(100 * -0.14 / 92)
    limit = told["cylinders"][0]["for_compression"]["limit"]
    deck = f"0.28±{limit:.4f}"
    ratio = asked("compression", "--bore", "86", "--stroke", "86", "--chamber", "60", "--deck", deck)
    assert ratio.returncode == 0, ratio.stderr


@pytest.mark.parametrize("words", [["1=0.31"], ["1=a/b"], ["1=0.1/2.4"], ["1=0.1/0.1", "--rocked"], []])
def test_deck_readings_that_cannot_be_are_told_in_one_line(words: list[str]) -> None:
    done = asked("deck", *words)
    assert done.returncode == 2
    assert done.stderr.strip()


def test_slack_of_the_drive_is_what_the_simulated_drive_has(tmp_path: Path) -> None:
    trace = random_lobe(np.random.default_rng([3, 77]), "turns_and_back").trace
    path = written(tmp_path / "back.csv", trace)
    engine = trace.truth.engine
    true = engine.cams[engine.cam_of[next(iter(trace.setup.mountings.values())).touches]].slack_deg
    done = asked("drive", path, "--before", path, "--teeth", "20", "--pitch", "9.525", "--json")
    assert done.returncode == 0, done.stdout + done.stderr
    told = json.loads(done.stdout)
    assert told["slack_deg"]["value"] == pytest.approx(true, abs=told["slack_deg"]["u95"])
    # 20 pitches of 9.525 mm a turn.
    assert told["slack_mm"]["value"] == pytest.approx(told["slack_deg"]["value"] * 190.5 / 360)
    assert (told["change_deg"]["value"], told["grown"]) == (0.0, "as it was")
    assert asked("drive", path, "--teeth", "20").returncode == 2


def test_an_interval_that_leaves_something_out_says_what() -> None:
    typed = ("compression", "--bore", "86±0.02", "--stroke", "86", "--chamber", "50")
    done = asked(*typed)
    assert "Not in the interval, for no limit of error was given: stroke, chamber." in done.stdout
    assert json.loads(asked(*typed, "--json").stdout)["without_limit"] == ["stroke", "chamber"]
    bare = asked("compression", "--bore", "86", "--stroke", "86", "--chamber", "50").stdout
    assert "±" not in bare.splitlines()[0], "what was typed without limits promises none"
