"""What is typed into an engine or a card, as numbers: lengths with a unit, angles with a dead centre."""

from __future__ import annotations

import re
from typing import Any, Literal

from analysis.base import EntryError

Fields = dict[str, Any]
Unit = Literal["mm", "in", "thou"]
MM_IN: dict[str, float] = {"mm": 1.0, "in": 25.4, "thou": 0.0254}
WORDS: dict[str, Unit] = {
    "mm": "mm",
    "in": "in",
    "inch": "in",
    '"': "in",
    "thou": "thou",
    "thousandths": "thou",
}
LENGTH = re.compile(r"""\s*([-+]?\d+(?:[.,]\d+)?)\s*([a-z"]*)\s*""", re.IGNORECASE)
ANGLE = re.compile(r"\s*([-+]?\d+(?:[.,]\d+)?)\s*(?:°|deg)?\s*([ab][tb]dc)?\s*", re.IGNORECASE)
MEANT = {
    ("inlet", "full_lift_deg"): "ATDC",
    ("exhaust", "full_lift_deg"): "BTDC",
    ("inlet", "opens_deg"): "BTDC",
    ("inlet", "closes_deg"): "ABDC",
    ("exhaust", "opens_deg"): "BBDC",
    ("exhaust", "closes_deg"): "ATDC",
}
OTHER_SIDE = {"ATDC": "BTDC", "BTDC": "ATDC", "ABDC": "BBDC", "BBDC": "ABDC"}


class EntryValues:
    """Turns an entry into plain numbers, and remembers which units were written out.

    Parameters
    ----------
    unit
        What a length is in that is a plain number, or text without a unit.
    """

    def __init__(self, unit: Unit = "mm") -> None:
        self.unit = unit
        self.written: dict[str, Unit] = {}

    def read(self, entry: Fields, place: str = "") -> Fields:
        """Give the entry with every length in mm and every angle a number; raises `EntryError`."""
        return {name: self._value(name, value, place) for name, value in entry.items()}

    def _value(self, name: str, value: Any, place: str) -> Any:
        where = f"{place}.{name}" if place else name
        if isinstance(value, dict):
            return self.read(value, where)
        if isinstance(value, list):
            return [self.read(one, where) if isinstance(one, dict) else one for one in value]
        if name.endswith("_mm") and value is not None and not isinstance(value, bool):
            return self._length(value, where)
        if name.endswith("_deg") and isinstance(value, str):
            return _angle(value, place, name)
        return value

    def _length(self, value: Any, where: str) -> float:
        if isinstance(value, int | float):
            return _scaled(float(value), self.unit)
        found = LENGTH.fullmatch(str(value))
        word = found.group(2).lower() if found else ""
        if found is None or (word and word not in WORDS):
            raise EntryError(
                "not_a_length",
                f'{where}: "{value}" is no length; write it like 9.65 mm, 0.380 in or 12 thou.',
            )
        unit = WORDS[word] if word else self.unit
        if word:
            self.written[where] = unit
        return _scaled(float(found.group(1).replace(",", ".")), unit)


def _scaled(value: float, unit: Unit) -> float:
    """Turn a length into mm without the dust that binary fractions leave."""
    return value if unit == "mm" else round(value * MM_IN[unit], 9)


def _angle(text: str, place: str, name: str) -> float:
    """Read an angle, and turn its sign where it is told from the other side of its dead centre."""
    found = ANGLE.fullmatch(text)
    if found is None:
        raise EntryError(
            "not_an_angle", f'{place}.{name}: "{text}" is no angle; write it like 108 or 108 ATDC.'
        )
    value = float(found.group(1).replace(",", "."))
    said, meant = (found.group(2) or "").upper(), MEANT.get((place.rsplit(".", 1)[-1], name))
    if not said or meant is None or said == meant:
        return value
    if said == OTHER_SIDE[meant] and name != "full_lift_deg":
        return -value
    valve = place.rsplit(".", 1)[-1]
    raise EntryError(
        "other_side_of_tdc",
        f"{place}.{name}: the {valve}'s {_word(name)} is told {meant}, and this says {said}. The lobe centre of "
        "an exhaust lies before TDC, that of an inlet after it: look at the card again, and which cam it is.",
    )


def _word(name: str) -> str:
    return {"full_lift_deg": "lobe centre", "opens_deg": "opening", "closes_deg": "closing"}[name]
