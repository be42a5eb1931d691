"""Names that people give: one line, not too long, with something in it that can be seen."""

from __future__ import annotations

import unicodedata

from analysis.base import EntryError
from analysis.timing import CamCard, Engine, Job
from api.base import is_seen

LONGEST_NAME = 120
LONGEST_WORDS = 2000
MOST_CYLINDERS = 24
MOST_CAMS = 8
BREAKS = {"Cc", "Zl", "Zp", "Cs"}
"""Those that end a line, command a terminal, or are half a letter."""


def refuse_bad_name(place: str, name: str, longest: int = LONGEST_NAME) -> None:
    """Refuse what cannot be a name; raises `EntryError`. An empty one is none of this function's business."""
    kinds = {unicodedata.category(letter) for letter in name}
    if len(name) > longest:
        raise EntryError("name_too_long", f"{place} has more than {longest} letters; make it shorter.")
    if kinds & BREAKS:
        raise EntryError(
            "bad_name", f"{place} holds letters that cannot be shown in one line; type it again."
        )
    if name and not any(is_seen(letter) for letter in name):
        raise EntryError("bad_name", f"{place} shows nothing; give it letters that can be seen.")


def refuse_bad_engine_names(engine: Engine) -> None:
    """Refuse an engine whose names cannot be shown; raises `EntryError`."""
    if len(engine.cylinders) > MOST_CYLINDERS or len(engine.cams) > MOST_CAMS:
        raise EntryError(
            "impossible_engine",
            f"An engine of {len(engine.cylinders)} cylinders and {len(engine.cams)} cams cannot be; at most "
            f"{MOST_CYLINDERS} and {MOST_CAMS}. Correct the numbers.",
        )
    refuse_bad_name("The engine's name", engine.name)
    for cam in engine.cams:
        refuse_bad_name("A cam's name", cam.name)
    _refuse_long("The engine's note", engine.note)


def refuse_bad_card_names(card: CamCard) -> None:
    """Refuse a cam card whose names cannot be shown; raises `EntryError`."""
    refuse_bad_name("The card's name", card.name)
    refuse_bad_name("The card's maker", card.maker)
    _refuse_long("The card's note", card.note)


def refuse_bad_job_names(job: Job) -> None:
    """Refuse a job whose names cannot be shown; raises `EntryError`."""
    if not job.reference:
        raise EntryError("no_name", "The job has no reference; give it one that the shop will find it by.")
    refuse_bad_name("The job's reference", job.reference)
    refuse_bad_name("The customer's name", job.customer, LONGEST_WORDS)
    refuse_bad_name("The builder's name", job.builder, LONGEST_WORDS)
    _refuse_long("The job's note", job.note)


def _refuse_long(place: str, words: str) -> None:
    if len(words) > LONGEST_WORDS:
        raise EntryError("name_too_long", f"{place} has more than {LONGEST_WORDS} letters; make it shorter.")
