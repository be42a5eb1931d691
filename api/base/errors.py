"""The one error root of the service: every failure has a code, one sentence and the HTTP status that fits."""

from __future__ import annotations

from typing import Any


class ServiceError(Exception):
    """Root of everything this wing raises for a person to read.

    ServiceError
    ├── TraceFileError     a trace file that cannot be read: what, in which line, what to do
    ├── JobFileError       a job file that is none, is damaged, or is newer than this program
    ├── MisuseError        an option, a form or a request that makes no sense
    │   └── QuestionedError    an entry that can hardly be, to be corrected or confirmed
    ├── NotFoundError      no measurement, run, gauge or job of that name
    ├── ConflictError      it was finished, discarded or begun already
    │   └── BlockedError       the procedure of a job does not allow it now
    ├── BenchError         the bench cannot give what is asked: no run, no crank, no gauge
    ├── StoreError         the shop's file cannot be opened, or is newer than this program
    └── PlainRefusal       the readings cannot carry a number: the analysis' own code and sentence

    Parameters
    ----------
    code : str
        Stable, lower case, words joined by underscores.
    message : str
        One sentence or two: what happened, where, what to do.
    """

    status = 500

    def __init__(self, code: str, message: str) -> None:
        super().__init__(message)
        self.code = code
        self.message = message

    def fields(self) -> dict[str, Any]:
        """Give what a web request is answered with; an error that knows more adds to it."""
        return {"code": self.code, "message": self.message}


class TraceFileError(ServiceError):
    """A trace file that cannot be read; `line` counts from 1, `None` where no single line is to blame."""

    status = 422

    def __init__(self, code: str, message: str, line: int | None = None) -> None:
        where = "" if line is None else f"line {line:,}: "
        super().__init__(code, where + message)
        self.line = line


class JobFileError(ServiceError):
    """A job file that cannot be taken; nothing of it was."""

    status = 422


class MisuseError(ServiceError):
    """What was asked makes no sense, whatever the readings say."""

    status = 422


class NotFoundError(ServiceError):
    """There is nothing of that name or number."""

    status = 404


class ConflictError(ServiceError):
    """It cannot be done now: the thing is in another state."""

    status = 409


class BenchError(ServiceError):
    """The bench cannot give what is asked of it at the moment."""

    status = 409


class StoreError(ServiceError):
    """The shop's own file cannot be used."""

    status = 503


class PlainRefusal(ServiceError):
    """The readings cannot carry a trustworthy number."""

    status = 422
