"""What is typed of engines, cards and jobs: read, refused, or asked about."""

from api.entry.entries import card_of, engine_of, job_of
from api.entry.names import LONGEST_WORDS, refuse_bad_name
from api.entry.questions import refuse_impossible_card, refuse_impossible_engine, refuse_impossible_job

__all__ = [
    "LONGEST_WORDS",
    "card_of",
    "engine_of",
    "job_of",
    "refuse_bad_name",
    "refuse_impossible_card",
    "refuse_impossible_engine",
    "refuse_impossible_job",
]
