"""What a gauge touches, told from how its reading goes with the crank, before anything is measured."""

from analysis.touching.by_hand import last_moved_by_hand
from analysis.touching.touch import KnownZero, Touch, recognise, unlike_a_round_part

__all__ = ["KnownZero", "Touch", "last_moved_by_hand", "recognise", "unlike_a_round_part"]
