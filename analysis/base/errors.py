"""The one error root of the analysis, and the warnings that travel with a result."""

from __future__ import annotations

from dataclasses import dataclass


class AnalysisError(Exception):
    """Root of everything the analysis raises; each error has its code and a sentence.

    AnalysisError
    ├── Refusal          the readings cannot carry a number
    ├── EntryError       something entered cannot be
    ├── NotComparable    two numbers were made in different ways, or the card does not speak of this one
    └── Blocked          the procedure of a job does not allow it now

    Parameters
    ----------
    code : str
        Stable, lower case, words joined by underscores, such as ``one_side_only``.
    message : str
        One sentence or two for the builder: what was seen, where, what to do.
    """

    def __init__(self, code: str, message: str) -> None:
        super().__init__(f"{code}: {message}")
        self.code = code
        self.message = message


class Refusal(AnalysisError):
    """The readings cannot carry a trustworthy number."""


@dataclass(frozen=True, slots=True)
class Warn:
    """Something the builder should know about a number that is still given."""

    code: str
    message: str
