from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import pytest

FILE = Path(__file__).with_name("golden_recordings.py")
_spec = importlib.util.spec_from_file_location("golden_recordings", FILE)
assert _spec and _spec.loader
golden = importlib.util.module_from_spec(_spec)
sys.modules["golden_recordings"] = golden
_spec.loader.exec_module(golden)

NAMES = sorted(path.stem for path in golden.FOLDER.glob("*.raw"))


def test_there_are_recordings_over_every_frame_kind_and_every_kind_of_dirt() -> None:
    from capture.bench import FRAME_KINDS

    assert len(NAMES) >= 60
    assert {case.name for case in golden.cases()} == set(NAMES)
    heads = "".join(golden.HEADS.values())
    assert all(f'frame = "{kind}"' in heads for kind in FRAME_KINDS)


@pytest.mark.parametrize("name", NAMES)
def test_a_recording_gives_the_expected_readings(name: str) -> None:
    sent = (golden.FOLDER / f"{name}.raw").read_bytes()
    expected = (golden.FOLDER / f"{name}.expected").read_text()
    assert golden.transcript(name.split("-", maxsplit=1)[0], sent) == expected


@pytest.mark.parametrize("name", [name for name in NAMES if name.endswith("-clean")])
def test_a_clean_recording_loses_nothing_but_the_line_that_opening_cut(name: str) -> None:
    expected = (golden.FOLDER / f"{name}.expected").read_text()
    assert expected.endswith(f"accepted {golden.LINES - 1} rejected 1 overflow 0\n")


@pytest.mark.parametrize("name", NAMES)
def test_the_values_do_not_depend_on_how_the_bytes_are_cut(name: str) -> None:
    sent = (golden.FOLDER / f"{name}.raw").read_bytes()
    kind = name.split("-", maxsplit=1)[0]

    def values(chunk_bytes: int) -> list[str]:
        text = golden.transcript(kind, sent, chunk_bytes)
        return [line.split("raw")[1] for line in text.splitlines() if " raw " in line]

    assert values(1) == values(7) == values(48) == values(4096)
