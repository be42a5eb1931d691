"""A job handed from one bench to another by way of the archive, whole, as a job file, and held there by one row."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, Any

from api.base import ConflictError, MisuseError, NotFoundError, ServiceError, StoreError
from api.forwarding.connecting import SERVER_ASKS, connect, first_line, refuse_other_version, version_of
from api.forwarding.sharing import Sharer, tell_taken
from api.records import JobRow, answering, asking_hand_over, learning_back

if TYPE_CHECKING:
    from psycopg import Connection

LARGEST_FILE = 200 << 20


def hand_over(sharer: Sharer, row: JobRow, onto: str, by: str, write: Callable[[], tuple[Path, int]]) -> None:
    """Hand a job over to another bench; from then on it is only looked at here.

    Parameters
    ----------
    write
        Writes the job to a file of its own, once nothing can be added to it any more; gives where that is, and how many
        facts are in it.

    Raises
    ------
    ServiceError
        Nothing was handed over, and the job goes on here; or it is not known whether it was, and the job waits until
        the archive has said so.
    """
    if onto == sharer.name:
        raise MisuseError("same_bench", f"This is the bench {onto}; name another one.")
    try:
        with sharer.handing:
            _hand_over(sharer, row, onto, by, write)
    finally:
        sharer.look_now()  # what was asked for and not answered is asked about


def _hand_over(
    sharer: Sharer, row: JobRow, onto: str, by: str, write: Callable[[], tuple[Path, int]]
) -> None:
    """Note what is asked for before the archive hears of it, and then what it answered."""

    def refused() -> None:
        sharer.shop.write(lambda db: answering(db, asked, "refused", 0, row.changed_at))

    with closing(_reached(sharer)) as connection:
        asked = sharer.shop.write(lambda db: asking_hand_over(db, row.id, onto, by))
        try:
            path, facts = write()
        except BaseException:
            refused()
            raise
        try:
            number, at = _given(connection, sharer, row, onto, by, path, facts)
        except ConflictError:
            refused()
            raise
        finally:
            path.unlink(missing_ok=True)
    sharer.shop.write(lambda db: answering(db, asked, "given", number, at))


def _given(
    connection: Connection[tuple[Any, ...]],
    sharer: Sharer,
    row: JobRow,
    onto: str,
    by: str,
    path: Path,
    facts: int,
) -> tuple[int, str]:
    """Give the file to the archive; raises `ConflictError` where it may not go."""
    if path.stat().st_size > LARGEST_FILE:
        raise ConflictError(
            "too_large_to_hand_over",
            f"The job's traces take {path.stat().st_size >> 20} MB, more than {LARGEST_FILE >> 20} MB: "
            "save it as a job file and carry that over.",
        )
    return _settled(
        connection,
        "SELECT number, at::text FROM lobewright.hand_over(%s, %s, %s, %s, %s, %s, %s, %s)",
        (sharer.name, sharer.identify(), row.id, facts, onto, row.job.reference, by, path.read_bytes()),
        ("not_handed_over", "Not handed over"),
    )


def take_back(sharer: Sharer, job_id: int) -> None:
    """Take back a job that was handed over and that the other bench has not begun to take; it goes on here.

    Raises
    ------
    ConflictError
        The other bench has it, or the archive knows nothing of it.
    ServiceError
        It is not known whether it was taken back; it is only looked at until the archive has said so.
    """
    try:
        with sharer.handing, closing(_reached(sharer)) as connection:
            number, at = _settled(
                connection,
                "SELECT number, at::text FROM lobewright.take_back(%s, %s, %s)",
                (sharer.name, sharer.identify(), job_id),
                ("not_taken_back", "Not taken back"),
            )
            sharer.shop.write(lambda db: learning_back(db, number, at))
    finally:
        sharer.look_now()


def _settled(
    connection: Connection[tuple[Any, ...]], ask: str, values: tuple[Any, ...], no: tuple[str, str]
) -> tuple[int, str]:
    """Have the archive settle in its one row who holds a job; gives the hand-over's number, and when that was."""
    import psycopg

    try:
        answer = connection.execute(ask.encode(), values).fetchone()
        connection.commit()
    except psycopg.Error as error:
        if error.sqlstate is not None and not connection.closed:  # the server itself said no
            raise ConflictError(no[0], f"{no[1]}: {first_line(error)}.") from None
        raise StoreError(
            "hand_over_broke_off",
            "The archive broke off, and which bench holds the job is not known yet; it is only looked at until the "
            "archive has been asked again.",
        ) from None
    assert answer is not None
    return int(answer[0]), str(answer[1])


def fetch_job(sharer: Sharer, number: int) -> tuple[str, bytes]:
    """Begin to take a job over, so that it cannot be taken back any more; gives the bench that had it, and its file.

    Raises
    ------
    NotFoundError
        No such job waits.
    ServiceError
        The archive cannot be reached.
    """
    with closing(_reached(sharer)) as connection:
        row = connection.execute(
            "SELECT bench, file FROM lobewright.taking(%s, %s, %s)", (sharer.name, sharer.identify(), number)
        ).fetchone()
        connection.commit()
    if row is None:
        raise NotFoundError("no_such_hand_over", "That job does not wait any more; look at the list again.")
    return str(row[0]), bytes(row[1])


def job_not_taken(sharer: Sharer, number: int) -> None:
    """Tell the archive that a job's file is none that can be taken in here, so that it may be taken back.

    Never where it may have been taken in after all: then two benches would hold it.
    """
    with closing(_reached(sharer)) as connection:
        connection.execute(
            "SELECT lobewright.not_taken(%s, %s, %s)", (sharer.name, sharer.identify(), number)
        )
        connection.commit()


def job_taken(sharer: Sharer, number: int, job_id: int) -> None:
    """Tell the archive that a job is here; where that cannot be told now, the sharer tells it later."""
    try:
        with closing(_reached(sharer)) as connection:
            tell_taken(connection, sharer, number, job_id)
            connection.commit()
    except (ServiceError, OSError):
        pass
    sharer.look_now()


def _reached(sharer: Sharer) -> Connection[tuple[Any, ...]]:
    if not sharer.identify():
        raise StoreError(
            "archive_unreachable",
            "The archive has not been reached yet; a job can be handed over once it is.",
        )
    connection = connect(sharer.url)
    try:
        refuse_other_version(version_of(connection))
        connection.execute("SET TIME ZONE 'UTC'")
        for what, value in SERVER_ASKS.items():
            connection.execute(f"SET {what} = {value}".encode())
        connection.commit()
    except BaseException:
        connection.close()
        raise
    return connection
