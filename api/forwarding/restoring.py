"""A bench is lost: its data folder is made anew from what the archive has of it, to the last reading that had arrived."""

from __future__ import annotations

import hashlib
import json
import shutil
import tempfile
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sqlite_utils import Database

from api.archive import folder_at_rest
from api.base import ConflictError, NotFoundError, StoreError
from api.forwarding.blocks import BLOCK_COLUMNS, block_sha256
from api.forwarding.connecting import first_line, open_for_reading
from api.forwarding.forwarder import Progress, write_progress
from api.forwarding.kept import IMPORTED, RUN, RUN_TABLES
from api.records import Contents, contents_of
from api.store import IMPORTED_FOLDER, ROW_KEYS, ShopStore, begin_restore, finish_restore
from api.store import owned as owned_by
from capture.store import STORE_NAME, open_for_writing

if TYPE_CHECKING:
    from psycopg import Connection

AT_ONCE = 500
UNPACKED = ".restore-"


def restore_from_archive(url: str, bench: str, data_dir: Path) -> Contents:
    """Make a new data folder of what the archive has of a bench; whole or not at all.

    Raises
    ------
    NotFoundError
        The archive knows no bench of that name.
    ConflictError
        There is a shop in the folder already.
    StoreError
        Something in the archive is not what was sent; `prove` names it all.
    """
    import psycopg

    data_dir.mkdir(parents=True, exist_ok=True)
    with folder_at_rest(data_dir):
        if owned_by(data_dir):
            raise ConflictError(
                "shop_there", f"There is a shop in {data_dir} already; name a new folder with --data."
            )
        folder = Path(tempfile.mkdtemp(prefix=UNPACKED, dir=data_dir))
        try:
            with open_for_reading(url) as connection:
                _fetch(connection, bench, folder)
            contents = contents_of(folder)
            begin_restore(folder, data_dir, data_dir / "before-restore")
            finish_restore(data_dir)
        except psycopg.Error as error:
            raise StoreError("archive_broke_off", f"Nothing was restored: {first_line(error)}.") from None
        finally:
            shutil.rmtree(folder, ignore_errors=True)
        return contents


def _fetch(connection: Connection[tuple[Any, ...]], bench: str, folder: Path) -> None:
    """Fill both files, each in one transaction, and note how far the archive has them."""
    row = connection.execute(
        "SELECT identity::text FROM lobewright.benches WHERE name = %s", (bench,)
    ).fetchone()
    if row is None:
        known = [name for (name,) in connection.execute("SELECT name FROM lobewright.benches ORDER BY name")]
        raise NotFoundError(
            "no_such_bench", f"The archive knows no bench {bench!r}; it has {', '.join(known) or 'none yet'}."
        )
    if row[0] is None:
        raise NotFoundError("nothing_arrived", f"Nothing has arrived yet from the bench {bench!r}.")
    progress = Progress(identity=row[0])
    store = ShopStore(folder)
    try:
        with closing(open_for_writing(folder / STORE_NAME)) as streams:
            streams.execute("BEGIN IMMEDIATE")
            store.write(lambda db: _put_documents(connection, bench, folder, db, Database(streams), progress))
            _put_blocks(connection, bench, Database(streams), progress)
            streams.execute("COMMIT")
            streams.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    finally:
        store.close()
    progress.signed = _last_sealed(connection, bench)
    write_progress(folder, progress)
    (folder / "shop.lock").unlink(missing_ok=True)


def _put_documents(
    connection: Connection[tuple[Any, ...]],
    bench: str,
    folder: Path,
    shop: Database,
    streams: Database,
    progress: Progress,
) -> None:
    """The newest version of every row, numbered as before, so that what is changed next comes behind."""
    numbers = []
    with connection.cursor("newest", binary=True) as cursor:
        cursor.itersize = AT_ONCE
        cursor.execute(
            b"SELECT DISTINCT ON (kind, key) kind, key, version, sha256, body FROM lobewright.documents"
            b" WHERE bench = %s ORDER BY kind, key, version DESC",
            (bench,),
        )
        for kind, key, version, sha256, body in cursor:
            if hashlib.sha256(body).digest() != sha256:
                raise _spoilt(f"{kind} {key}")
            put_document(shop, streams, folder, kind, key, body)
            if kind in ROW_KEYS:
                numbers.append((version, kind, key))
    progress.documents = max((number for number, _, _ in numbers), default=0)
    _number_as_before(shop, numbers)


def put_document(shop: Database, streams: Database, folder: Path, kind: str, key: str, body: bytes) -> None:
    """Put a document where it belongs in a bench's folder, in the place of an earlier version of it."""
    if kind in ROW_KEYS:
        _put(shop, kind, json.loads(body))
    elif kind == RUN:
        for table, rows in json.loads(body).items():
            if table not in {"runs", *RUN_TABLES}:
                raise _spoilt(f"{kind} {key}")
            for row in rows:
                _put(streams, table, row)
    elif kind == IMPORTED:
        (folder / IMPORTED_FOLDER).mkdir(exist_ok=True)
        (folder / IMPORTED_FOLDER / Path(key).name).write_bytes(body)


def _number_as_before(shop: Database, numbers: list[tuple[int, str, str]]) -> None:
    """Let the list of changes go on where the lost bench's ended."""
    shop.execute("DELETE FROM changes")
    shop.conn.executemany("INSERT INTO changes (number, kind, key) VALUES (?, ?, ?)", numbers)


def _last_sealed(connection: Connection[tuple[Any, ...]], bench: str) -> int:
    """Give the change that noted the last sign-off which has its seal; any after it get theirs from the new folder."""
    row = connection.execute(
        "SELECT coalesce(max(d.version), 0) FROM lobewright.signoffs s JOIN lobewright.documents d"
        " ON d.bench = s.bench AND d.kind = 'job_facts' AND d.key = s.fact WHERE s.bench = %s",
        (bench,),
    ).fetchone()
    return int(row[0]) if row else 0


def _put_blocks(
    connection: Connection[tuple[Any, ...]], bench: str, streams: Database, progress: Progress
) -> None:
    """Put the blocks in place; of one that had grown, the longest."""
    names = ", ".join(BLOCK_COLUMNS)
    marks = ", ".join("?" for _ in (*BLOCK_COLUMNS, "data"))
    with connection.cursor("blocks", binary=True) as cursor:
        cursor.itersize = AT_ONCE
        cursor.execute(
            f"SELECT DISTINCT ON (channel_id, first) run_id, {names}, sha256, data FROM lobewright.blocks"
            " WHERE bench = %s ORDER BY channel_id, first, lines DESC".encode(),
            (bench,),
        )
        for run_id, *place, sha256, data in cursor:
            if block_sha256(run_id, place, data) != sha256:
                raise _spoilt(f"the readings from {place[1]:,} of channel {place[0]}")
            streams.execute(f"INSERT INTO blocks ({names}, data) VALUES ({marks})", [*place, data])
            progress.channels[place[0]] = place[1]


def _put(db: Database, table: str, row: dict[str, Any]) -> None:
    if not all(name.isidentifier() for name in row):
        raise _spoilt(f"a row of {table}")
    names = ", ".join(f'"{name}"' for name in row)
    marks = ", ".join("?" for _ in row)
    db.conn.execute(f"INSERT OR REPLACE INTO {table} ({names}) VALUES ({marks})", list(row.values()))


def _spoilt(what: str) -> StoreError:
    return StoreError(
        "spoilt_archive",
        f"Nothing was restored: {what} is not what was sent. lobewright verify --archive names all that does not fit.",
    )
