"""What a caller is, and where the gate writes it for whoever answers."""

from __future__ import annotations

from enum import StrEnum

STANDING = "lobewright.standing"
"""Key of the scope of a request."""


class Standing(StrEnum):
    """What a caller is."""

    BENCH = "the bench's own machine"
    PAIRED = "a paired screen"
    STRANGER = "a stranger"
