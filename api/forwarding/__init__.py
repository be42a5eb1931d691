"""Several benches, one archive on a database server: what a bench has kept is carried there, proved, and fetched back."""

from api.forwarding.forwarder import NO_ARCHIVE, ArchiveStanding, Forwarder, forwarder_of
from api.forwarding.preparing import Prepared, prepare
from api.forwarding.proving import Proof, prove
from api.forwarding.restoring import restore_from_archive

__all__ = [
    "NO_ARCHIVE",
    "ArchiveStanding",
    "Forwarder",
    "Prepared",
    "Proof",
    "forwarder_of",
    "prepare",
    "prove",
    "restore_from_archive",
]
