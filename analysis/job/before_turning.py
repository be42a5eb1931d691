"""What is fitted up before the crank is first turned: a short list, each line only where the engine has it."""

from __future__ import annotations

from collections.abc import Iterator

from analysis.timing import Engine


def fitting_up(engine: Engine) -> tuple[str, ...]:
    """Return the list of an engine; what nobody has said of it is asked with "if"; common practice, no source."""
    return tuple(_lines(engine))


def _lines(engine: Engine) -> Iterator[str]:
    yield "Cam, journals and followers oiled."
    if engine.followers != "solid":
        yield f"Solid followers in place of hydraulic ones{_if(engine.followers)}: a pumped-up one tells nothing."
    yield "Light checking springs on the valves that are measured."
    if engine.cams_in != "block":
        caps = "Cam caps drawn down evenly, against open valves step by step"
        yield f"{caps}." if engine.cams_in else f"{caps}, if the cam is in the head."
    if engine.drive != "gears":
        yield f"Tensioner locked in the maker's checking state{_if(engine.drive)}."
    if engine.drive == "belt" and len(engine.cams) > 1:
        yield "The other cams locked wherever the belt is loose."
    if engine.variable_timing:
        yield "Moving adjusters (variable timing) pinned at rest."


def _if(said: str) -> str:
    return "" if said else ", if it has any"
