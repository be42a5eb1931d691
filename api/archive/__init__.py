"""Jobs and traces taken in and given out, backups, tidying."""

from api.archive.backup import back_up, folder_at_rest, restore, verify
from api.archive.import_desk import ImportDesk
from api.archive.importing import MARK, import_told, import_trace
from api.archive.intake import look_for_left
from api.archive.job_archive import CameOver, read_job, write_job
from api.archive.job_file import looks_like_job_file
from api.archive.tidying import TidyRules, tidy

__all__ = [
    "MARK",
    "CameOver",
    "ImportDesk",
    "TidyRules",
    "back_up",
    "folder_at_rest",
    "import_told",
    "import_trace",
    "look_for_left",
    "looks_like_job_file",
    "read_job",
    "restore",
    "tidy",
    "verify",
    "write_job",
]
