"""What the command says where it may not read or write: one line, the right file, no advice that harms."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from command import lobewright
from kept_shop import add_job, add_run
from waiting import LOBEWRIGHT

NOT_AS_ROOT = ["setpriv", "--bounding-set=-dac_override,-dac_read_search"] if os.geteuid() == 0 else []
"""Root may read whatever its rights are; begun with this it may not."""


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("kept") / "data"
    add_job(folder)
    add_run(folder, 2)
    return folder


@pytest.fixture
def of_another_account(shop: Path) -> Iterator[Path]:
    databases = sorted(shop.glob("*.db"))
    for database in databases:
        database.chmod(0)
    yield shop
    for database in databases:
        database.chmod(0o600)


def said(*words: str | Path) -> str:
    """What the command says, run as somebody to whom rights apply."""
    done = subprocess.run(
        [*NOT_AS_ROOT, *LOBEWRIGHT, *map(str, words)],
        check=False,
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert "Traceback" not in done.stderr
    assert done.returncode in (1, 2)
    return done.stdout + done.stderr


@pytest.mark.parametrize(
    "words", [("export", "--to", "out"), ("tidy", "--older-than", "5y"), ("backup", "out.bak")]
)
def test_a_store_of_another_account_is_told_by_its_name(
    of_another_account: Path, tmp_path: Path, words: tuple[str, ...]
) -> None:
    placed = [tmp_path / word if word.startswith("out") else word for word in words]
    told = said(*placed, "--data", of_another_account)
    assert "may not be read by this account" in told
    assert len(told.splitlines()) == 1


def test_the_check_advises_no_restore_of_a_store_that_only_may_not_be_read(of_another_account: Path) -> None:
    told = said("check", "--data", of_another_account)
    assert told.count("may not be read by this account") == 2
    assert "restore" not in told


def test_a_folder_that_cannot_be_made_is_told(shop: Path, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    for words in (
        ["export", "--to", str(tmp_path / "file" / "out")],
        ["export", "--job", "1", "--to", str(tmp_path / "file")],
    ):
        done = lobewright(*words, "--data", str(shop))
        assert done.returncode == 2
        assert "cannot be written" in done.stderr
        assert len(done.stderr.splitlines()) == 1


def test_tidy_of_a_shop_without_instruments_says_that_there_is_nothing_to_tidy(tmp_path: Path) -> None:
    add_job(tmp_path)
    for database in tmp_path.glob("streams.db*"):
        database.unlink()
    done = lobewright("tidy", "--older-than", "5y", "--data", str(tmp_path))
    assert (done.returncode, "keeps no readings" in done.stderr) == (2, True)
