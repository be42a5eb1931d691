"""A forbidden import breaks the build: shown on a copy of the wings with one line too many."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
WINGS = ("analysis", "api", "capture", "simulated_devices")
TOO_MUCH = {
    "past a face": (
        "api/live/board.py",
        "from analysis.lobe.shape import lobe_shape\n",
        "Nobody imports past a face",
    ),
    "up": ("analysis/base/streams.py", "import analysis.timing\n", "Rooms of analysis import only downward"),
    "in a circle": ("capture/base/bus.py", "import capture.store\n", "Rooms of capture import only downward"),
    "from a new folder": ("api/attic/__init__.py", '"""New."""\n', "Rooms of api import only downward"),
    "into the simulator": (
        "capture/port/intake.py",
        "import simulated_devices.machine\n",
        "Capture imports nothing of ours",
    ),
}


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Path:
    copy = tmp_path_factory.mktemp("house")
    for wing in WINGS:
        shutil.copytree(ROOT / wing, copy / wing, ignore=shutil.ignore_patterns("__pycache__", "static"))
    shared = copy / "tests" / "shared"
    shared.mkdir(parents=True)
    shutil.copy(ROOT / "tests" / "shared" / "face_contract.py", shared)
    shutil.copy(ROOT / "pyproject.toml", copy)
    return copy


def walls(house: Path) -> subprocess.CompletedProcess[str]:
    """Check the contracts as the build does."""
    lint = Path(sys.executable).with_name("lint-imports")
    known = os.environ | {"PYTHONPATH": str(house)}
    return subprocess.run(
        [lint, "--no-cache"], cwd=house, env=known, capture_output=True, text=True, check=False, timeout=120
    )


def test_the_house_as_it_stands_keeps_every_contract(house: Path) -> None:
    done = walls(house)
    assert done.returncode == 0, done.stdout


@pytest.mark.parametrize("what", TOO_MUCH)
def test_an_import_that_goes(what: str, house: Path) -> None:
    place, line, contract = TOO_MUCH[what]
    file = house / place
    before = file.read_text(encoding="utf-8") if file.exists() else None
    file.parent.mkdir(exist_ok=True)
    file.write_text((before or "") + line, encoding="utf-8")
    try:
        done = walls(house)
    finally:
        if before is None:
            shutil.rmtree(file.parent)
        else:
            file.write_text(before, encoding="utf-8")
    assert done.returncode == 1, done.stdout
    assert f"{contract} BROKEN" in done.stdout
