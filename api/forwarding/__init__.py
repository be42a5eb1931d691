"""Several benches, one archive on a database server: what a bench has kept is carried there, proved, and fetched back."""

from api.forwarding.connecting import first_line, open_for_reading
from api.forwarding.copying import OURS, BenchCopy, Came, only_looked_at
from api.forwarding.forwarder import NO_ARCHIVE, ArchiveStanding, Forwarder, forwarder_of
from api.forwarding.handing_over import fetch_job, hand_over, job_not_taken, job_taken, take_back
from api.forwarding.preparing import NAME, Prepared, prepare
from api.forwarding.proving import Proof, prove
from api.forwarding.restoring import restore_from_archive
from api.forwarding.sharing import ComingJob, OfferedJob, SharedStanding, Sharer
from api.forwarding.telling import LiveWord, Teller

__all__ = [
    "NAME",
    "NO_ARCHIVE",
    "OURS",
    "ArchiveStanding",
    "BenchCopy",
    "Came",
    "ComingJob",
    "Forwarder",
    "LiveWord",
    "OfferedJob",
    "Prepared",
    "Proof",
    "SharedStanding",
    "Sharer",
    "Teller",
    "fetch_job",
    "first_line",
    "forwarder_of",
    "hand_over",
    "job_not_taken",
    "job_taken",
    "only_looked_at",
    "open_for_reading",
    "prepare",
    "prove",
    "restore_from_archive",
    "take_back",
]
