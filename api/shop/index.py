"""All jobs of all benches in one list, newest first, and every word of them that is looked for.

A file of its own beside the copies, made from them, so it can always be made again. Rows are numbered by when their job
was changed: the newest that fit are the first that the full-text index comes upon, however many more would fit.
"""

from __future__ import annotations

import datetime as dt
import json
import sqlite3
import threading
import unicodedata
from collections.abc import Iterable, Iterator
from contextlib import closing, suppress
from pathlib import Path
from typing import Any

from pydantic import BaseModel

from api.store import ShopReader

FILE_NAME = "index.db"
LAYOUT = 2
SHORTEST_WORD = 3
"""Letters that the index takes together; shorter words are looked for one row after another."""
AT_ONCE = 500
TOLD_IN = ("text", "reason", "statement")
"""What a builder wrote himself, in the facts that have it."""
MAKE = """
CREATE TABLE lines (
    place INTEGER PRIMARY KEY, bench TEXT NOT NULL, job_id INTEGER NOT NULL, engine_key TEXT NOT NULL,
    line TEXT NOT NULL, UNIQUE (bench, job_id)
);
CREATE INDEX lines_engine ON lines (engine_key, place);
CREATE VIRTUAL TABLE words USING fts5 (text, tokenize = 'trigram');
CREATE TABLE upto (bench TEXT PRIMARY KEY, arrived INTEGER NOT NULL);
"""


class ShopLine(BaseModel):
    """A job as one line of the shop's list; `place` orders them, the newest change has the highest."""

    place: int = 0
    bench: str
    id: int
    reference: str
    customer: str
    builder: str
    engine: str
    card: str
    at: str
    changed_at: str
    now_title: str
    signed_at: str
    signed_by: str


class ShopIndex:
    """The list of one shop; written by one thread, read by any."""

    def __init__(self, data_dir: Path) -> None:
        self._path = data_dir / FILE_NAME
        self._db = _opened(self._path)
        self._lock = threading.Lock()
        self.changes = 0
        """Grows with every change, so that a page knows when to ask again."""

    def close(self) -> None:
        """Let go of the file."""
        self._db.close()

    # -- writing

    def upto(self, bench: str) -> int:
        """Give up to which arrival a bench's documents are in the list; 0 where none is."""
        row = self._db.execute("SELECT arrived FROM upto WHERE bench = ?", (bench,)).fetchone()
        return row[0] if row else 0

    def forget(self, bench: str) -> None:
        """Take a bench off the list; it is read anew."""
        with self._lock, self._db:
            self._db.execute(
                "DELETE FROM words WHERE rowid IN (SELECT place FROM lines WHERE bench = ?)", (bench,)
            )
            self._db.execute("DELETE FROM lines WHERE bench = ?", (bench,))
            self._db.execute("DELETE FROM upto WHERE bench = ?", (bench,))
            self.changes += 1

    def read(self, bench: str, shop: ShopReader, jobs: Iterable[int] | None, arrived: int) -> None:
        """Read some jobs of a bench anew, or all, and note up to which arrival they are read."""
        wanted = [row["id"] for row in shop.rows("SELECT id FROM jobs")] if jobs is None else sorted(jobs)
        with self._lock, self._db:
            for start in range(0, len(wanted), AT_ONCE):
                some = wanted[start : start + AT_ONCE]
                for job_id, line, text in _read(bench, shop, some):
                    self._put(bench, job_id, line, text)
            self._db.execute("INSERT OR REPLACE INTO upto VALUES (?, ?)", (bench, arrived))
            self.changes += bool(wanted)

    def _put(self, bench: str, job_id: int, line: ShopLine | None, text: str) -> None:
        """Replace a job's line and its words; lines lie in the order of their last change."""
        before = self._db.execute(
            "SELECT place FROM lines WHERE bench = ? AND job_id = ?", (bench, job_id)
        ).fetchone()
        if before is not None:
            self._db.execute("DELETE FROM words WHERE rowid = ?", before)
            self._db.execute("DELETE FROM lines WHERE place = ?", before)
        if line is None:
            return
        place = _place(line.changed_at)
        while self._db.execute("SELECT 1 FROM lines WHERE place = ?", (place,)).fetchone():
            place += 1
        self._db.execute(
            "INSERT INTO lines VALUES (?, ?, ?, ?, ?)",
            (place, bench, job_id, engine_key(line.engine), line.model_dump_json()),
        )
        self._db.execute("INSERT INTO words (rowid, text) VALUES (?, ?)", (place, folded(text)))

    # -- reading

    def found(
        self, words: str = "", engine: str = "", limit: int = 100, before: int | None = None
    ) -> list[ShopLine]:
        """Give the jobs in which every word stands somewhere, changed last first.

        Parameters
        ----------
        engine
            Only jobs on engines of this name, wherever they were measured.
        before
            Only those behind the line of this place.
        """
        where, values = ["l.place < ?"], [2**63 - 1 if before is None else before]
        asked: list[Any] = values
        table, order = "lines l", "l.place"
        if engine:
            where.append("l.engine_key = ?")
            asked.append(engine_key(engine))
        looked_for = folded(words).split()
        short = [word for word in looked_for if len(word) < SHORTEST_WORD]
        whole = [word for word in looked_for if len(word) >= SHORTEST_WORD]
        if looked_for:
            table, order = "words w JOIN lines l ON l.place = w.rowid", "w.rowid"
        if whole:
            where += ["words MATCH ?", "w.rowid < ?"]
            asked += [" ".join('"' + word.replace('"', '""') + '"' for word in whole), values[0]]
        for word in short:
            where.append("w.text LIKE ? ESCAPE '~'")
            asked.append(f"%{_literally(word)}%")
        sql = f"SELECT l.place, l.line FROM {table} WHERE {' AND '.join(where)} ORDER BY {order} DESC LIMIT ?"
        with closing(_reading(self._path)) as db:
            rows = db.execute(sql, (*asked, limit)).fetchall()
        return [
            ShopLine.model_validate_json(line).model_copy(update={"place": place}) for place, line in rows
        ]

    def count(self) -> int:
        """Count the jobs of all benches."""
        with closing(_reading(self._path)) as db:
            return int(db.execute("SELECT count(*) FROM lines").fetchone()[0])


def engine_key(name: str) -> str:
    """Give what one engine is known by, however its name was typed."""
    return " ".join(name.casefold().split())


def folded(text: str) -> str:
    """Give a text as it is looked for: no matter its case, nor the accents of its letters."""
    if text.isascii():
        return text.casefold()
    plain = unicodedata.normalize("NFKD", text)
    return "".join(letter for letter in plain if not unicodedata.combining(letter)).casefold()


def _literally(word: str) -> str:
    return word.replace("~", "~~").replace("%", "~%").replace("_", "~_")


def _opened(path: Path) -> sqlite3.Connection:
    """Open the index; one of another layout is made anew, for all in it is copied."""
    with suppress(sqlite3.DatabaseError):
        db = sqlite3.connect(path, check_same_thread=False)
        if db.execute("PRAGMA user_version").fetchone()[0] == LAYOUT:
            return db
        db.close()
    for name in (path.name, f"{path.name}-wal", f"{path.name}-shm"):
        path.with_name(name).unlink(missing_ok=True)
    db = sqlite3.connect(path, check_same_thread=False)
    db.execute("PRAGMA journal_mode = WAL")
    db.executescript(f"{MAKE} PRAGMA user_version = {LAYOUT};")
    return db


def _reading(path: Path) -> sqlite3.Connection:
    return sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True, timeout=5.0)


def _place(changed_at: str) -> int:
    """Number a moment, to the microsecond, with room for a thousand of one."""
    try:
        moment = dt.datetime.fromisoformat(changed_at)
    except ValueError:
        return 0
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=dt.UTC)
    return (moment - dt.datetime(1970, 1, 1, tzinfo=dt.UTC)) // dt.timedelta(microseconds=1) * 1000


def _read(bench: str, shop: ShopReader, jobs: list[int]) -> Iterator[tuple[int, ShopLine | None, str]]:
    """Every job that changed with its line and words; one that is deleted or gone has none."""
    marks = ", ".join("?" for _ in jobs)
    told: dict[int, list[str]] = {}
    for row in shop.rows(
        f"SELECT job_id, what FROM job_facts WHERE job_id IN ({marks}) AND kind IN ('noted', 'decided', 'skipped',"
        " 'went_back', 'withdrawn', 'own_decision', 'signed_off')",
        tuple(jobs),
    ):
        what = _body(row["what"])
        told.setdefault(row["job_id"], []).extend(str(what[name]) for name in TOLD_IN if what.get(name))
    found = set()
    for row in shop.rows(f"SELECT * FROM jobs WHERE id IN ({marks}) AND deleted_at IS NULL", tuple(jobs)):
        found.add(row["id"])
        line, words = _line(bench, row)
        yield row["id"], line, "\n".join([*words, *told.get(row["id"], [])])
    yield from ((one, None, "") for one in jobs if one not in found)


def _body(text: str) -> dict[str, Any]:
    """Read what was kept; what cannot be read stands in no list, and its job still does."""
    try:
        body = json.loads(text)
    except ValueError:
        return {}
    return body if isinstance(body, dict) else {}


def _named(body: dict[str, Any], part: str) -> str:
    own = body.get(part)
    return str(own.get("name", "")) if isinstance(own, dict) else ""


def _line(bench: str, row: dict[str, Any]) -> tuple[ShopLine, list[str]]:
    """A job's line in the list, and all words by which it can be found."""
    body = _body(row["body"])
    words = {name: row[name] or "" for name in ("at", "changed_at", "now_title", "signed_at", "signed_by")}
    line = ShopLine.model_validate(
        words
        | {
            "bench": bench,
            "id": row["id"],
            "reference": row["reference"],
            "customer": row["customer"] or "",
            "builder": row["builder"] or "",
            "engine": _named(body, "engine"),
            "card": _named(body, "card"),
        }
    )
    return line, [
        *dict.fromkeys([bench, line.reference, line.customer, line.builder, line.signed_by, *_texts(body)])
    ]


def _texts(value: object) -> Iterator[str]:
    """Give every text in a job's body: names, makers, numbers that are kept as text, notes."""
    if isinstance(value, str):
        if value:
            yield value
    elif isinstance(value, dict):
        for one in value.values():
            yield from _texts(one)
    elif isinstance(value, list):
        for one in value:
            yield from _texts(one)
