"""Files of this machine: kept private, taken in from elsewhere within bounds."""

from api.files.folders import sync
from api.files.from_elsewhere import foreign_json
from api.files.private import keep_private, refuse_open_password_file
from api.files.zip_budget import NoRoom, OverBudget, ZipBudget, open_within, refuse_without_room

__all__ = [
    "NoRoom",
    "OverBudget",
    "ZipBudget",
    "foreign_json",
    "keep_private",
    "open_within",
    "refuse_open_password_file",
    "refuse_without_room",
    "sync",
]
