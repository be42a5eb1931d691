"""An invented engine of any cylinders, and facts in the order they were entered."""

from __future__ import annotations

from analysis.timing import Cam, Engine, Fact

TWIN = (Cam("inlet", ("inlet",)), Cam("exhaust", ("exhaust",)))


def engine_of(*cylinders: str, **more: object) -> Engine:
    names = cylinders or ("1",)
    return Engine("Fell", names, names, more.pop("cams", TWIN), **more)  # type: ignore[arg-type]


def facts(*what: object) -> list[Fact]:
    return [Fact(number, "", "Ida", one) for number, one in enumerate(what, 1)]  # type: ignore[arg-type]
