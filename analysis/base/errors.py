"""The one error root of the analysis, and the warnings that travel with a result."""

from __future__ import annotations

from dataclasses import dataclass


class AnalysisError(Exception):
    """Root of everything the analysis raises.

    AnalysisError
    └── Refusal     the readings cannot carry a number; `code` and `message` say why and what to do
    """


class Refusal(AnalysisError):
    """The readings cannot carry a trustworthy number.

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


@dataclass(frozen=True, slots=True)
class Warn:
    """Something the builder should know about a number that is still given."""

    code: str
    message: str
