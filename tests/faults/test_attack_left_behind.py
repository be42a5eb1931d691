"""What imports of earlier versions left, or killed ones: found by `check`, mended by `tidy` and by importing again."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest
from command import lobewright
from running import still_trace

from api.archive import look_for_left
from api.base import safe_cell
from api.store import ShopReader
from capture.store import StreamWriter

pytestmark = pytest.mark.faults


def command(*words: str | Path) -> subprocess.CompletedProcess[str]:
    return lobewright(*map(str, words))


def test_files_that_belong_to_nothing_are_found_and_removed_and_a_lost_trace_comes_back(
    tmp_path: Path,
) -> None:
    data, trace = tmp_path / "data", tmp_path / "still.csv"
    trace.write_text(still_trace())
    words = ("import", trace, "--touches", "piston_1", "--data", data)
    assert command(*words).returncode == 0
    StreamWriter(data).close()
    kept = next((data / "imported").iterdir())
    (data / "imported" / "0123456789abcdef0123-orphan.csv").write_text(still_trace(1))
    (data / ".import-killed").mkdir()
    (data / ".import-killed" / "0.csv").write_text("half")
    content = kept.read_bytes()
    kept.unlink()
    left = look_for_left(data, ShopReader(data))
    assert [path.name for path in left.unnamed] == ["0123456789abcdef0123-orphan.csv"]
    assert [path.name for path in left.folders] == [".import-killed"]
    looked = command("check", "--data", data).stdout
    assert "1 imported trace files belong to nothing, and 1 imports were cut short" in looked
    again = command(*words)
    assert (again.returncode, "there already" in again.stderr) == (2, True)
    assert kept.read_bytes() == content, "the lost trace was put back"
    assert command("tidy", "--older-than", "99y", "--dry-run", "--data", data).returncode == 0
    assert len(list((data / "imported").iterdir())) == 2
    assert command("tidy", "--older-than", "99y", "--data", data).returncode == 0
    assert list((data / "imported").iterdir()) == [kept]
    assert not (data / ".import-killed").exists()


@pytest.mark.parametrize("text", ["=1+1", "\r=1", " =1", "＝1", "\t@x", "\u00a0+1", "\u200b-1"])
def test_a_cell_that_a_spreadsheet_could_take_for_a_formula_is_made_a_word(text: str) -> None:
    assert safe_cell(text) == f"'{text}"
    assert safe_cell("HL-1804 a=b") == "HL-1804 a=b"
