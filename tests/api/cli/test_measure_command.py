"""`lobewright measure`: the JSON contract to the letter, exit codes, one line for every misuse."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from command import lobewright
from waiting import LOBEWRIGHT

from simulated_devices.traces import Trace, random_lobe, random_tdc

OF_TDC = {
    "file",
    "kind",
    "centre_deg",
    "u95_deg",
    "lag_s",
    "passes",
    "equal_readings",
    "warnings",
}
OF_LOBE = {
    "file",
    "kind",
    "centre_deg",
    "drop_mm",
    "u95_deg",
    "full_lift_deg",
    "peak_lift_mm",
    "slack_deg",
    "lag_s",
    "asymmetry_deg",
    "events",
    "passes",
    "warnings",
}


def measured(*words: str | Path) -> tuple[int, list[dict[str, Any]], str]:
    """Exit code, JSON lines, error stream."""
    done = lobewright("measure", *map(str, words), "--json")
    return done.returncode, [json.loads(line) for line in done.stdout.splitlines()], done.stderr


def written(path: Path, trace: Trace, others: dict[str, str] | None = None) -> Path:
    rows = [f"{t!r},{channel},{value!r}\n" for t, channel, value in trace.rows()]
    text = "time_s,channel,value\n" + "".join(rows)
    for was, now in (others or {}).items():
        text = text.replace(was, now)
    path.write_text(text)
    return path


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    folder = tmp_path_factory.mktemp("traces")
    tdc = random_tdc(np.random.default_rng(41), "rocking").trace
    lobe = random_lobe(np.random.default_rng(42), "turns_and_back").trace
    still = folder / "still.csv"
    still.write_text(
        "time_s,channel,value\n"
        + "".join(f"{k / 50:.2f},crank_deg,12.5\n{k / 50 + 0.01:.2f},dial_mm,1.25\n" for k in range(400))
    )
    return {
        "tdc": written(folder / "tdc.csv", tdc),
        "lobe": written(folder / "lobe.csv", lobe),
        "still": still,
        "tdc_trace": tdc,
        "lobe_trace": lobe,
    }


def test_true_tdc_has_exactly_the_agreed_fields_and_the_right_number(files: dict[str, Any]) -> None:
    code, (told,), _ = measured("tdc", files["tdc"])
    assert code == 0
    assert set(told) == OF_TDC
    assert (told["file"], told["kind"]) == (str(files["tdc"]), "tdc")
    assert 0 <= told["centre_deg"] < 360
    off_deg = (told["centre_deg"] - files["tdc_trace"].truth.tdc_deg + 180) % 360 - 180
    assert abs(off_deg) < 2 * told["u95_deg"]
    assert set(told["equal_readings"][0]) == {"drop_mm", "before_deg", "after_deg", "midpoint_deg"}
    assert {"start_s", "end_s", "direction", "speed_deg_s", "used", "centre_deg"} <= set(told["passes"][0])


def test_a_lobe_has_exactly_the_agreed_fields_and_the_right_number(files: dict[str, Any]) -> None:
    truth = files["lobe_trace"].truth
    zero = str(truth.overlap_tdc_deg)
    code, (told,), _ = measured("lobe", files["lobe"], "--tdc", zero, "--drop", "1", "--check-lift", "1.5")
    assert code == 0
    assert set(told) == OF_LOBE
    assert told["drop_mm"] == 1.0
    assert 0 <= told["centre_deg"] < 720
    lobe = truth.lobe(files["lobe_trace"].touches, truth.overlap_tdc_deg)
    off_deg = (told["centre_deg"] - lobe.centre_deg(1.0) + 360) % 720 - 360
    assert abs(off_deg) < 2 * told["u95_deg"]
    assert [set(event) for event in told["events"]] == [
        {"lift_mm", "opens_deg", "closes_deg", "duration_deg"}
    ]
    assert told["events"][0]["lift_mm"] == 1.5
    assert told["asymmetry_deg"] == pytest.approx(told["centre_deg"] - told["full_lift_deg"], abs=1e-6)
    assert told["slack_deg"] is not None


def test_lengths_are_mm_whatever_the_file_has(files: dict[str, Any], tmp_path: Path) -> None:
    lines = files["lobe"].read_text().splitlines()
    inches = [lines[0]]
    for line in lines[1:]:
        time_s, channel, value = line.split(",")
        inch = channel.endswith("_mm")
        name = channel.removesuffix("_mm") + "_in" if inch else channel
        inches.append(f"{time_s},{name},{float(value) / 25.4 if inch else value}")
    path = tmp_path / "inches.csv"
    path.write_text("\n".join(inches) + "\n")
    _, (mm, inch_told), _ = measured("lobe", files["lobe"], path)
    assert inch_told["peak_lift_mm"] == pytest.approx(mm["peak_lift_mm"], abs=1e-3)
    assert inch_told["centre_deg"] == pytest.approx(mm["centre_deg"], abs=1e-2)


def test_several_files_give_a_line_each_and_the_worst_exit_code(files: dict[str, Any]) -> None:
    code, told, _ = measured("tdc", files["tdc"], files["still"], files["tdc"])
    assert code == 1
    assert [one["file"] for one in told] == [str(files[name]) for name in ("tdc", "still", "tdc")]
    assert set(told[1]) == {"file", "kind", "error"}
    assert set(told[1]["error"]) == {"code", "message"}
    code, told, errors = measured("tdc", files["tdc"], "nowhere.csv", files["still"])
    assert code == 2
    assert [set(one) >= {"error"} for one in told] == [False, True, True]
    assert errors.splitlines() == ["lobewright: nowhere.csv: there is no such file; check the name."]


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["tdc"], "Missing argument"),
        (["dwell", "FILE"], "No such command"),
        (["tdc", "FILE", "--tdc", "3"], "No such option"),
        (["tdc", "FILE", "--stroke", "80mm"], "--stroke 80mm is no number; write it with a point"),
        (["tdc", "FILE", "--stroke", "-80"], "--stroke -80 is not possible"),
        (["tdc", "FILE", "--stroke", "nan"], "--stroke nan is no number"),
        (
            ["tdc", "FILE", "--stroke", "80,5"],
            "--stroke 80,5 is no number; write it with a point, such as 80.5",
        ),
        (["tdc", "FILE", "--rod", "135"], "--rod is of use only together with --stroke"),
        (["tdc", "FILE", "--stroke", "80", "--rod", "39"], "cannot turn over a stroke"),
        (["tdc", "FILE", "--stroke", "80", "--pin-offset", "1"], "--pin-offset needs --stroke and --rod"),
        (["tdc", "FILE", "--lag", "60"], "--lag 60 is not possible; give -10 to 10 s"),
        (["tdc", "FILE", "--gauge", "nix"], "there is no gauge nix"),
        (["lobe", "FILE", "--drop", "0"], "--drop 0 is not possible"),
        (["lobe", "FILE", "--check-lift", "-1"], "--check-lift -1 is not possible"),
        (["lobe", "FILE", "--stroke", "80"], "No such option"),
    ],
)
def test_misuse_is_told_in_one_line(files: dict[str, Any], words: list[str], sentence: str) -> None:
    code, _, errors = measured(*[str(files["tdc"]) if word == "FILE" else word for word in words])
    assert code == 2
    assert len(errors.splitlines()) == 1
    assert errors.startswith("lobewright: ")
    assert sentence in errors


def test_of_several_gauges_one_must_be_named(files: dict[str, Any], tmp_path: Path) -> None:
    path = tmp_path / "two.csv"
    path.write_text(files["tdc"].read_text() + "1e4,other_mm,1.0\n")
    names = "".join(files["tdc_trace"].gauges)
    code, (told,), errors = measured("tdc", path)
    assert code == 2
    assert told["error"]["code"] == "which_gauge"
    assert f"other, {names}; choose one with --gauge" in errors
    assert measured("tdc", path, "--gauge", names)[0] == 0
    assert measured("tdc", path, "--gauge", f"{names}_mm")[0] == 0


def test_people_get_a_table_a_budget_and_refusals_in_words(files: dict[str, Any]) -> None:
    done = subprocess.run(
        [*LOBEWRIGHT, "measure", "lobe", str(files["lobe"]), str(files["still"])],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 1
    for words in (
        "Lobe centre",
        "k = 2",
        "Opening and closing",
        "What the uncertainty is made of",
        "refused (",
    ):
        assert words in done.stdout
