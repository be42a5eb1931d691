"""Several benches, one archive on a database server: what a bench has kept is carried there, proved, and fetched back."""

from api.forwarding.forwarder import Forwarder, Standing
from api.forwarding.preparing import Prepared, prepare
from api.forwarding.proving import Proof, prove
from api.forwarding.restoring import restore_from_archive

__all__ = ["Forwarder", "Prepared", "Proof", "Standing", "prepare", "prove", "restore_from_archive"]
