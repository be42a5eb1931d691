"""A zip from elsewhere, opened within a budget: entries, bytes, ratio and free space, before anything is written.

The directory at the end of a zip says how much is in it; how long that directory is stands in its last bytes.
So a file that promises too much is refused before even its directory is read.
"""

from __future__ import annotations

import os
import shutil
import struct
import zipfile
from dataclasses import dataclass
from pathlib import Path

END = struct.Struct("<4s4H2LH")
END_MARK = b"PK\x05\x06"
WIDE_PLACE = struct.Struct("<4sLQL")
WIDE_END = struct.Struct("<4sQ2H2L4Q")
WIDE_PLACE_MARK, WIDE_END_MARK = b"PK\x06\x07", b"PK\x06\x06"
LONGEST_COMMENT = 1 << 16
DIRECTORY_BYTES_AN_ENTRY = 400
NARROW_FULL = 0xFFFFFFFF
FREE_AFTER_BYTES = 64 << 20
"""What the recorder keeps for itself whatever is taken in."""
LITTLE_BYTES = 16 << 20
"""Below this no ratio is looked at: a short file of nothing packs well."""
METHODS = {zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED}
ENCRYPTED = 0x1


class OverBudget(Exception):
    """A zip holds more than it may; says what."""


class NoRoom(OverBudget):
    """The disk has no room for it; says how much there is."""


@dataclass(frozen=True, slots=True)
class ZipBudget:
    """What a zip may hold at most, unpacked."""

    files: int
    bytes: int
    ratio: float


def open_within(path: Path, budget: ZipBudget, onto: Path) -> zipfile.ZipFile:
    """Open a zip whose contents may be unpacked into the folder `onto`.

    Raises
    ------
    OverBudget
        It holds too many files or bytes, is packed beyond belief, or the disk has no room for it.
    zipfile.BadZipFile
        It is no zip.
    OSError
        It cannot be read.
    """
    _refuse_long_directory(path, budget)
    archive = zipfile.ZipFile(path)
    try:
        _refuse(archive.infolist(), path.stat().st_size, budget)
        refuse_without_room(sum(one.file_size for one in archive.infolist()), onto)
    except BaseException:
        archive.close()
        raise
    return archive


def refuse_without_room(wanted_bytes: int, onto: Path) -> None:
    """Refuse what would leave the recorder no room; raises `NoRoom`."""
    free = shutil.disk_usage(onto).free
    if wanted_bytes + FREE_AFTER_BYTES > free:
        raise NoRoom(
            f"it needs {wanted_bytes / 1e6:,.0f} MB, and of {free / 1e6:,.0f} MB free "
            f"{FREE_AFTER_BYTES / 1e6:,.0f} MB are kept for readings; make room first"
        )


def _refuse(entries: list[zipfile.ZipInfo], packed_bytes: int, budget: ZipBudget) -> None:
    whole = sum(one.file_size for one in entries)
    if len(entries) > budget.files:
        raise OverBudget(f"it holds {len(entries):,} files, more than any of ours")
    if len({one.filename for one in entries}) != len(entries):
        raise OverBudget("it holds two files of one name")
    if any(one.compress_type not in METHODS or one.flag_bits & ENCRYPTED for one in entries):
        raise OverBudget("it is packed in a way that ours are not")
    if whole > budget.bytes:
        raise OverBudget(f"it holds {whole / 1e6:,.0f} MB, more than any of ours")
    if whole > LITTLE_BYTES and whole > budget.ratio * packed_bytes:
        raise OverBudget(
            f"its {packed_bytes / 1e6:,.1f} MB unpack to {whole / 1e6:,.0f} MB, as none of ours do"
        )


def _refuse_long_directory(path: Path, budget: ZipBudget) -> None:
    """Reading the list of files alone would take what memory there is; so its length is looked at first."""
    with path.open("rb") as file:
        size = file.seek(0, os.SEEK_END)
        start = max(0, size - END.size - LONGEST_COMMENT)
        file.seek(start)
        tail = file.read()
        at = tail.rfind(END_MARK)
        if at < 0 or at + END.size > len(tail):
            raise zipfile.BadZipFile("its end is missing")
        length = END.unpack_from(tail, at)[5]
        place = at - WIDE_PLACE.size
        if place >= 0 and tail[place : place + 4] == WIDE_PLACE_MARK:
            file.seek(WIDE_PLACE.unpack_from(tail, place)[2])
            wide = file.read(WIDE_END.size)
            if len(wide) < WIDE_END.size or wide[:4] != WIDE_END_MARK:
                raise zipfile.BadZipFile("its end is spoilt")
            length = WIDE_END.unpack(wide)[8]
        elif length == NARROW_FULL:
            raise zipfile.BadZipFile("its end is spoilt")
    if length > budget.files * DIRECTORY_BYTES_AN_ENTRY:
        raise OverBudget("it holds more files than any of ours")
