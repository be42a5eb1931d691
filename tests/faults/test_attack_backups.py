"""Faults 36, 42 and 45: a damaged shop, a medium that can only be read, a backup with something planted in it."""

from __future__ import annotations

import hashlib
import json
import os
import random
import signal
import sqlite3
import subprocess
import zipfile
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from command import lobewright
from running import RunningShop, plain_job, running
from waiting import LOBEWRIGHT, until

pytestmark = pytest.mark.faults


def command(*words: str | Path) -> subprocess.CompletedProcess[str]:
    return lobewright(*map(str, words))


def at_rest(data: Path) -> None:
    """Fold the log of the shop into its file, so that noise in the file is noise in what is read."""
    with closing(sqlite3.connect(data / "shop.db")) as db:
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")


def noise_in_the_middle(path: Path, seed: int = 4) -> None:
    """Spoil whole pages in the middle of a database."""
    chance = random.Random(seed)
    with path.open("r+b") as file:
        file.seek(8192)
        file.write(chance.randbytes(path.stat().st_size // 4096 * 4096 - 12288))


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[RunningShop]:
    with running(tmp_path) as one:
        with one.client() as client:
            for number in range(3):
                plain_job(client, f"HL-{number}")
            until(lambda: client.get("/health").status_code == 200, "capture records")
        yield one


def test_a_damaged_shop_is_not_backed_up_over_the_last_good_copy(
    shop: RunningShop, tmp_path: Path, measured: Any
) -> None:
    file = tmp_path / "shop.lwbackup"
    assert command("backup", file, "--data", shop.data).returncode == 0
    good = file.read_bytes()
    shop.stop()
    at_rest(shop.data)
    noise_in_the_middle(shop.data / "shop.db")
    told = command("backup", file, "--data", shop.data)
    assert told.returncode == 2, told.stdout
    assert "last one was left as it is" in told.stderr
    assert "shop.db" in told.stderr
    assert told.stderr.count("\n") == 1
    assert file.read_bytes() == good
    assert command("verify", file).returncode == 0
    assert sorted(path.name for path in tmp_path.glob("*lwbackup*")) == ["shop.lwbackup"]
    looked = command("check", "--data", shop.data)
    assert looked.returncode == 1
    assert "shop.db" in looked.stdout
    measured(36, "noise in the middle of shop.db", "no backup, the last good one stays")


def test_noise_within_the_text_of_one_row_is_found_too(shop: RunningShop, tmp_path: Path) -> None:
    shop.stop()
    at_rest(shop.data)
    path = shop.data / "shop.db"
    content = path.read_bytes()
    at = content.index(b'"cylinders"')
    path.write_bytes(content[:at] + b"\x01\x02{{" + content[at + 4 :])
    told = command("backup", tmp_path / "b.lwbackup", "--data", shop.data)
    assert told.returncode == 2
    assert "damaged" in told.stderr
    assert not list(tmp_path.glob("b.lwbackup*"))


def test_health_and_pages_say_which_file_is_damaged_and_what_to_do(shop: RunningShop, measured: Any) -> None:
    shop.kill()
    at_rest(shop.data)
    with closing(sqlite3.connect(shop.data / "shop.db")) as db:
        page = db.execute(
            "SELECT rootpage FROM sqlite_master WHERE name LIKE 'sqlite_autoindex_job_facts%'"
        ).fetchone()[0]
        size = db.execute("PRAGMA page_size").fetchone()[0]
    with (shop.data / "shop.db").open("r+b") as file:
        file.seek((page - 1) * size)
        file.write(random.Random(1).randbytes(size))
    shop.start()
    with shop.client() as client:
        told = until(
            lambda: "shop.db" in (h := client.get("/health").json())["sentence"] and h,
            "the damage is told",
            180,
        )
        assert told["ok"] is False
        assert "shop.db" in told["sentence"]
        answer = client.get("/api/jobs/1")
        assert answer.status_code == 503, answer.text
        assert answer.json()["code"] == "bad_shop_file"
        assert "restore" in answer.json()["message"]
        guide = client.get("/api/bench").json()["health"]["sentence"]
        assert "shop.db" in guide
    assert "Traceback" not in shop.log()
    measured(36, "noise in the middle of shop.db", "health, bench and job name the file and what to do")


def test_the_last_three_backups_stay(shop: RunningShop, tmp_path: Path) -> None:
    file = tmp_path / "shop.lwbackup"
    sizes = []
    for number in range(4):
        with shop.client() as client:
            plain_job(client, f"HL-9{number}")
        assert command("backup", file, "--data", shop.data).returncode == 0
        sizes.append(hashlib.sha256(file.read_bytes()).hexdigest())
    there = [file, *(tmp_path / f"shop.lwbackup.{n}" for n in (1, 2))]
    assert [hashlib.sha256(path.read_bytes()).hexdigest() for path in there] == sizes[:0:-1]
    assert sorted(tmp_path.glob("*lwbackup*")) == there
    for path in there:
        assert command("verify", path).returncode == 0


PLANTED = {
    "a trigger": "CREATE TRIGGER t AFTER INSERT ON job_facts BEGIN DELETE FROM jobs; END",
    "a view": "CREATE VIEW v AS SELECT * FROM jobs",
    "a table": "CREATE TABLE extra (a)",
    "an index": "CREATE INDEX i ON jobs (lower(reference))",
}


@pytest.mark.parametrize("what", PLANTED)
@pytest.mark.parametrize("name", ["shop.db", "streams.db"])
def test_a_backup_with_something_planted_is_refused(
    shop: RunningShop, tmp_path: Path, what: str, name: str, measured: Any
) -> None:
    file, planted = tmp_path / "shop.lwbackup", tmp_path / "planted.lwbackup"
    assert command("backup", file, "--data", shop.data).returncode == 0
    with zipfile.ZipFile(file) as archive:
        archive.extractall(tmp_path / "out")
    sql = PLANTED[what]
    if name == "streams.db":
        sql = sql.replace("job_facts", "events").replace("jobs", "runs").replace("reference", "bench")
    with closing(sqlite3.connect(tmp_path / "out" / name)) as db:
        db.execute(sql)
        db.commit()
    manifest = json.loads((tmp_path / "out" / "manifest.json").read_text())
    manifest["sha256"][name] = hashlib.sha256((tmp_path / "out" / name).read_bytes()).hexdigest()
    with zipfile.ZipFile(planted, "w") as archive:
        for one in ("shop.db", "streams.db"):
            archive.write(tmp_path / "out" / one, one)
        archive.writestr("manifest.json", json.dumps(manifest))
    for words in (("verify", planted), ("restore", planted, "--data", tmp_path / "new")):
        told = command(*words)
        assert told.returncode == 2
        assert name in told.stderr
        assert told.stderr.count("\n") == 1
    assert not list((tmp_path / "new").glob("*.db"))
    measured(45, "a backup with a planted trigger", f"{len(PLANTED)} things planted in either file: refused")


@pytest.fixture
def medium(tmp_path: Path) -> Iterator[Path]:
    """A file system of its own, which can be made read-only."""
    place = tmp_path / "medium"
    place.mkdir()
    made = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=64m", "tmpfs", place], capture_output=True, check=False
    )
    if made.returncode:
        pytest.skip("no leave to mount a file system here")
    yield place
    subprocess.run(["umount", "-l", place], check=True)


@pytest.mark.parametrize("in_good_order", [True, False])
def test_a_medium_that_can_only_be_read_is_called_so_and_can_be_backed_up(
    medium: Path, tmp_path: Path, in_good_order: bool, measured: Any
) -> None:
    data = medium / "data"
    with running(tmp_path, data=data) as shop:
        with shop.client() as client:
            plain_job(client)
        if not in_good_order:
            pid = until(lambda: json.loads((data / "capture.json").read_text())["pid"], "capture runs")
            shop.kill()
            os.kill(pid, signal.SIGKILL)
    until(lambda: not remounted(medium, "ro"), "the medium can be made read-only")
    looked = command("check", "--data", data)
    assert looked.returncode == 1
    assert "read-only" in looked.stdout
    assert "restore" not in looked.stdout, looked.stdout
    assert "chown" not in looked.stdout
    saved = command("backup", tmp_path / "b.lwbackup", "--data", data)
    assert saved.returncode == 0, saved.stderr
    assert command("verify", tmp_path / "b.lwbackup").stdout.count("1 jobs") == 1
    there = command("backup", medium / "b.lwbackup", "--data", data)
    assert there.returncode == 2
    assert there.stderr.count("\n") == 1
    run = [*LOBEWRIGHT, "run", "--bench", str(shop.bench), "--data", str(data), "--port", "0"]
    started = subprocess.run(run, capture_output=True, text=True, check=False)
    assert started.returncode == 2
    assert "read-only" in started.stderr
    assert "restore" not in started.stderr
    remounted(medium, "rw")
    measured(42, "the medium goes read-only", "called so by check and run; backed up to another medium")


def remounted(medium: Path, how: str) -> int:
    done = subprocess.run(["mount", "-o", f"remount,{how}", medium], capture_output=True, check=False)
    return done.returncode


def test_a_backup_of_deep_or_endless_words_is_refused_in_one_sentence(tmp_path: Path) -> None:
    for spoilt in (
        b"[" * 100_000 + b"]" * 100_000,
        b'{"format": NaN}',
        b'{"format": 1, "x": "\\ud800"}',
        b"7",
    ):
        file = tmp_path / "a.lwbackup"
        with zipfile.ZipFile(file, "w") as archive:
            archive.writestr("manifest.json", spoilt)
        told = command("verify", file)
        assert told.returncode == 2
        assert told.stderr.count("\n") == 1
        assert "Traceback" not in told.stderr
