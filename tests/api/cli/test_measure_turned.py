"""``lobewright measure turned``: a disc off its axis, two positions of the encoder's body, whole traces out of files.

The disc is plane geometry (`DiscOffItsAxis`): its marks go round a point beside the axis. Turning the body by an angle
moves the head by it: the disc's own centre is then met so much later, and every count is less by as much.
"""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner, Result

from api.command import lobewright
from simulated_devices.faults.as_they_are import DiscOffItsAxis
from simulated_devices.machine import DialIndicator, Encoder, Engine, Hand, Manner, Mounting
from simulated_devices.traces import Setup, Trace, record
from simulated_devices.traces.random_benches import random_engine

DROP_MM, RADIUS_MM = 1.27, 25.0
OUT_DEG = 0.2
OFF_MM = RADIUS_MM * math.sin(math.radians(OUT_DEG))
GAUGE = DialIndicator(step=0.001, rate_hz=15.0, lag_s=0.06, jitter_s=0.0005, travel_mm=25.0)


def written(path: Path, trace: Trace) -> Path:
    rows = "".join(f"{t!r},{name},{value!r}\n" for t, name, value in trace.rows())
    path.write_text("time_s,channel,value\n" + rows)
    return path


def position(folder: Path, engine: Engine, towards_deg: float, body_deg: float, seed: int) -> list[Path]:
    """Piston and lobe, with the body turned by so much."""
    rng = np.random.default_rng([seed, round(body_deg)])
    disc = DiscOffItsAxis(OFF_MM, RADIUS_MM, towards_deg + body_deg)
    encoder = Encoder(3600, 500.0, zero_deg=40.0 + body_deg)
    truth = engine.truth_of("inlet_1")
    rocked = Hand(-70.0, Manner(25.0, 0.1), rng).rock(0.0, 50.0, 3).done()
    turns = Hand(truth.full_lift_deg - 280.0, Manner(28.0, 0.1), rng).turns(4.0).turns(4.0, 40.0).done()
    piston = {"dial": Mounting(GAUGE, "piston_1", 23.0)}
    valve = {"dial": Mounting(GAUGE, "inlet_1", truth.peak_lift_mm + 2.0, opposed=True)}
    return [
        written(
            folder / f"piston_{body_deg:g}.csv", record(Setup(engine, rocked, encoder, piston), rng, [disc])
        ),
        written(folder / f"lobe_{body_deg:g}.csv", record(Setup(engine, turns, encoder, valve), rng, [disc])),
    ]


def called(*words: str | Path) -> Result:
    return CliRunner().invoke(lobewright, ["measure", "turned", *map(str, words)])


def measured(*words: str | Path) -> dict[str, Any]:
    done = called(*words, "--json")
    assert done.exit_code == 0, done.stdout
    return json.loads(done.stdout)


def off_deg(found: float, truth: float) -> float:
    """A lobe told from either of the two TDCs of its cycle."""
    return (found - truth + 180.0) % 360.0 - 180.0


@pytest.mark.parametrize(
    ("towards_deg", "body_deg"), [(55.0, 180.0), (144.0, 180.0), (235.0, 172.0), (330.0, 190.0)]
)
def test_an_encoder_out_by_two_tenths_leaves_three_hundredths_in_two_positions(
    tmp_path: Path, towards_deg: float, body_deg: float
) -> None:
    engine = random_engine(np.random.default_rng(4), "mixed_law")
    truth = engine.truth_of("inlet_1").centre_deg(DROP_MM)
    files = [path for body in (0.0, body_deg) for path in position(tmp_path, engine, towards_deg, body, 7)]
    told = measured(*files, "--encoder-error", OUT_DEG, "--gauge-error", "0", "--retrace", "0")
    alone = off_deg(told["before"]["centre_deg"], truth)
    left = off_deg(told["centre_deg"], truth)
    print(
        f"towards {towards_deg:g}: {alone:+.3f} ± {told['before']['u95_deg']:.3f} alone, "
        f"{left:+.3f} ± {told['u95_deg']:.3f} of two"
    )
    assert abs(left) <= 0.03
    assert abs(left) < told["u95_deg"]
    assert told["u95_deg"] < told["before"]["u95_deg"]
    assert told["odd_deg"] == pytest.approx(alone, abs=0.04)
    assert min(told["turned_deg"], 360.0 - told["turned_deg"]) == pytest.approx(
        min(body_deg, 360 - body_deg), abs=0.5
    )


def test_two_positions_that_are_one_are_refused_in_a_sentence(tmp_path: Path) -> None:
    engine = random_engine(np.random.default_rng(4), "mixed_law")
    files = position(tmp_path, engine, 55.0, 0.0, 7)
    done = called(*files, *files, "--json")
    told = json.loads(done.stdout)
    assert (done.exit_code, told["error"]["code"]) == (1, "encoder_not_turned")
    assert "by 0 degrees" in told["error"]["message"]
    said = called(*files, *files, "--turned", "180")
    assert said.exit_code == 0, "who started the counter anew says by how much it was turned"
    assert "Encoder turned by     180.0" in said.stdout
    assert "adds nothing" in said.stdout


def test_another_lobe_or_a_moved_cam_is_not_put_down_to_the_encoder(tmp_path: Path) -> None:
    engine = random_engine(np.random.default_rng(4), "mixed_law")
    cams = {name: replace(cam, pulley_deg=cam.pulley_deg + 4.0) for name, cam in engine.cams.items()}
    moved = replace(engine, cams=cams)
    files = [*position(tmp_path, engine, 55.0, 0.0, 7), *position(tmp_path, moved, 55.0, 180.0, 7)]
    done = called(*files, "--json")
    assert (done.exit_code, json.loads(done.stdout)["error"]["code"]) == (1, "not_the_same_lobe")


def test_three_files_are_misuse_and_said_so(tmp_path: Path) -> None:
    engine = random_engine(np.random.default_rng(4), "mixed_law")
    files = position(tmp_path, engine, 55.0, 0.0, 7)
    done = called(*files, files[0])
    assert done.exit_code == 2
    assert "piston and lobe before and after" in done.output
