"""Plain JSON values from the frozen facts of a job, and back, with one sentence for every mistake."""

from __future__ import annotations

from typing import Any, TypeVar

from pydantic import ConfigDict, TypeAdapter, ValidationError

from analysis.base.errors import AnalysisError

T = TypeVar("T")

STRICT = ConfigDict(extra="forbid", allow_inf_nan=False)
"""How every entry is read: an unknown name or a number that is not finite is a mistake."""


class EntryError(AnalysisError):
    """What was typed or stored cannot be what it is meant to be: what is wrong, where, what to do."""


_adapters: dict[Any, TypeAdapter[Any]] = {}


def _adapter(kind: Any) -> TypeAdapter[Any]:
    if kind not in _adapters:
        _adapters[kind] = TypeAdapter(kind)
    return _adapters[kind]


def to_plain(value: object, kind: Any = None) -> Any:
    """Return `value`, a dataclass or a union member, as dicts, lists, numbers, strings and None."""
    return _adapter(kind if kind is not None else type(value)).dump_python(value, mode="json")


def from_plain(kind: type[T], plain: Any) -> T:
    """Return the dataclass `kind` from plain JSON values.

    Raises
    ------
    EntryError
        With the place of the first mistake and what is wanted there.
    """
    read: T = read_plain(kind, plain)
    return read


def read_plain(kind: Any, plain: Any) -> Any:
    """As `from_plain`, for unions and other annotations that are not classes."""
    try:
        return _adapter(kind).validate_python(plain)
    except ValidationError as mistake:
        raise EntryError("not_as_expected", _first_mistake(mistake)) from None


def _first_mistake(mistake: ValidationError) -> str:
    first = mistake.errors(include_url=False, include_context=False)[0]
    place = ".".join(str(part) for part in first["loc"]) or "the entry"
    more = mistake.error_count() - 1
    rest = f" ({more} more like it)" if more else ""
    return f"{place}: {first['msg'].lower()}{rest}. Correct it and enter it again."
