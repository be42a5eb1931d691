"""Several benches, one archive on a database server: what a bench has kept is carried there, proved, and fetched back."""

from api.forwarding.connecting import first_line, open_for_reading
from api.forwarding.copying import OURS, BenchCopy, Came, only_looked_at
from api.forwarding.forwarder import NO_ARCHIVE, ArchiveStanding, Forwarder, forwarder_of
from api.forwarding.preparing import NAME, Prepared, prepare
from api.forwarding.proving import Proof, prove
from api.forwarding.restoring import restore_from_archive
from api.forwarding.telling import LiveWord, Teller

__all__ = [
    "NAME",
    "NO_ARCHIVE",
    "OURS",
    "ArchiveStanding",
    "BenchCopy",
    "Came",
    "Forwarder",
    "LiveWord",
    "Prepared",
    "Proof",
    "Teller",
    "first_line",
    "forwarder_of",
    "only_looked_at",
    "open_for_reading",
    "prepare",
    "prove",
    "restore_from_archive",
]
