"""What hands do at the bench: measurements that begin and end by themselves, deeds that count as presses, parts told of."""

from api.hands.awaited_part import AwaitedView
from api.hands.bench_desk import BenchDesk
from api.hands.by_deed import ByDeed
from api.hands.hands_free import HandsFree
from api.hands.leads import JobLead, Lead
from api.hands.turned_parts import TurnedParts

__all__ = ["AwaitedView", "BenchDesk", "ByDeed", "HandsFree", "JobLead", "Lead", "TurnedParts"]
