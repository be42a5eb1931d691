"""Runout and end float, from what a gauge has said lately."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import Field

from analysis.base import GaugeFacts, Streams
from api.base import Body, with_service_errors
from api.measure.report_views import FigureView, PartView
from api.measure.requests import Name

if TYPE_CHECKING:
    from analysis.report import Figure, Runout

Limit = Annotated[float, Field(allow_inf_nan=False, gt=0, le=100)]
Held = Literal["", "within", "beyond", "open"]


class PartEntry(Body):
    """The gauge, to be said where there are several; the maker's limits, mm, without which nothing is judged."""

    gauge: Name | None = None
    most_mm: Limit | None = None
    least_mm: Limit | None = None


class TurnedEntry(PartEntry):
    """As well, for a face: how far from the axis the gauge stands on it, mm."""

    face_radius_mm: Annotated[float, Field(allow_inf_nan=False, ge=5, le=500)] | None = None


class WaveView(Body):
    """A wave so many times a turn: half of its swing, and where its first top is under the gauge."""

    times: int
    amplitude_mm: FigureView
    high_at_deg: FigureView
    seen: bool


class SwashView(Body):
    """How a face is out of square: the swing it makes at the gauge by its tilt alone, and the tilt."""

    radius_mm: float
    swash_mm: FigureView
    tilt_deg: FigureView


class RunoutView(PartView):
    """What turning a part under a gauge told; `held` against the limit; angles from true TDC or by the encoder.

    On a face the limit is held against its full swing as on a journal, for makers give it so.
    """

    gauge: str
    total_mm: FigureView
    eccentricity_mm: FigureView
    high_at_deg: FigureView
    ovality_mm: FigureView
    waves: list[WaveView]
    turns: float
    drift_mm_turn: float
    angles_from: Literal["true TDC", "the encoder's zero"]
    held: Held
    words: str
    warnings: list[str]
    crank_deg: list[float]
    reading_mm: list[float]
    swash: SwashView | None = None


class EndFloatView(PartView):
    """How far a shaft goes to and fro; `held` against the limits."""

    gauge: str
    float_mm: FigureView
    pushes: int
    pulls: int
    held: Held
    words: str


@with_service_errors
def runout_of(
    entry: TurnedEntry,
    gauge: str,
    streams: Streams,
    facts: GaugeFacts,
    tdc_deg: float | None,
    inward: int | None = None,
) -> RunoutView:
    """Find the runout of what was turned under a gauge; `inward` is `None` where no piston has shown its sign."""
    from analysis.report import find_runout  # here: it would hold up the first page

    on_face = entry.face_radius_mm is not None
    found = find_runout(streams, facts, zero_deg=tdc_deg or 0.0, inward=inward or 1, on_face=on_face)
    zero: Literal["true TDC", "the encoder's zero"] = "the encoder's zero" if tdc_deg is None else "true TDC"
    held = held_against(found.total_mm, entry)
    high = f"; highest {found.high_at_deg.value:.0f}° after {zero}" if found.waves[0].seen else ""
    if high and inward is None:
        high += ", if the reading grows as the plunger goes in"
    return RunoutView(
        gauge=gauge,
        total_mm=FigureView.model_validate(found.total_mm),
        eccentricity_mm=FigureView.model_validate(found.eccentricity_mm),
        high_at_deg=FigureView.model_validate(found.high_at_deg),
        ovality_mm=FigureView.model_validate(found.ovality_mm),
        waves=[WaveView.model_validate(wave) for wave in found.waves],
        turns=found.turns,
        drift_mm_turn=found.drift_mm_turn,
        angles_from=zero,
        held=held,
        words=f"Runout {_told(found.total_mm)}, full swing{high}. {_verdict(held, entry)}".strip(),
        warnings=[warning.message for warning in found.warnings],
        crank_deg=found.crank_deg.tolist(),
        reading_mm=found.reading_mm.tolist(),
        swash=_swash(found, entry.face_radius_mm),
    )


def _swash(found: Runout, radius_mm: float | None) -> SwashView | None:
    from analysis.report import swash_of  # here: as above

    if radius_mm is None:
        return None
    told = swash_of(found, radius_mm)
    return SwashView(
        radius_mm=radius_mm,
        swash_mm=FigureView.model_validate(told.swash_mm),
        tilt_deg=FigureView.model_validate(told.tilt_deg),
    )


@with_service_errors
def end_float_of(entry: PartEntry, gauge: str, streams: Streams, facts: GaugeFacts) -> EndFloatView:
    """Find how far a shaft was pushed and pulled."""
    from analysis.report import find_end_float  # here: as above

    found = find_end_float(streams, facts)
    held = held_against(found.float_mm, entry)
    return EndFloatView(
        gauge=gauge,
        float_mm=FigureView.model_validate(found.float_mm),
        pushes=found.pushes,
        pulls=found.pulls,
        held=held,
        words=f"End float {_told(found.float_mm)}. {_verdict(held, entry)}".strip(),
    )


def held_against(found: Figure, entry: PartEntry) -> Held:
    """Hold a number with its interval against the limits typed: within or beyond where all of the interval is."""
    least, most = entry.least_mm, entry.most_mm
    if least is None and most is None:
        return ""
    low, high = found.value - found.u95, found.value + found.u95
    if (most is not None and low > most) or (least is not None and high < least):
        return "beyond"
    inside = (most is None or high <= most) and (least is None or low >= least)
    return "within" if inside else "open"


def _told(found: Figure) -> str:
    return f"{found.value:.3f} ± {found.u95:.3f} mm"


def _verdict(held: Held, entry: PartEntry) -> str:
    limits = [f"{one:g}" for one in (entry.least_mm, entry.most_mm) if one is not None]
    limit = f"the limit typed, {' to '.join(limits)} mm"
    return {
        "": "",
        "within": f"Within {limit}.",
        "beyond": f"Beyond {limit}: the maker's instructions say what is to be done.",
        "open": f"Too near to {limit}, to be judged: a finer gauge tells, or more turns.",
    }[held]
