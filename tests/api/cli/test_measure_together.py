"""`lobewright measure together`: one file with several gauges, the fields of its answer, every misuse in one line."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner, Result

from api.command import lobewright, main
from simulated_devices.traces.random_together import TogetherBench, random_together

TOGETHER = {"file", "kind", "tdc", "overlap_tdc_deg", "lobes", "separations", "warnings"}
OF_TDC = {"gauge", "centre_deg", "u95_deg", "lag_s", "passes", "equal_readings", "warnings"}
OF_LOBE = {
    "gauge",
    "valve",
    "card_deg",
    "centre_deg",
    "drop_mm",
    "u95_deg",
    "apart_u95_deg",
    "full_lift_deg",
    "peak_lift_mm",
    "slack_deg",
    "lag_s",
    "asymmetry_deg",
    "events",
    "passes",
    "warnings",
}


def written(path: Path, bench: TogetherBench, names: dict[str, str] | None = None) -> Path:
    rows = []
    for time_s, channel, value in bench.trace.rows():
        gauge, _, unit = channel.rpartition("_")
        rows.append(f"{time_s!r},{(names or {}).get(gauge, gauge)}_{unit},{value!r}\n")
    path.write_text("time_s,channel,value\n" + "".join(rows))
    return path


def called(*words: str | Path) -> Result:
    return CliRunner().invoke(lobewright, ["measure", "together", *map(str, words)])


def measured(*words: str | Path) -> tuple[int, dict[str, Any]]:
    done = called(*words, "--json")
    return done.exit_code, json.loads(done.stdout)


@pytest.fixture(scope="module")
def bench() -> TogetherBench:
    return random_together(np.random.default_rng(43), "turns_and_back", alike=True, lag_told=False)


@pytest.fixture(scope="module")
def file(bench: TogetherBench, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return written(tmp_path_factory.mktemp("together") / "tarn.csv", bench)


def off_deg(found: float, truth: float) -> float:
    return (found - truth + 360.0) % 720.0 - 360.0


def test_tdc_and_lobes_of_one_file_have_the_agreed_fields_and_the_right_numbers(
    bench: TogetherBench, file: Path
) -> None:
    code, told = measured(file, "--alike")
    assert code == 0
    assert set(told) == TOGETHER
    assert (told["file"], told["kind"]) == (str(file), "together")
    assert set(told["tdc"]) == OF_TDC
    assert told["tdc"]["gauge"] == "piston"
    assert (
        abs(off_deg(told["overlap_tdc_deg"], bench.trace.truth.overlap_tdc_deg)) < 2 * told["tdc"]["u95_deg"]
    )
    assert [(lobe["gauge"], lobe["valve"]) for lobe in told["lobes"]] == [
        ("inlet", "inlet"),
        ("exhaust", "exhaust"),
    ]
    for lobe in told["lobes"]:
        assert set(lobe) == OF_LOBE
        assert abs(off_deg(lobe["centre_deg"], bench.lobe_atdc_deg(lobe["gauge"]))) < 2 * lobe["u95_deg"]
    (between,) = told["separations"]
    assert set(between) == {"inlet", "exhaust", "cam_deg", "u95_cam_deg"}
    inlet, exhaust = (lobe["card_deg"] for lobe in told["lobes"])
    assert between["cam_deg"] == pytest.approx((inlet + exhaust) / 2, abs=1e-6)


def test_gauges_of_any_name_are_told_where_they_stand(bench: TogetherBench, tmp_path: Path) -> None:
    path = written(tmp_path / "named.csv", bench, {"piston": "plunger", "inlet": "left", "exhaust": "right"})
    code, told = measured(
        path, "--piston", "plunger", "--inlet", "left_mm", "--exhaust", "right", "--drop", "1"
    )
    assert code == 0
    assert (told["tdc"]["gauge"], [lobe["gauge"] for lobe in told["lobes"]]) == ("plunger", ["left", "right"])
    assert told["lobes"][0]["drop_mm"] == 1.0
    code, told = measured(path, "--piston", "plunger", "--exhaust", "right", "--check-lift", "2")
    assert code == 0
    assert [lobe["valve"] for lobe in told["lobes"]] == ["exhaust"]
    assert [event["lift_mm"] for event in told["lobes"][0]["events"]] == [2.0]
    assert told["separations"] == []


def test_people_get_card_angles_and_the_separation_first(file: Path) -> None:
    lines = called(file, "--alike").stdout.splitlines()
    assert [line.split()[0] for line in lines[1:5]] == ["Overlap", "Inlet", "Exhaust", "Separation"]
    assert "ATDC" in lines[2]
    assert "BTDC" in lines[3]
    assert "cam deg" in lines[4]
    assert any("lags of both gauges" in line for line in lines)


def test_valves_told_the_wrong_way_round_are_refused(file: Path) -> None:
    code, told = measured(file, "--inlet", "exhaust", "--exhaust", "inlet")
    assert code == 1
    assert set(told) == {"file", "kind", "error"}
    assert told["error"]["code"] == "lobe_not_of_this_cylinder"


@pytest.mark.parametrize(
    ("words", "code"),
    [
        (["--piston", "nix"], "no_such_gauge"),
        (["--inlet", "piston"], "named_twice"),
        (["--inlet", "inlet", "--exhaust", "inlet"], "named_twice"),
    ],
)
def test_gauges_that_cannot_stand_so_are_misuse(file: Path, words: list[str], code: str) -> None:
    done = called(file, *words, "--json")
    assert done.exit_code == 2
    assert json.loads(done.stdout)["error"]["code"] == code
    assert len(done.stderr.splitlines()) == 1


def test_a_file_without_a_valve_gauge_says_what_it_has(bench: TogetherBench, tmp_path: Path) -> None:
    path = written(tmp_path / "others.csv", bench, {"inlet": "left", "exhaust": "right"})
    done = called(path)
    assert done.exit_code == 2
    assert "left, piston, right" in done.stderr


@pytest.mark.parametrize("words", [["--drop", "0"], ["--lag", "60"], ["--rod", "135"], ["--gauge", "inlet"]])
def test_options_that_cannot_be_are_told_in_one_line(
    file: Path, words: list[str], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("sys.argv", ["lobewright", "measure", "together", str(file), *words])
    with pytest.raises(SystemExit) as left:
        main()
    assert left.value.code == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert len(told.err.splitlines()) == 1
    assert words[0] in told.err
