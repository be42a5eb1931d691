"""What the files of a shop are called."""

from __future__ import annotations

FILE_NAME = "shop.db"
IMPORTED_FOLDER = "imported"
