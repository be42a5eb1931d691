"""Cam reports as a person reads them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import asdict
from typing import Any

from analysis.report import (
    MM_PER_INCH,
    Against,
    AtLift,
    CamReport,
    Compression,
    Figure,
    Ramp,
    Runout,
    Swash,
    Wave,
    swash_of,
)
from api.cli.measure import columns


def report_table(report: CamReport, inch: bool) -> Iterator[str]:
    """Give the lines of one lobe's report, lengths in mm or in inches."""
    tell = _Lengths(inch)
    yield f"  Full lift         {_degrees(report.full_lift_deg)}"
    yield f"  Peak lift         {tell.length(report.peak_lift_mm)}"
    yield f"  Area under curve  {tell.length(report.area_mm_deg)} deg"
    for name, rate in (
        ("Steepest opening", report.steepest_opening_mm_deg),
        ("Steepest closing", report.steepest_closing_mm_deg),
    ):
        if rate is not None:
            yield f"  {name}  {tell.length(rate)} a crank degree"
    for name, ramp in (("Opening ramp", report.opening_ramp), ("Closing ramp", report.closing_ramp)):
        yield f"  {name}      {_ramp(ramp, tell)}"
    yield f"  Base circle       {_base(report.base_circle_mm, tell)}"
    if report.nose_asymmetry_deg is not None:
        yield f"  Nose later than the flanks by {_degrees(report.nose_asymmetry_deg)}"
    yield from _lifts(report.at_inch_lifts if inch else report.at_lifts, tell)
    for warning in report.result.warnings:
        yield f"  Warning ({warning.code}): {warning.message}"


def wear_table(found: Sequence[tuple[str, Against]]) -> Iterator[str]:
    """Give the lines of a lobe held against others, the best fit first."""
    for name, one in found:
        yield f"  Against {name}"
        yield f"    Best phase        {_degrees(one.phase_deg)} later"
        yield f"    Left over         {one.rms_mm:.4f} mm rms over the lifted part"
        yield from (f"    {sentence}" for sentence in one.sentences)


def runout_table(
    found: Runout, most_mm: float | None, face_diameter_mm: float | None = None
) -> Iterator[str]:
    """Give the lines of a part's runout, with the maker's limit where it was given; of a face its swash as well."""
    yield f"  Highest to lowest {_mm(found.total_mm)}{_against_limit(found.total_mm, most_mm)}"
    yield f"  Off its axis      {_mm(found.eccentricity_mm)}{_where(found.waves[0])}"
    yield f"  Oval              {_mm(found.ovality_mm)} from highest to lowest{_where(found.waves[1])}"
    if face_diameter_mm is not None:
        swash = _swash(found, face_diameter_mm)
        yield f"  Swash             {_mm(swash.swash_mm)} on a circle of {face_diameter_mm:g} mm"
        yield f"  Out of square     {swash.tilt_deg.value:.4f} ± {swash.tilt_deg.u95:.4f} deg"
    rows = [
        (
            str(wave.times),
            f"{wave.amplitude_mm.value:.4f} ± {wave.amplitude_mm.u95:.4f}",
            f"{wave.high_at_deg.value:.0f} ± {wave.high_at_deg.u95:.0f}" if wave.seen else "not told",
        )
        for wave in found.waves
    ]
    yield from columns(("times a turn", "height, mm", "high at, deg"), rows)
    yield f"  Turned {found.turns:.1f} times; drift {found.drift_mm_turn:.4f} mm a turn, taken out"
    yield from (f"  Warning ({warning.code}): {warning.message}" for warning in found.warnings)


def _swash(found: Runout, face_diameter_mm: float) -> Swash:
    return swash_of(found, 0.5 * face_diameter_mm)


def runout_fields(found: Runout, face_diameter_mm: float | None = None) -> dict[str, Any]:
    """Give a part's runout for programs; of a face its swash as well."""
    face = {}
    if face_diameter_mm is not None:
        face = {"swash": {"face_diameter_mm": face_diameter_mm} | asdict(_swash(found, face_diameter_mm))}
    return face | {
        **{
            name: asdict(getattr(found, name))
            for name in ("total_mm", "eccentricity_mm", "high_at_deg", "ovality_mm")
        },
        "waves": [asdict(wave) | {"seen": wave.seen} for wave in found.waves],
        "turns": found.turns,
        "drift_mm_turn": found.drift_mm_turn,
        "residual_sd_mm": found.residual_sd_mm,
        "warnings": [asdict(warning) for warning in found.warnings],
    }


def compression_table(found: Compression) -> Iterator[str]:
    """Give the lines of a compression ratio: the number, its volumes, what its interval is made of."""
    yield f"  Compression ratio {_within(found.ratio)} to 1"
    yield f"  Swept             {_within(found.swept_cm3)} cm³"
    yield f"  Left at TDC       {_within(found.left_cm3)} cm³"
    for part in sorted(found.budget, key=lambda one: -one.u):
        yield f"    {part.source:<15} {part.u:.4f}"
    if not found.budget:
        yield "  No limits of error were given, so this has no interval: write 86±0.02."
    elif found.without_limit:
        yield f"  Not in the interval, for no limit of error was given: {', '.join(found.without_limit)}."
    yield "  The engine maker's figure and the fuel's limit come first."


def _within(figure: Figure) -> str:
    """A number and its interval; what was typed without a limit promises none."""
    return f"{figure.value:.2f} ± {figure.u95:.2f}" if figure.u95 else f"{figure.value:.2f}"


def _mm(figure: Figure) -> str:
    return f"{figure.value:.4f} ± {figure.u95:.4f} mm"


def _where(wave: Wave) -> str:
    if not wave.seen:
        return ", not told apart from noise"
    return f", high at {wave.high_at_deg.value:.0f} ± {wave.high_at_deg.u95:.0f} deg"


def _against_limit(figure: Figure, most_mm: float | None) -> str:
    if most_mm is None:
        return ""
    call = "within" if figure.value < most_mm else "too much"
    if abs(figure.value - most_mm) <= figure.u95:
        call = "cannot tell"
    return f": {call}, against {most_mm:g} mm"


class _Lengths:
    """Lengths, and lengths a degree, in one unit."""

    def __init__(self, inch: bool) -> None:
        self.scale, self.unit, self.places = (1.0 / MM_PER_INCH, "in", 5) if inch else (1.0, "mm", 4)

    def bare(self, figure: Figure) -> str:
        """Value and interval without their unit."""
        value, u95 = figure.value * self.scale, figure.u95 * self.scale
        return f"{value:.{self.places}f} ± {u95:.{self.places}f}"

    def length(self, figure: Figure) -> str:
        return f"{self.bare(figure)} {self.unit}"


def _degrees(figure: Figure) -> str:
    return f"{figure.value:.2f} ± {figure.u95:.2f} deg"


def _ramp(ramp: Ramp | None, tell: _Lengths) -> str:
    if ramp is None:
        return "none told apart from the flank"
    return f"{tell.length(ramp.height_mm)} high, {_degrees(ramp.length_deg)} long"


def _base(figure: Figure | None, tell: _Lengths) -> str:
    if figure is None:
        return "too little of it seen"
    if figure.value <= figure.u95:
        most = (figure.value + figure.u95) * tell.scale
        return f"runs out by nothing that is seen, {most:.{tell.places}f} {tell.unit} at most"
    return f"runs out by {tell.length(figure)}"


def _lifts(lifts: tuple[AtLift, ...], tell: _Lengths) -> Iterator[str]:
    head = ("lift", "opens", "±", "closes", "±", "duration", "±", "area", "opening rate", "closing rate")
    rows = [
        (
            f"{at.lift_mm * tell.scale:.3f} {tell.unit}",
            *(
                told
                for figure in (at.opens_deg, at.closes_deg, at.duration_deg)
                for told in (f"{figure.value:.2f}", f"{figure.u95:.2f}")
            ),
            *(tell.bare(figure) for figure in (at.area_mm_deg, at.opening_mm_deg, at.closing_mm_deg)),
        )
        for at in lifts
    ]
    yield from columns(head, rows)
