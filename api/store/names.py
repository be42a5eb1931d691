"""What the files of a shop are called."""

from __future__ import annotations

FILE_NAME = "shop.db"
IMPORTED_FOLDER = "imported"
ARCHIVE_FILE = "archive.json"
"""How far the shop's archive has what is here, and as which bench it knows this folder."""
