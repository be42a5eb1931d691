"""What a job refuses: the step in the way, or what an entry has to be asked about."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import Any, ParamSpec, TypeVar

from analysis.base import AnalysisError, EntryError
from analysis.job import Blocked
from api.base.errors import ConflictError, MisuseError, PlainRefusal, ServiceError
from api.base.job_messages import Question

P = ParamSpec("P")
T = TypeVar("T")


class BlockedError(ConflictError):
    """The procedure does not allow it now; `step` is in the way."""

    def __init__(self, code: str, message: str, step: str = "", may_override: bool = False) -> None:
        super().__init__(code, message)
        self.step = step
        self.may_override = may_override

    def fields(self) -> dict[str, Any]:
        """Give the step in the way and whether a person may go past it."""
        return super().fields() | {"step": self.step, "may_override": self.may_override}


class QuestionedError(MisuseError):
    """An entry holds what can hardly be; each question can be confirmed by its code."""

    def __init__(self, questions: list[Question]) -> None:
        told = " ".join(question.message for question in questions)
        super().__init__("questioned", f"{told} Correct it, or confirm that it is so.")
        self.questions = questions

    def fields(self) -> dict[str, Any]:
        """Give the questions one by one."""
        return super().fields() | {"questions": [question.model_dump() for question in self.questions]}


def as_service_error(error: AnalysisError) -> ServiceError:
    """Turn an error of the analysis into one that a request can be answered with."""
    if isinstance(error, Blocked):
        return BlockedError(error.code, error.message, error.step, error.may_override)
    if isinstance(error, EntryError):
        return MisuseError(error.code, error.message)
    return PlainRefusal(error.code, error.message)


def with_service_errors(call: Callable[P, T]) -> Callable[P, T]:
    """Let a function raise errors of the service where the analysis raises its own."""

    @wraps(call)
    def translated(*args: P.args, **kwargs: P.kwargs) -> T:
        """The call itself, what the analysis refuses told as the service tells it."""
        try:
            return call(*args, **kwargs)
        except AnalysisError as error:
            raise as_service_error(error) from None

    return translated
