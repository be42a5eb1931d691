"""A restore that was cut short is brought to its end by whoever opens the shop next.

Several files cannot change their places at once. So what is to come in lies whole and proved in one folder of the
data folder, and the name of that folder says how far the change has come: first everything there is set aside, then
everything in it is put in place. Either can be gone on with wherever it stopped.
"""

from __future__ import annotations

from pathlib import Path

from api.base import StoreError
from api.files import sync
from api.store.names import ARCHIVE_FILE, FILE_NAME, IMPORTED_FOLDER
from capture.base import DataFolderBusy, FolderLock
from capture.store import STORE_NAME

SETTING_ASIDE, PUTTING_IN = ".restore.setting-aside", ".restore.putting-in"
ASIDE = "set-aside-into"


def owned(data_dir: Path) -> list[Path]:
    """Give everything there is of a shop: the databases, their logs, the imported traces, how far the archive has it.

    An older shop must not go on as if the archive had what it no longer has.
    """
    databases = sorted(path for name in (FILE_NAME, STORE_NAME) for path in data_dir.glob(f"{name}*"))
    also = (data_dir / IMPORTED_FOLDER, data_dir / ARCHIVE_FILE)
    return [*databases, *(path for path in also if path.exists())]


def begin_restore(copies: Path, data_dir: Path, aside: Path) -> None:
    """From here on it is going to be restored, whatever happens; `copies` lies in the data folder."""
    (copies / ASIDE).write_text(aside.name, encoding="utf-8")
    sync(copies)
    copies.rename(data_dir / SETTING_ASIDE)
    sync(data_dir)


def is_half_restored(data_dir: Path) -> bool:
    """Tell whether a restore was cut short."""
    return any((data_dir / name).is_dir() for name in (SETTING_ASIDE, PUTTING_IN))


def finish_restore(data_dir: Path) -> None:
    """Go on with a restore wherever it stopped; for whoever holds the folder, capture's half of it too."""
    going, coming = data_dir / SETTING_ASIDE, data_dir / PUTTING_IN
    if going.is_dir():
        aside = data_dir / Path((going / ASIDE).read_text(encoding="utf-8")).name
        for path in owned(data_dir):
            aside.mkdir(exist_ok=True)
            path.rename(aside / path.name)
        sync(data_dir)
        going.rename(coming)
        sync(data_dir)
    if coming.is_dir():
        (coming / ASIDE).unlink(missing_ok=True)
        for path in coming.iterdir():
            path.rename(data_dir / path.name)
        sync(data_dir)
        coming.rmdir()


def finish_restore_at_start(data_dir: Path) -> None:
    """As `finish_restore`, for whoever holds the shop alone; raises `StoreError` where capture is running."""
    if not is_half_restored(data_dir):
        return
    try:
        with FolderLock(data_dir):
            finish_restore(data_dir)
    except DataFolderBusy as error:
        raise StoreError(
            "folder_in_use", f"{error}; a restore here was cut short and has to end first."
        ) from None
