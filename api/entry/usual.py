"""A question about a figure outside what is usual, with the unit it may have been meant in."""

from __future__ import annotations

from api.base import Question


def outside(
    code: str, place: str, words: str, value: float | None, usual: tuple[float, float]
) -> Question | None:
    """Ask about a value outside what is usual; nothing where it is inside or was not given."""
    low, high = usual
    if value is None or low <= value <= high:
        return None
    unit = "mm" if place.endswith("_mm") else "" if place.endswith(("ratio", "teeth")) else "degrees"
    guess = _other_unit(value, usual) if unit == "mm" else ""
    return Question(
        code=code,
        place=place,
        message=f"{words} {value:g} {unit}".rstrip()
        + f" can hardly be: {low:g} to {high:g} is usual.{guess}",
    )


def _other_unit(value: float, usual: tuple[float, float]) -> str:
    low, high = usual
    if low <= value * 25.4 <= high and value < low:
        return f" Is it inch? {value:g} in would be {value * 25.4:.2f} mm."
    if low <= value * 0.0254 <= high and value > high:
        return f" Is it thou? {value:g} thou would be {value * 0.0254:.3f} mm."
    return ""
