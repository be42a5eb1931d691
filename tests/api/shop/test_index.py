"""The list over all benches finds what a plain look through every word finds, the newest first."""

from __future__ import annotations

import json
import random
import string
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from kept_shop import change

from api.shop import ShopIndex
from api.store import ShopReader, ShopStore

WORDS = [
    "Tarn",
    "Sallow",
    "Whinfell",
    "AX-0417/b",
    "Quillfeather",
    "45-degree",
    "ümlaut",
    "100%",
    'a"b',
    "o_o",
    "é",
    "7",
]


def job(number: int, rng: random.Random) -> dict[str, Any]:
    engine, card, note = (" ".join(rng.choices(WORDS, k=2)) for _ in range(3))
    moment = (
        f"2026-{rng.randrange(1, 13):02}-{rng.randrange(1, 28):02}T08:{rng.randrange(60):02}:00.000+00:00"
    )
    body = {"reference": f"R{number}", "engine": {"name": engine, "note": note}, "card": {"name": card}}
    return {
        "id": number,
        "reference": f"R{number}",
        "customer": rng.choice(WORDS),
        "builder": "",
        "body": json.dumps(body, ensure_ascii=False),
        "at": moment,
        "by": "Ida Thorne",
        "changed_at": moment,
    }


@pytest.fixture
def index(tmp_path: Path) -> Iterator[ShopIndex]:
    (tmp_path / "cache").mkdir()
    made = ShopIndex(tmp_path / "cache")
    yield made
    made.close()


def keep(data: Path, rows: list[dict[str, Any]]) -> ShopReader:
    data.mkdir(exist_ok=True)
    shop = ShopStore(data)
    shop.write(lambda db: db.table("jobs").insert_all(rows))
    shop.close()
    return ShopReader(data)


def plain(text: str) -> str:
    return text.casefold().translate(str.maketrans("éü", "eu"))


def looked_through(jobs: list[tuple[str, dict[str, Any]]], words: str) -> list[tuple[str, int]]:
    """Which jobs hold every word somewhere, told without an index."""
    found = []
    for bench, row in jobs:
        body = json.loads(row["body"])
        text = [bench, row["reference"], row["customer"], body["engine"]["name"], body["engine"]["note"]]
        text = [*text, body["card"]["name"]]
        if all(any(plain(word) in plain(one) for one in text) for word in words.split()):
            found.append((row["changed_at"], bench, int(row["id"])))
    return [(bench, number) for _, bench, number in found]


@pytest.mark.parametrize("seed", range(3))
def test_what_is_found_is_what_a_look_through_finds(index: ShopIndex, tmp_path: Path, seed: int) -> None:
    rng = random.Random(seed)
    jobs: list[tuple[str, dict[str, Any]]] = []
    for bench in ("east", "west"):
        rows = [job(number, rng) for number in range(1, 60)]
        jobs += [(bench, row) for row in rows]
        index.read(bench, keep(tmp_path / bench, rows), None, 1)
    for _ in range(60):
        word = rng.choice(WORDS)
        part = word[rng.randrange(len(word)) :] if rng.random() < 0.5 else word
        words = (
            f"{part} {rng.choice(['', 'east', rng.choice(WORDS).upper(), rng.choice(string.ascii_letters)])}"
        )
        found = index.found(words, limit=500)
        assert sorted((one.bench, one.id) for one in found) == sorted(looked_through(jobs, words)), words
        moments = [one.changed_at for one in found]
        assert moments == sorted(moments, reverse=True)


def test_older_ones_follow_without_one_left_out(index: ShopIndex, tmp_path: Path) -> None:
    rows = [job(number, random.Random(5)) for number in range(1, 40)]  # all of one moment
    index.read("east", keep(tmp_path / "east", rows), None, 1)
    seen: list[int] = []
    for words in ("", "R"):
        seen.clear()
        before = None
        while some := index.found(words, limit=7, before=before):
            seen += [one.id for one in some]
            before = some[-1].place
        assert sorted(seen) == list(range(1, 40))


def test_notes_are_found_and_old_words_are_not(index: ShopIndex, tmp_path: Path) -> None:
    rng = random.Random(1)
    data = tmp_path / "east"
    reader = keep(data, [job(1, rng)])
    what = {"kind": "noted", "text": "Keyway is burred"}
    fact = {
        "job_id": 1,
        "number": 1,
        "at": "t",
        "by": "Ida Thorne",
        "kind": "noted",
        "what": json.dumps(what),
    }
    change(data, "job_facts", fact)
    index.read("east", reader, [1], 1)
    assert [one.id for one in index.found("burred")] == [1]
    shop = ShopStore(data)
    shop.write(lambda db: db.execute("DELETE FROM job_facts"))
    shop.close()
    index.read("east", reader, [1], 2)
    assert index.found("burred") == []
    assert index.upto("east") == 2
    index.forget("east")
    assert (index.found(), index.count(), index.upto("east")) == ([], 0, 0)


def test_a_damaged_list_is_made_anew(tmp_path: Path) -> None:
    (tmp_path / "index.db").write_bytes(b"no database at all" * 100)
    index = ShopIndex(tmp_path)
    assert index.found() == []
    index.close()
